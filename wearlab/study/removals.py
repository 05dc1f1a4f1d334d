"""Competing reasons of removal: the chance that a part has been taken out for each of them by a distance.

Every reason takes parts from the others. With S(t-) the share still fitted, d_k the removals for reason k and r the
parts watched, the chance of having been taken out for it is the sum of S(t-) d_k / r (Aalen & Johansen 1978); the
chances of all reasons and the share still fitted add up to 1. The variance is the delta method's (Marubini & Valsecchi
1995, section 10.3). One minus a Kaplan-Meier curve that takes other reasons for censoring would be too high.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from wearlab.errors import InputError
from wearlab.study.kaplan_meier import COVERAGE
from wearlab.study.life_data import Floats, Ints, LifeData, risk_table


@dataclass(frozen=True, slots=True, eq=False)
class Removals:
    """Over the m distances of removals, (m,), of K reasons: chances (K, m) with se and band; `remaining` (m,).

    `counts` (K,) are the removals for each reason in `reasons`; `since` is the distance it is told from.
    """

    reasons: tuple[str, ...]
    since: float
    time: Floats
    chance: Floats
    se: Floats
    low: Floats
    high: Floats
    remaining: Floats
    counts: Ints

    def at(self, reason: str, distance: float) -> tuple[float, float, float]:
        """Return the chance of removal for a reason by a distance, with low and high.

        Raises
        ------
        InputError
            Nothing was taken out for that reason.
        """
        if reason not in self.reasons:
            raise InputError(f'nothing was taken out for "{reason}"')
        step = int(np.searchsorted(self.time, distance, side="right")) - 1
        if step < 0:
            return 0.0, 0.0, 0.0
        k = self.reasons.index(reason)
        return float(self.chance[k, step]), float(self.low[k, step]), float(self.high[k, step])


def cumulative_incidence(
    data: LifeData, reason: ArrayLike, *, since: float = 0.0, coverage: float = COVERAGE
) -> Removals:
    """Return the chances of removal for each reason; `reason` (n,) is a word a life, "" where it was not taken out.

    `data.event` is not looked at: a removal is one that has a reason.

    Raises
    ------
    InputError
        The reasons are not one a life, or nothing was taken out.
    """
    words = np.asarray(reason, dtype=object)
    if words.shape != data.time.shape:
        raise InputError("every life needs its reason of removal, or an empty word")
    kept = data.beyond(since) if since > 0 else np.arange(len(data))
    words = words[kept]
    taken = words != ""
    if not taken.any():
        raise InputError("nothing was taken out")
    lives = LifeData(data.time[kept], taken, np.maximum(data.entry[kept], since))
    table = risk_table(lives)
    names = tuple(sorted({str(word) for word in words[taken]}))
    counts = np.array(
        [
            np.bincount(np.searchsorted(table.time, lives.time[words == name]), minlength=table.time.size)
            for name in names
        ],
        dtype=np.float64,
    )
    risk, events = table.at_risk.astype(np.float64), table.events.astype(np.float64)
    share = np.asarray(np.cumprod(1.0 - events / risk), dtype=np.float64)
    before = np.append(1.0, share[:-1])
    chance = np.cumsum(before * counts / risk, axis=1)
    se = np.array([_error(own, one, risk, events, before) for own, one in zip(counts, chance, strict=True)])
    z = float(ndtri(0.5 + coverage / 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        # on log(-log) of the chance, as for a survival
        reach = np.exp(z * se / (chance * np.abs(np.log(chance))))
        low, high = chance**reach, chance ** (1.0 / reach)
    none = chance <= 0
    low, high = np.where(none, 0.0, low), np.where(none, 0.0, high)
    return Removals(names, since, table.time, chance, se, low, high, share, counts.sum(axis=1).astype(np.int64))


def _error(own: Floats, chance: Floats, risk: Floats, events: Floats, before: Floats) -> Floats:
    """Return the standard error (m,) of one reason's chance.

    With g = d / (r (r - d)), v = S(t-)^2 d_k (r - d_k) / r^3 and c = S(t-) d_k / r^2, the variance at t sums
    (I(t) - I)^2 g + v - 2 (I(t) - I) c over all removals up to t, written out in running sums.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        # where the last part leaves nothing remains to be uncertain of
        g = np.where(risk > events, events / (risk * (risk - events)), 0.0)
    v = before**2 * own * (risk - own) / risk**3
    c = before * own / risk**2
    spread = chance**2 * np.cumsum(g) - 2 * chance * np.cumsum(chance * g) + np.cumsum(chance**2 * g)
    total = spread + np.cumsum(v) - 2 * (chance * np.cumsum(c) - np.cumsum(chance * c))
    return np.asarray(np.sqrt(np.maximum(total, 0.0)), dtype=np.float64)

"""Survival of parts over distance without a law of lives: Kaplan-Meier with bands, and Nelson-Aalen.

At every distance t where d of r watched parts fail, the share that gets further is multiplied by 1 - d / r and the
summed hazard grows by d / r. The variance of the share is Greenwood's; its band is taken on log(-log S), where it
stays between 0 and 1 and keeps its coverage in small samples better than a plain one (Kalbfleisch & Prentice 1980).
Parts watched from some distance on join the risk there (Klein & Moeschberger 2003, section 4.6).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from wearlab.errors import InputError
from wearlab.study.life_data import Floats, Ints, LifeData, risk_table

#: coverage of bands and intervals
COVERAGE = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class Survival:
    """The m steps of the curve, arrays (m,): share surviving beyond `time`, its standard error and band.

    `since` is the distance it is told from: the shares are of the parts that got there. `until` is the furthest any
    part went. `hazard` is the summed hazard (Nelson-Aalen) with its standard error. A share of 0 has no band (NaN).
    """

    since: float
    until: float
    time: Floats
    at_risk: Ints
    events: Ints
    survival: Floats
    se: Floats
    low: Floats
    high: Floats
    hazard: Floats
    hazard_se: Floats
    coverage: float

    def at(self, distance: float) -> tuple[float, float, float]:
        """Return share, low and high beyond a distance; NaN beyond the last part and before `since`."""
        if not self.since <= distance <= self.until:
            return float("nan"), float("nan"), float("nan")
        step = int(np.searchsorted(self.time, distance, side="right")) - 1
        if step < 0:
            return 1.0, 1.0, 1.0
        return float(self.survival[step]), float(self.low[step]), float(self.high[step])

    def quantile(self, failed: float) -> tuple[float, float, float]:
        """Return the distance by which a share has failed, with low and high; infinite where the curve ends before.

        The ends are the distances at which the band reaches that share (Brookmeyer & Crowley 1982).

        Raises
        ------
        InputError
            The share is not between 0 and 1.
        """
        if not 0 < failed < 1:
            raise InputError(f"a share that has failed lies between 0 and 1, not at {failed}")
        found = []
        for curve in (self.survival, self.low, self.high):
            known = np.where(np.isnan(curve), self.survival, curve)
            # a share computed as a product must not miss its own round value
            down = np.flatnonzero(known <= 1 - failed + 1e-12)
            found.append(float(self.time[down[0]]) if down.size else float("inf"))
        return found[0], found[1], found[2]


def kaplan_meier(data: LifeData, *, since: float = 0.0, coverage: float = COVERAGE) -> Survival:
    """Return the survival of n lives beyond `since`, of the parts that got there.

    Raises
    ------
    InputError
        No life was watched beyond `since`, or the coverage is not between 0 and 1.
    """
    if not 0 < coverage < 1:
        raise InputError(f"a coverage lies between 0 and 1, not at {coverage}")
    kept = data.since(since) if since > 0 else data
    if not len(kept):
        raise InputError(f"no life was watched beyond {since:g}")
    table = risk_table(kept)
    risk, events = table.at_risk.astype(np.float64), table.events.astype(np.float64)
    share = np.asarray(np.cumprod(1.0 - events / risk), dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.sqrt(np.cumsum(events / (risk * (risk - events))))
        z = float(ndtri(0.5 + coverage / 2)) * spread / np.abs(np.log(share))
        low, high = share ** np.exp(z), share ** np.exp(-z)
    gone = share <= 0
    for one in (spread, low, high):
        one[gone] = np.nan
    return Survival(
        since=since,
        until=float(kept.time.max()),
        time=table.time,
        at_risk=table.at_risk,
        events=table.events,
        survival=share,
        se=np.asarray(share * spread, dtype=np.float64),
        low=low,
        high=high,
        hazard=np.cumsum(events / risk),
        hazard_se=np.sqrt(np.cumsum(events / risk**2)),
        coverage=coverage,
    )

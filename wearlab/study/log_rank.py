"""Whether groups of parts live alike: the log-rank test, plain and with the parts of a vehicle taken together.

At every failure the number that each group should have had, by its share of the parts watched, is taken from what it
had (Mantel 1966). The plain test takes parts for independent; the injectors of one vehicle share fuel, duty and driver.
The second one sums what every life adds to the difference over its vehicle and takes the spread of these sums
(Lee, Wei & Amato 1992).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc

from wearlab.errors import InputError
from wearlab.language import _
from wearlab.records import NoAnswer
from wearlab.study.life_data import Floats, Ints, LifeData, risk_table

#: clusters with a failure that the second test needs for every difference it tests (common practice, no source)
CLUSTERS = 10


@dataclass(frozen=True, slots=True, eq=False)
class LogRank:
    """The test of G groups, arrays (G,): failures had and expected if all live alike; chi-squared with its p-value.

    `chi2_together`, `p_together` take the lives of a cluster as one; None where none was named or they are too few.
    """

    groups: tuple[str, ...]
    observed: Ints
    expected: Floats
    chi2: float
    p: float
    chi2_together: float | None
    p_together: float | None
    clusters: int


def log_rank(data: LifeData, group: ArrayLike, cluster: ArrayLike | None = None) -> LogRank | NoAnswer:
    """Test whether the groups live alike; `group` (n,) and `cluster` (n,) are a word a life.

    Raises
    ------
    InputError
        They are not one a life.
    """
    words = np.asarray(group).astype(str)
    if words.shape != data.time.shape:
        raise InputError("every life needs its group")
    names, code = np.unique(words, return_inverse=True)
    if names.size < 2:
        return NoAnswer(_("there is only one group"))
    if data.failures == 0:
        return NoAnswer(_("nothing failed"))
    table = risk_table(data)
    risk = np.array([_only(data, code == g).watched(table.time) for g in range(names.size)], dtype=np.float64)
    step = np.searchsorted(table.time, data.time)
    failed = np.array(
        [np.bincount(step[data.event & (code == g)], minlength=table.time.size) for g in range(names.size)]
    )
    total, events = table.at_risk.astype(np.float64), table.events.astype(np.float64)
    share = risk / total
    expected = (share * events).sum(axis=1)
    difference = (failed.sum(axis=1) - expected)[1:]
    # of d failures among r parts, drawn without putting back
    spread = np.where(total > 1, events * (total - events) / np.maximum(total - 1, 1.0), 0.0)
    inner = share[1:]
    variance = np.diag((inner * spread).sum(axis=1)) - (inner * spread) @ inner.T
    plain = _chi2(difference, variance)
    if plain is None:
        return NoAnswer(_("no two groups were ever watched at the same distance when a part failed"))
    together, count = None, 0
    if cluster is not None:
        label = np.asarray(cluster).astype(str)
        if label.shape != data.time.shape:
            raise InputError("every life needs its cluster")
        own = np.unique(label, return_inverse=True)[1]
        count = int(own.max()) + 1
        sums = np.zeros((count, names.size - 1))
        np.add.at(sums, own, _shares(data, code, share, events / total, table.time)[:, 1:])
        hit = np.unique(own[data.event]).size
        if hit >= CLUSTERS * (names.size - 1):
            together = _chi2(difference, sums.T @ sums)
    free = names.size - 1
    return LogRank(
        groups=tuple(str(name) for name in names),
        observed=failed.sum(axis=1).astype(np.int64),
        expected=expected,
        chi2=plain,
        p=float(chdtrc(free, plain)),
        chi2_together=together,
        p_together=None if together is None else float(chdtrc(free, together)),
        clusters=count,
    )


def _only(data: LifeData, own: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> LifeData:
    return LifeData(data.time[own], data.event[own], data.entry[own])


def _chi2(difference: Floats, variance: Floats) -> float | None:
    """Return the quadratic form; None where the groups cannot be told apart."""
    if np.linalg.matrix_rank(variance, hermitian=True) < difference.size:
        return None
    return float(difference @ np.linalg.solve(variance, difference))


def _shares(data: LifeData, code: Ints, share: Floats, hazard: Floats, time: Floats) -> Floats:
    """Return what every life adds to its group's difference, (n, G): what it had less what was expected of it."""
    # summed hazard, and summed hazard times each group's share, up to every failure
    summed = np.append(0.0, np.cumsum(hazard))
    parts = np.vstack([np.zeros(share.shape[0]), np.cumsum(share * hazard, axis=1).T])
    entry, end = np.searchsorted(time, data.entry, side="right"), np.searchsorted(time, data.time, side="right")
    own = (code[:, None] == np.arange(share.shape[0])).astype(np.float64)
    expected = own * (summed[end] - summed[entry])[:, None] - (parts[end] - parts[entry])
    at = np.minimum(np.searchsorted(time, data.time), time.size - 1)
    had = np.where(data.event[:, None], own - share[:, at].T, 0.0)
    return np.asarray(had - expected, dtype=np.float64)

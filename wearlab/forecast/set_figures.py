"""The figure that a rule on a whole set looks at, for draws of the levels of all parts.

A rule looks at a level over the lowest, the median or the mean of its set, over the part's own first level, or at a
level or total itself, and fails above an upper or below a lower line. What a part without a level leaves open is taken
the way that spares the set: such a set may fail a rule, never pass it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.errors import InputError
from wearlab.forecast.paths import Array, Singles

Flags = NDArray[np.bool_]

#: Kinds whose figure is one a part; the others have one for the set or for each bank.
ON_PARTS = ("times lowest", "times median", "percent from mean", "percent from first", "most")
ON_TOTALS = ("total",)
#: a level that a missing part may have, above all others
_ABOVE = np.float32(1e12)


@dataclass(frozen=True, slots=True, eq=False)
class SetRule:
    """One rule on M sets of L parts.

    Attributes
    ----------
    kind : one of `ON_PARTS` or `ON_TOTALS`.
    limit : (M,) the limit in the figure's unit: times, percent, or the unit of levels.
    totals : for "total", the places of the parts that make each total (one tuple for the set, or one a bank).
    falls : for "percent from first", whether parts get worse by falling.
    """

    kind: str
    limit: Array
    totals: tuple[tuple[int, ...], ...] = ()
    falls: bool = False

    def __post_init__(self) -> None:
        if self.kind not in (*ON_PARTS, *ON_TOTALS):
            raise InputError(f'"{self.kind}" is no kind of rule on a set')
        if not (self.limit > 0).all():
            raise InputError("a limit is more than 0")


def compared(rule: SetRule, level: Singles, first: Singles | None, known: Flags, valid: Flags) -> Singles:
    """Return what the rule compares, (K, M, S), K parts or totals: a ratio, or a level or total.

    Parameters
    ----------
    level : (L, M, S) levels; `first` (L, M, S) those at the parts' first readings.
    known : (M, L) whether a part has a level.
    valid : (M, L) whether it may serve as the lowest of its set.
    """
    seen = known.T[:, :, None]
    if rule.kind == "total":
        counted = np.where(seen, level, np.float32(0.0))
        sums = [counted[list(places)].sum(axis=0) for places in rule.totals]
        return np.asarray(np.stack(sums), dtype=np.float32)
    if rule.kind == "most":
        return level
    if rule.kind == "percent from first":
        if first is None:
            raise InputError("a change from the first reading needs the levels at the first readings")
        return level / first
    base: Singles
    if rule.kind == "times lowest":
        base = np.where(valid.T[:, :, None], level, _ABOVE).min(axis=0)
    elif rule.kind == "times median":
        base = _median(np.where(seen, level, _ABOVE))
    else:
        base = np.where(seen, level, np.float32(0.0)).sum(axis=0) / np.float32(level.shape[0])
    return np.asarray(level / np.maximum(base, np.float32(1e-12)), dtype=np.float32)


def lines(rule: SetRule, complete: Flags) -> tuple[Array, Array]:
    """Return the lower and upper line (M,) between which the rule passes; 0 and infinity where there is none."""
    limit = np.asarray(rule.limit, dtype=np.float64)
    bottom, top = np.zeros(limit.shape), np.full(limit.shape, np.inf)
    if rule.kind not in ("percent from mean", "percent from first"):
        return bottom, limit
    low, high = np.maximum(1.0 - limit / 100.0, 0.0), 1.0 + limit / 100.0
    if rule.kind == "percent from first":
        return (low, top) if rule.falls else (bottom, high)
    # the mean of an incomplete set may lie anywhere above that of the parts known: only "too little" can be proved
    return low, np.where(complete, high, np.inf)


def in_unit(rule: SetRule, figure: Singles) -> Singles:
    """Return figures in the rule's unit from what is compared; a deviation from the mean has no sign."""
    if rule.kind == "percent from mean":
        return np.asarray(np.abs(np.float32(100.0) * (figure - 1)), dtype=np.float32)
    if rule.kind == "percent from first":
        return np.asarray(np.float32(-100.0 if rule.falls else 100.0) * (figure - 1), dtype=np.float32)
    return figure


def _median(values: Singles) -> Singles:
    """Median over the first axis, by exchanging neighbours until all are in order: few values, whole arrays at once."""
    rows: Sequence[Singles] = list(values)
    count = len(rows)
    ordered = list(rows)
    for turn in range(count):
        for k in range(turn % 2, count - 1, 2):
            low, high = np.minimum(ordered[k], ordered[k + 1]), np.maximum(ordered[k], ordered[k + 1])
            ordered[k], ordered[k + 1] = low, high
    middle = count // 2
    if count % 2:
        return ordered[middle]
    return np.asarray(np.float32(0.5) * (ordered[middle - 1] + ordered[middle]), dtype=np.float32)

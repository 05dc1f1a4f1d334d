"""What the vehicles of a depot and family usually drive a day, for vehicles that tell too little themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.lives.logs import Array, Ints

#: Spread of the logarithm of the pace between vehicles while fewer than five tell it (common practice, no source).
ASSUMED_BETWEEN = 0.5
_ASSUMED_WEIGHT = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class GroupPace:
    """The logarithm of the pace, km a day, expected of each vehicle (V,) before its own readings, and its variance."""

    middle: Array
    variance: Array


def group_pace(log_pace: Array, error: Array, family: Ints, group: Ints) -> GroupPace | None:
    """Return what is expected of every vehicle; None when no vehicle tells a pace.

    Parameters
    ----------
    log_pace, error
        Logarithm of each vehicle's own mean pace and its error's variance, shape (V,); NaN where it tells none.
    family, group
        Numbers of the family, and of the depot within the family, shape (V,).

    The mean of a depot is drawn to that of its family, and that to the fleet's, the more so the fewer vehicles it has.
    """
    told = np.isfinite(log_pace)
    if not told.any():
        return None
    fleet = float(np.median(log_pace[told]))
    middle, between, unsure = np.full(log_pace.size, fleet), ASSUMED_BETWEEN**2, np.zeros(log_pace.size)
    within = _within(log_pace, error, group, told)
    for level in (family, group):
        means, counts = _means(log_pace, level, told)
        own = counts > 0
        parents = _first(middle, level)
        known = own & (counts >= 1)
        apart = (means - parents)[known]
        # what the means differ beyond the chance of few vehicles
        between = max(float(np.mean(apart**2 - within / counts[known])), 0.0) if known.sum() > 1 else within
        keep = between / (between + within / np.maximum(counts, 1)) if between > 0 else np.zeros(counts.size)
        keep = np.where(own, keep, 0.0)
        drawn = np.where(own, parents + keep * (np.where(own, means, 0.0) - parents), parents)
        middle = drawn[level]
        unsure = unsure * (1 - keep[level]) ** 2 + np.where(own, between * (1 - keep), between)[level]
    return GroupPace(middle, within + unsure)


def _within(log_pace: Array, error: Array, group: Ints, told: NDArray[np.bool_]) -> float:
    """Variance of the logarithm between vehicles of one group, robust, the errors of their own means taken off."""
    means, counts = _means(log_pace, group, told)
    rest = (log_pace - means[group])[told]
    free = float(np.sum(counts[counts > 0] - 1))
    if free <= 0:
        return ASSUMED_BETWEEN**2
    most = 3.5 * max(float(np.median(np.abs(rest))) / 0.6745, 1e-3)
    cut = np.clip(rest, -most, most)
    found = max(float((cut**2).sum() / free) - float(error[told].mean()), 0.01**2)
    return (free * found + _ASSUMED_WEIGHT * ASSUMED_BETWEEN**2) / (free + _ASSUMED_WEIGHT)


def _means(values: Array, level: Ints, told: NDArray[np.bool_]) -> tuple[Array, Array]:
    size = int(level.max()) + 1
    counts = np.bincount(level[told], minlength=size).astype(np.float64)
    sums = np.bincount(level[told], weights=values[told], minlength=size)
    return np.where(counts > 0, sums / np.maximum(counts, 1), np.nan), counts


def _first(values: Array, level: Ints) -> Array:
    out = np.zeros(int(level.max()) + 1)
    out[level] = values
    return out

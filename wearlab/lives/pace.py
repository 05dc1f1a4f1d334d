"""Distance a day as the median of slopes: pairs of readings far enough apart, wild ones outvoted."""

from __future__ import annotations

from collections.abc import Sequence
from math import nan

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Pairs closer than this say more about the day of the week than about usage.
FEWEST_DAYS = 30

#: Longer series are thinned evenly to this many readings before pairs are taken.
MOST_READINGS = 300


def pace(days: Sequence[int], km: Sequence[float], span: Sequence[int]) -> float:
    """Return km a day over readings of several meters (`span` numbers them), NaN when no pair is far enough
    apart.

    The median of the slopes of all pairs on one meter that lie at least `FEWEST_DAYS` apart (Theil 1950,
    Sen 1968).
    """
    when, distance = np.asarray(days, dtype=np.float64), np.asarray(km, dtype=np.float64)
    of = np.asarray(span, dtype=np.int64)
    slopes = [slopes_of_pairs(when[of == meter], distance[of == meter]) for meter in np.unique(of)]
    pooled = np.concatenate(slopes) if slopes else np.zeros(0)
    return float(np.median(pooled)) if pooled.size else nan


def slopes_of_pairs(days: ArrayLike, km: ArrayLike, fewest_days: float = FEWEST_DAYS) -> NDArray[np.float64]:
    """Return the slopes, km a day, of all pairs of readings at least `fewest_days` apart, shape (pairs,)."""
    when, distance = np.asarray(days, dtype=np.float64), np.asarray(km, dtype=np.float64)
    if when.size > MOST_READINGS:
        # first and last stay, so that the longest pair does
        keep = np.unique(np.linspace(0, when.size - 1, MOST_READINGS).round().astype(np.int64))
        order = np.argsort(when, kind="stable")
        when, distance = when[order][keep], distance[order][keep]
    first, second = np.triu_indices(when.size, 1)
    apart = when[second] - when[first]
    far = np.abs(apart) >= fewest_days
    slopes: NDArray[np.float64] = (distance[second] - distance[first])[far] / apart[far]
    return slopes

"""Exponentially weighted moving average of whole sets (Lowry, Woodall, Champ & Rigdon, Technometrics 34 (1992) 46-53).

Z_t = Z_(t-1) + R (x_t - mean - Z_(t-1)), R the weight at the positions read and 0 at the missing ones. Its covariance
is carried along, C_t = (1 - R) C_(t-1) (1 - R) + R S R, so that a gap needs no guess; T-squared of the positions read
at t is Z' C^-1 Z over them, in control chi-square at every visit. The limit is given for whole sets; where positions
are missing it is the value with the same chi-square tail.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc, chdtri

from wearlab.control.chart import Array, Chart, chart
from wearlab.control.ewma import check_weight
from wearlab.control.tsquared import SetReference, as_sets
from wearlab.errors import InputError


@dataclass(frozen=True, slots=True)
class Mewma:
    """The chart of T-squared of the averages, and the averages themselves (n, p), NaN where a position is missing."""

    distance: Chart
    average: Array
    weight: float
    limit: float


def mewma(sets: ArrayLike, *, weight: float, limit: float, reference: SetReference, steady: bool = False) -> Mewma:
    """Draw the chart of sets (n, p), NaN = missing.

    Parameters
    ----------
    weight
        Of the newest set, above 0 and at most 1.
    limit
        h of T-squared of a whole set; `run_length.mewma_limit` finds the one for a wanted chance.
    reference
        Mean and covariance in control, taken as exact.
    steady
        Take the covariance that the average settles at, weight / (2 - weight) S, from the first set on: the chart then
        signals more rarely at first. Only for whole sets does the average settle at it.
    """
    check_weight(weight)
    if not limit > 0:
        raise InputError("the limit of T-squared has to be above 0")
    x = as_sets(sets)
    n, p = x.shape
    if reference.mean.size != p:
        raise InputError(f"the reference has {reference.mean.size} positions, the sets {p}")
    seen = ~np.isnan(x)
    tail = float(chdtrc(p, limit))
    limits = np.array([np.inf, *(limit if k == p else float(chdtri(k, tail)) for k in range(1, p + 1))])
    settled = weight / (2 - weight) * reference.covariance
    z, spread = np.zeros(p), settled if steady else np.zeros((p, p))
    distance, average = np.full(n, np.nan), np.full((n, p), np.nan)
    for t in range(n):
        here = seen[t]
        if not here.any():
            continue
        step = np.where(here, weight, 0.0)
        z = z + step * (np.where(here, x[t] - reference.mean, 0.0) - z)
        if not steady:
            spread = np.outer(1 - step, 1 - step) * spread + np.outer(step, step) * reference.covariance
        distance[t] = z[here] @ np.linalg.solve(spread[np.ix_(here, here)], z[here])
        average[t, here] = reference.mean[here] + z[here]
    return Mewma(chart("MEWMA", distance, 0.0, -np.inf, limits[seen.sum(axis=1)]), average, weight, limit)

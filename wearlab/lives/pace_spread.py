"""How much a vehicle's pace changes: slowly, from stretch to stretch, and from day to day; over all vehicles at once.

Shares of a vehicle's mean pace over two stretches differ the more the further they lie apart. Half the squared
difference of every pair (the variogram) is, on average,

    daily (1 / L1 + 1 / L2) / 2 + slow (c11 + c22 - 2 c12) / 2,

c being the covariances of means over stretches of a process that forgets as exp(-distance / slow_days). `daily` and
`slow` follow by least squares that may not be negative, for several `slow_days`, of which the best is kept. Assumed
values stand in for as many stretches as `_ASSUMED_WEIGHT`, so that few vehicles do not settle it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import polygamma

from wearlab.lives.logs import Array, Stretches

#: Common practice, no source: a vehicle's year differs from its mean by about a fifth, a quarter by a little more.
ASSUMED_SLOW, ASSUMED_DAILY, ASSUMED_DAYS = 0.15**2, 0.15**2 * 91, 365.0
_ASSUMED_WEIGHT = 20.0

_SLOW_DAYS = (45.0, 91.0, 182.0, 365.0, 1000.0)
#: vehicles that settle it are no more than this, evenly taken
_ENOUGH = 3000
#: squared differences this many times the expected are cut to it
_CUT = 6.0


@dataclass(frozen=True, slots=True)
class Spread:
    """Variances as shares of the squared pace: of the slow part, and of a day's distance."""

    slow: float
    slow_days: float
    daily: float


def spread_of(share: Array, told: Stretches) -> Spread:
    """Return how the pace changes; `share` (V, M) is each stretch's pace over the vehicle's mean."""
    several = np.flatnonzero(told.good.sum(axis=1) >= 2)
    several = several[:: max(1, -(-several.size // _ENOUGH))]
    assumed = Spread(ASSUMED_SLOW, ASSUMED_DAYS, ASSUMED_DAILY)
    if not several.size:
        return assumed
    good = told.good[several]
    pairs = good[:, :, None] & good[:, None, :] & np.triu(np.ones((good.shape[1],) * 2, dtype=np.bool_), 1)
    v, i, j = np.nonzero(pairs)
    rows = several[v]
    half = 0.5 * (share[rows, i] - share[rows, j]) ** 2
    by_day = 0.5 * (1 / told.days[rows, i] + 1 / told.days[rows, j])
    late, early, other_late, other_early = (
        told.late[rows, i],
        told.early[rows, i],
        told.late[rows, j],
        told.early[rows, j],
    )
    # every vehicle counts as many times as it has differences that are free of each other
    stretches = good.sum(axis=1)
    weight = 2.0 / stretches[v]
    best, found = np.inf, assumed
    for days in _SLOW_DAYS:
        by_slow: Array = 0.5 * (
            together(late, early, late, early, days)
            + together(other_late, other_early, other_late, other_early, days)
            - 2 * together(late, early, other_late, other_early, days)
        )
        slow, daily, misfit = _least(half, by_slow, by_day, weight)
        if misfit < best:
            best, found = misfit, Spread(slow, days, daily)
    free = float((stretches - 1).sum())
    keep = free / (free + _ASSUMED_WEIGHT)
    return Spread(
        keep * found.slow + (1 - keep) * ASSUMED_SLOW,
        found.slow_days if free >= _ASSUMED_WEIGHT else ASSUMED_DAYS,
        keep * found.daily + (1 - keep) * ASSUMED_DAILY,
    )


def together(late: Array, early: Array, other_late: Array, other_early: Array, days: float) -> Array:
    """Return the covariance of the means over two stretches of a process with variance 1 that forgets in `days`.

    The stretches are one and the same, or do not overlap; ages of their ends.
    """
    same = late == other_late
    length, other = early - late, other_early - other_late
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = days / length
        within = 2 * ratio * (1 - ratio * -np.expm1(-length / days))
        # the one that lies later ends at the smaller age
        gap = np.where(late > other_late, late - other_early, other_late - early)
        across = (
            ratio
            * (days / other)
            * np.expm1(-length / days)
            * np.expm1(-other / days)
            * np.exp(-np.maximum(gap, 0.0) / days)
        )
    return np.asarray(np.where(same, within, across), dtype=np.float64)


def own_spread(ratio: Array, free: Array) -> Array:
    """Return how many times the usual variance each vehicle's next days have, (V,), drawn to 1 by what all show.

    `ratio` is the vehicle's variance over the usual one with `free` degrees of freedom, 0: none. The drawing is that of
    scaled inverse chi-squared variances (Smyth 2004): their spread beyond chance gives the weight of the usual value.
    That a variance is itself not known widens it, as Student's distribution is wider than the normal.
    """
    told = (free >= 3) & (ratio > 0)
    prior = 1e6
    if told.sum() >= 5:
        logs = np.log(ratio[told]) - polygamma(0, free[told] / 2) + np.log(free[told] / 2)
        beyond = float(np.var(logs, ddof=1) - np.mean(polygamma(1, free[told] / 2)))
        prior = 2 * _trigamma_inverse(beyond) if beyond > 1e-3 else 1e6
    else:
        prior = 6.0
    return np.asarray(np.clip((prior + free * ratio) / np.maximum(prior + free - 2, 2.0), 0.1, 10.0), dtype=np.float64)


def _least(half: Array, by_slow: Array, by_day: Array, weight: Array) -> tuple[float, float, float]:
    """Return slow, daily and how far off they are, by weighted least squares with gross differences cut."""
    slow, daily = ASSUMED_SLOW, ASSUMED_DAILY
    y = half
    for turn in range(4):
        expected = np.maximum(slow * by_slow + daily * by_day, 1e-8)
        if turn:
            y = np.minimum(half, _CUT * expected)
        w = weight / expected**2
        ss, sd, dd = (w * by_slow**2).sum(), (w * by_slow * by_day).sum(), (w * by_day**2).sum()
        sy, dy = (w * by_slow * y).sum(), (w * by_day * y).sum()
        slow, daily = _not_negative(ss, sd, dd, sy, dy)
    expected = np.maximum(slow * by_slow + daily * by_day, 1e-8)
    # likelihood of squared normal differences
    misfit = float((weight * (np.log(expected) + np.minimum(half, _CUT * expected) / expected)).sum())
    return slow, daily, misfit


def _not_negative(ss: float, sd: float, dd: float, sy: float, dy: float) -> tuple[float, float]:
    det = ss * dd - sd * sd
    if det > 1e-12 * ss * dd:
        slow, daily = (dd * sy - sd * dy) / det, (ss * dy - sd * sy) / det
        if slow >= 0 and daily >= 0:
            return float(slow), float(daily)
    # one of them is 0: the one that explains less
    alone_slow, alone_daily = sy / ss if ss > 0 else 0.0, dy / dd if dd > 0 else 0.0
    return (float(alone_slow), 0.0) if sy * alone_slow > dy * alone_daily else (0.0, float(alone_daily))


def _trigamma_inverse(value: float) -> float:
    """Return x with trigamma(x) = value, by Newton steps on its reciprocal."""
    x = 0.5 + 1 / value
    for _ in range(50):
        tri = float(polygamma(1, x))
        step = tri * (1 - tri / value) / float(polygamma(2, x))
        x += step
        if abs(step) < 1e-8 * x:
            break
    return x


def covariance(told: Stretches, spread: Spread, rows: NDArray[np.intp], times: Array) -> tuple[Array, Array]:
    """Return covariances of some vehicles' mean paces, as shares of the squared pace.

    The first, (n, M, M), is of the stretches with each other, the second, (n, M), with the slow part at the newest end.
    `times` (n,) multiplies the days' scatter, and the slow part where it is more than 1.
    """
    late, early, good = told.late[rows], told.early[rows], told.good[rows]
    days = told.days[rows]
    every = together(late[:, :, None], early[:, :, None], late[:, None, :], early[:, None, :], spread.slow_days)
    slow = spread.slow * np.maximum(times, 1.0)
    matrix = slow[:, None, None] * np.where(good[:, :, None] & good[:, None, :], every, 0.0)
    diagonal = np.arange(late.shape[1])
    matrix[:, diagonal, diagonal] += np.where(good, spread.daily * times[:, None] / days, 0.0)
    since, until = late - late[:, :1], early - late[:, :1]
    now = spread.slow_days / days * (np.exp(-since / spread.slow_days) - np.exp(-until / spread.slow_days))
    return matrix, np.where(good, slow[:, None] * now, 0.0)

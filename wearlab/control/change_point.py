"""One change in the mean of a series: whether, when and by how much.

The change comes after the reading k that leaves the least residual sum of squares of two means. Its F statistic against
one mean is the largest over k (sup-F), and its chance allows for the search: the smaller of

- the sum over all k of the chance of that F (Bonferroni, holds for any number of readings), and
- the boundary crossing chance of a Brownian bridge (DeLong, Communications in Statistics A10 (1981) 2197-2213) at the
  chi-square value with the same chance as F.

The interval of the date is Bai's (Review of Economics and Statistics 79 (1997) 551-563): a random walk with drift falls
away from the true date to both sides. With the change d and spreads s1 before, s2 after, the distance to the date
times d^2 / s1^2 is the place of the maximum of a two-sided Brownian motion less half its time; its law is worked out
here from the first passage of the maximum. It holds for long series and changes of a few sd or less; on short ones
the interval reaches to the ends of the series soon, and says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import ceil, exp, floor, gamma, log, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import chdtri, fdtrc, log_ndtr, stdtrit

from wearlab.control.chart import Array, series
from wearlab.errors import InputError
from wearlab.language import _, number
from wearlab.records import NoAnswer

_LEGENDRE = np.polynomial.legendre.leggauss(120)
_PLACE, _WEIGHT = np.asarray((_LEGENDRE[0] + 1) / 2), np.asarray(_LEGENDRE[1] / 2)


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """The one most likely change.

    `last_before` is the index of the last reading before it, `low` and `high` the interval of that index; an open end
    (`low_open`, `high_open`) means that the series does not bound it. `before`, `after`: the means, `change` their
    difference with its interval given the date. `f`: (n,) F of a change after each reading, NaN where none was tried.
    `chance`: of a sup-F as large without a change.
    """

    last_before: int
    low: int
    high: int
    low_open: bool
    high_open: bool
    before: float
    after: float
    change: float
    change_low: float
    change_high: float
    rss_one_mean: float
    rss: float
    sup_f: float
    chance: float
    f: Array


def change_point(
    values: ArrayLike, *, coverage: float = 0.95, trim: float = 0.15, equal_spread: bool = False
) -> ChangePoint | NoAnswer:
    """Find the one change in the mean of a series (n,), NaN = missing.

    Parameters
    ----------
    trim
        Share of the readings that lie at least to either side of the change (two readings at least).
    equal_spread
        Take one spread before and after the change for the interval of its date; short sides tell none of their own.

    Raises
    ------
    InputError
        Coverage or trim are out of range.
    """
    if not 0 < coverage < 1 or not 0 < trim < 0.5:
        raise InputError("the coverage lies between 0 and 1, the trimmed share between 0 and 0.5")
    x = series(values)
    places = np.flatnonzero(~np.isnan(x))
    y = x[places]
    n = y.size
    least = max(2, floor(n * trim))
    if n < 2 * least or n < 5:
        return NoAnswer(_("{n} readings are too few to look for a change; it needs 5", n=number(n)))
    total = float(np.sum((y - y.mean()) ** 2))
    if not total > 0:
        return NoAnswer(_("all readings are equal, so nothing changed"))
    k = np.arange(least, n - least + 1)
    sums = np.cumsum(y - y.mean())[k - 1]
    explained = sums**2 * n / (k * (n - k))
    best = int(np.argmax(explained))
    split = int(k[best])
    first, second = y[:split], y[split:]
    rss_1, rss_2 = float(np.sum((first - first.mean()) ** 2)), float(np.sum((second - second.mean()) ** 2))
    rss = rss_1 + rss_2
    with np.errstate(divide="ignore"):
        tried = explained / np.maximum(total - explained, 0.0) * (n - 2)
    f = np.full(x.size, np.nan)
    f[places[k - 1]] = tried
    change = float(second.mean() - first.mean())
    reach = float(stdtrit(n - 2, 0.5 + coverage / 2)) * sqrt(rss / (n - 2) * n / (split * (n - split)))
    spread_1, spread_2 = (rss / n, rss / n) if equal_spread else (rss_1 / split, rss_2 / (n - split))
    low, high = _dates(split, change, spread_1, spread_2, coverage)
    return ChangePoint(
        last_before=int(places[split - 1]),
        low=int(places[max(low, 1) - 1]),
        high=int(places[min(high, n) - 1]),
        low_open=low < 1,
        high_open=high >= n,
        before=float(first.mean()),
        after=float(second.mean()),
        change=change,
        change_low=change - reach,
        change_high=change + reach,
        rss_one_mean=total,
        rss=rss,
        sup_f=float(tried[best]),
        chance=_chance(float(tried[best]), n, k.size, least / n),
        f=f,
    )


def _chance(sup_f: float, n: int, tried: int, trim: float) -> float:
    """Return the chance of a sup-F as large in n readings without a change."""
    one = float(fdtrc(1, n - 2, sup_f))
    several = min(1.0, tried * one)
    c = float(chdtri(1, one)) if one > 0 else float("inf")
    if not 1 < c < 1e6:
        return several
    bridge = sqrt(c) * exp(-c / 2) / (sqrt(2) * gamma(0.5)) * ((1 - 1 / c) * 2 * log((1 - trim) / trim) + 2 / c)
    return min(several, bridge)


def _dates(split: int, change: float, spread_1: float, spread_2: float, coverage: float) -> tuple[int, int]:
    """Return the interval of the number of readings before the change."""
    tail = (1 - coverage) / 2
    if not min(spread_1, spread_2) > 0:
        return split, split
    ratio = spread_2 / spread_1
    unit = spread_1 / change**2
    # the split found too late lies among readings of after: the true date is then earlier, by as far as their spread
    # carries; found too early, seen from the other side of time, before and after change places
    too_late = _reach(tail, 1.0, ratio) * unit
    too_early = _reach(tail, ratio, 1.0) * unit
    return split - ceil(too_late), split + ceil(too_early)


@lru_cache(maxsize=64)
def _reach(tail: float, behind: float, ahead: float) -> float:
    """Return the s above which the place of the maximum lies with chance `tail`, 0 where the whole side has less.

    W(s) - |s| / 2 with variance `ahead` for s > 0 and `behind` for s < 0.
    """
    side = place_chance(0.0, behind, ahead)
    if side <= tail:
        return 0.0
    top = 10.0 * max(ahead, behind)
    while place_chance(top, behind, ahead) > tail:
        top *= 2
    return float(brentq(lambda s: place_chance(s, behind, ahead) - tail, 0.0, top, xtol=1e-9))


def place_chance(s: float, behind: float, ahead: float) -> float:
    """Return the chance that the maximum of W(t) - |t| / 2 lies beyond t = s >= 0.

    W has variance `ahead` a unit of time for t > 0, `behind` for t < 0. The maximum m ahead is exponential with mean
    `ahead`; being reached at time t for the first time has the density m / sqrt(2 pi ahead t^3) exp(-(m + t/2)^2 /
    (2 ahead t)), and that behind stays below m with the chance 1 - exp(-m / behind).
    """

    # in v = sqrt(t) the density has no pole at 0; it falls at least like exp(-t / (8 ahead)), and is finest near s
    begin, end = sqrt(s), sqrt(s + 320 * ahead)
    v = begin + (end - begin) * _PLACE**2
    density = (_passage(v * v, ahead, 0.0) - _passage(v * v, ahead, 1.0 / behind)) / ahead
    return float(np.sum(2 * v * density * 2 * _PLACE * _WEIGHT) * (end - begin))


def _passage(t: Array, variance: float, rate: float) -> Array:
    """Return the integral over m > 0 of the first passage density of m at times t > 0, times exp(-rate m)."""
    spread = variance * t
    lean = 0.5 + rate * variance  # exp(-(m + t/2)^2 / (2 spread) - rate m) is normal about -lean t
    outer = (lean**2 - 0.25) * t / (2 * variance)
    # the mean above 0 of such a normal value, times what completing the square leaves
    above = np.sqrt(spread / (2 * pi)) * np.exp(-t / (8 * variance))
    return np.asarray((above - lean * t * np.exp(outer + log_ndtr(-lean * t / np.sqrt(spread)))) / t)

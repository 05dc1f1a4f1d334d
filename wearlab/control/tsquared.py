"""Hotelling's T-squared of sets: how far all positions of one visit together lie from where they should.

Rows are visits, columns positions. Limits hold a chance alpha of a false signal at each visit:

- mean and covariance known: chi-square with p degrees of freedom;
- from m earlier sets (`reference_of`): p (m+1)(m-1) / (m (m-p)) F(p, m-p);
- a set judged by a mean and covariance it took part in: (m-1)^2 / m Beta(p/2, (m-p-1)/2)
  (Tracy, Young & Mason, J. Quality Technology 24 (1992) 88-95).

Where a position is missing, the rest is judged by its own part of mean and covariance, with the limit that the smaller
number of positions has at the same alpha. Incomplete sets do not enter a mean or covariance: only then are all three
laws exact, and an incomplete set among those that do is judged as one that took no part.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betainc, betaincinv, chdtrc, chdtri, fdtrc, fdtri

from wearlab.control.chart import Array, Chart, chart
from wearlab.errors import InputError
from wearlab.language import _, number
from wearlab.records import NoAnswer


@dataclass(frozen=True, slots=True)
class SetReference:
    """Mean (p,) and covariance (p, p) of a set in control; `sets` they come from, infinite when they are known."""

    mean: Array
    covariance: Array
    sets: float


@dataclass(frozen=True, slots=True)
class TSquared:
    """The chart of T-squared, (n,), and what goes with each visit.

    `positions` counts the positions read. `chance` is that of a T-squared as large without a cause. `given_the_rest`
    (n, p) is each position's distance from what the others of that visit foretell, in its own sd (NaN = missing): where
    the chart signals, it shows which position it was. It counts mean and covariance as exact.
    """

    distance: Chart
    positions: Array
    chance: Array
    given_the_rest: Array
    reference: SetReference


def known_reference(mean: ArrayLike, covariance: ArrayLike) -> SetReference:
    """Return the reference of sets whose mean (p,) and covariance (p, p) are known.

    Raises
    ------
    InputError
        Shapes do not fit, or the covariance is not symmetric and positive definite.
    """
    middle, spread = np.asarray(mean, dtype=np.float64), np.asarray(covariance, dtype=np.float64)
    if middle.ndim != 1 or spread.shape != (middle.size, middle.size):
        raise InputError("a reference needs a mean (p,) and a covariance (p, p)")
    if not _regular(spread) or not np.isfinite(middle).all():
        raise InputError("the covariance of a set has to be symmetric and positive definite")
    return SetReference(middle, spread, np.inf)


def reference_of(sets: ArrayLike) -> SetReference | NoAnswer:
    """Return mean and covariance (divisor m - 1) of the m complete rows of `sets` (n, p)."""
    x = as_sets(sets)
    whole = x[~np.isnan(x).any(axis=1)]
    m, p = whole.shape
    if m < p + 2:
        return NoAnswer(
            _(
                "{n} complete sets are too few for the covariance of {positions} positions; it needs {least}",
                n=number(m),
                positions=number(p),
                least=number(p + 2),
            )
        )
    spread = np.cov(whole, rowvar=False).reshape(p, p)
    if not _regular(spread):
        return NoAnswer(_("the positions of the sets depend on each other exactly, so they have no joint chart"))
    return SetReference(whole.mean(axis=0), spread, float(m))


def t_squared(sets: ArrayLike, *, alpha: float, reference: SetReference | None = None) -> TSquared | NoAnswer:
    """Draw the chart of sets (n, p), NaN = missing.

    `alpha` is the chance of a false signal at one visit. Without a `reference` the sets are judged by their own mean
    and covariance, else by the reference, of which they must be no part.
    """
    if not (isfinite(alpha) and 0 < alpha < 1):
        raise InputError(f"the chance of a false signal lies between 0 and 1, not {alpha}")
    x = as_sets(sets)
    used = reference_of(x) if reference is None else reference
    if isinstance(used, NoAnswer):
        return used
    if used.mean.size != x.shape[1]:
        raise InputError(f"the reference has {used.mean.size} positions, the sets {x.shape[1]}")
    seen = ~np.isnan(x)
    count = seen.sum(axis=1)
    distance, chance, upper = np.full((3, x.shape[0]), np.nan)
    rest = np.full(x.shape, np.nan)
    # visits that miss the same positions share one inverse
    patterns, which = np.unique(seen, axis=0, return_inverse=True)
    for at, pattern in enumerate(patterns):
        rows, p = np.flatnonzero(which.reshape(-1) == at), int(pattern.sum())
        upper[rows] = np.inf
        if not p:
            continue
        inverse = np.linalg.inv(used.covariance[np.ix_(pattern, pattern)])
        gap = x[np.ix_(rows, pattern)] - used.mean[pattern]
        far = gap @ inverse
        distance[rows] = np.sum(far * gap, axis=1)
        rest[np.ix_(rows, pattern)] = far / np.sqrt(np.diag(inverse))
        own = reference is None and p == x.shape[1]
        chance[rows] = _tail(distance[rows], p, used.sets, own)
        upper[rows] = limit(p, alpha, used.sets, took_part=own)
    return TSquared(chart("T-squared", distance, 0.0, -np.inf, upper), count.astype(np.float64), chance, rest, used)


def limit(positions: int, alpha: float, sets: float = np.inf, *, took_part: bool = False) -> float:
    """Return the limit of T-squared of so many positions, for a mean and covariance from so many complete sets."""
    p, m = positions, sets
    if not isfinite(m):
        return float(chdtri(p, alpha))
    if took_part:
        return float((m - 1) ** 2 / m * betaincinv(p / 2, (m - p - 1) / 2, 1 - alpha))
    return float(p * (m + 1) * (m - 1) / (m * (m - p)) * fdtri(p, m - p, 1 - alpha))


def as_sets(sets: ArrayLike) -> Array:
    """Return sets as floats (n, p); InputError where there are not two dimensions, or a value is infinite."""
    x = np.asarray(sets, dtype=np.float64)
    if x.ndim != 2 or not x.shape[1]:
        raise InputError("sets have one row a visit and one column a position")
    if np.isinf(x).any():
        raise InputError("a set holds an infinite value; leave a reading beyond the scale out as missing")
    return x


def _tail(distance: Array, p: int, m: float, own: bool) -> Array:
    if not isfinite(m):
        return np.asarray(chdtrc(p, distance))
    if own:
        share = np.clip(distance * m / (m - 1) ** 2, 0.0, 1.0)
        return np.asarray(betainc((m - p - 1) / 2, p / 2, 1 - share))
    return np.asarray(fdtrc(p, m - p, distance * m * (m - p) / (p * (m + 1) * (m - 1))))


def _regular(spread: Array) -> bool:
    if not np.isfinite(spread).all() or not np.allclose(spread, spread.T):
        return False
    sd = np.sqrt(np.clip(np.diag(spread), 0.0, None))
    return bool((sd > 0).all() and np.linalg.eigvalsh(spread / np.outer(sd, sd))[0] > 1e-10)

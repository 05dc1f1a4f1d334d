"""Scores of forecasts that are distributions: lower is better, and nothing is gained by saying other than one believes.

Sources: T. Gneiting, A. E. Raftery, Strictly proper scoring rules, prediction, and estimation (2007), for the CRPS,
the interval score and the pinball loss; A. P. Dawid (1984) for the PIT.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from wearlab.errors import InputError

Array = NDArray[np.float64]


def crps_normal(mean: ArrayLike, sd: ArrayLike, y: ArrayLike) -> Array:
    """Return the CRPS of normal forecasts at what came, in the unit of `y`; shapes broadcast.

    An sd of 0 is a point: its score is the distance.
    """
    m, s, v = (np.asarray(values, dtype=np.float64) for values in (mean, sd, y))
    if (s < 0).any():
        raise InputError("a standard deviation is 0 or more")
    away = np.abs(v - m)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(s > 0, (v - m) / s, 0.0)
    bell = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
    return np.asarray(np.where(s > 0, s * (z * (2 * ndtr(z) - 1) + 2 * bell - 1 / np.sqrt(np.pi)), away))


def crps_sample(sample: ArrayLike, y: ArrayLike) -> Array:
    """Return the CRPS of samples (..., S) at what came (...): E|X - y| - E|X - X'| / 2 over all S^2 pairs."""
    x, v = np.sort(np.asarray(sample, dtype=np.float64), axis=-1), np.asarray(y, dtype=np.float64)
    count = x.shape[-1] if x.ndim else 0
    if count == 0 or x.shape[:-1] != v.shape:
        raise InputError("every value needs a sample of one value or more")
    # in a sorted sample the sum of all |x_i - x_j| weighs the value of rank i with 2 i - S + 1, twice
    weight = 2.0 * np.arange(count) - count + 1
    return np.asarray(np.abs(x - v[..., None]).mean(axis=-1) - (x @ weight) / count**2)


def crps_grid(x: ArrayLike, chance: ArrayLike, y: ArrayLike) -> Array:
    """Return the CRPS (n,) of distribution functions that run straight between grid points; exact for those.

    Parameters
    ----------
    x
        (n, G) ascending values, or (G,) for all; equal values make a step.
    chance
        (n, G) distribution function there, never falling. What is under its first value lies at the first point, what
        is over its last at the last point.
    y
        (n,) what came.
    """
    v = np.asarray(y, dtype=np.float64)
    f = np.asarray(chance, dtype=np.float64)
    if v.ndim != 1 or f.ndim != 2 or f.shape[0] != v.size or f.shape[1] == 0:
        raise InputError("every value needs its row of the distribution function")
    grid = np.broadcast_to(np.asarray(x, dtype=np.float64), f.shape)
    if (np.diff(grid, axis=1) < 0).any() or (np.diff(f, axis=1) < 0).any() or (f < 0).any() or (f > 1).any():
        raise InputError("a distribution function and its grid never fall, and it stays within 0 and 1")
    low, high = grid[:, :-1], grid[:, 1:]
    at_low, at_high = f[:, :-1], f[:, 1:]
    width = high - low
    cut = np.clip(v[:, None], low, high)
    share = np.divide(cut - low, width, out=np.zeros_like(width), where=width > 0)
    at_cut = at_low + share * (at_high - at_low)
    before = (cut - low) * (at_low**2 + at_low * at_cut + at_cut**2) / 3
    left, right = 1 - at_cut, 1 - at_high
    after = (high - cut) * (left**2 + left * right + right**2) / 3
    outside = np.maximum(grid[:, 0] - v, 0.0) + np.maximum(v - grid[:, -1], 0.0)
    return np.asarray((before + after).sum(axis=1) + outside)


def crps_quantiles(chances: ArrayLike, values: ArrayLike, y: ArrayLike) -> Array:
    """Return the CRPS (n,) of forecasts given by quantiles: `values` (n, Q) at the ascending `chances` (Q,).

    The distribution function runs straight between the quantiles; what lies beyond the outer ones lies on them.
    """
    told = np.asarray(values, dtype=np.float64)
    if told.ndim != 2:
        raise InputError("quantiles have one row a forecast")
    return crps_grid(told, np.broadcast_to(np.asarray(chances, dtype=np.float64), told.shape), y)


def pinball(level: ArrayLike, forecast: ArrayLike, y: ArrayLike) -> Array:
    """Return the pinball loss of a quantile forecast of this chance; shapes broadcast."""
    p, q, v = (np.asarray(values, dtype=np.float64) for values in (level, forecast, y))
    if not ((p > 0) & (p < 1)).all():
        raise InputError("the chance of a quantile lies between 0 and 1")
    return np.asarray(np.where(v >= q, p * (v - q), (1 - p) * (q - v)))


def interval_score(coverage: float, low: ArrayLike, high: ArrayLike, y: ArrayLike) -> Array:
    """Return the score of a central interval of this coverage: its width, and 2 / (1 - coverage) a unit outside."""
    if not 0 < coverage < 1:
        raise InputError("the coverage of an interval lies between 0 and 1")
    a, b, v = (np.asarray(values, dtype=np.float64) for values in (low, high, y))
    if (b < a).any():
        raise InputError("an interval's upper end is not below its lower one")
    fine = 2.0 / (1.0 - coverage)
    return np.asarray(b - a + fine * (np.maximum(a - v, 0.0) + np.maximum(v - b, 0.0)))


def covered(pit: ArrayLike, coverage: float) -> NDArray[np.bool_]:
    """Return whether what came lay inside the central interval, from the forecast's chance of at most that."""
    u = np.asarray(pit, dtype=np.float64)
    return np.asarray(np.abs(u - 0.5) <= coverage / 2 + 1e-12)


def pit_histogram(pit: ArrayLike, bins: int = 10) -> NDArray[np.int64]:
    """Return how many PIT values (n,) fall into each of equal parts of 0 to 1; flat for honest forecasts."""
    u = np.asarray(pit, dtype=np.float64)
    if bins < 1 or not ((u >= 0) & (u <= 1)).all():
        raise InputError("PIT values lie between 0 and 1 and are counted in one part or more")
    return np.bincount(np.minimum((u * bins).astype(np.int64), bins - 1), minlength=bins).astype(np.int64)

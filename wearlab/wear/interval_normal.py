"""A normal variable known to lie in an interval: probability, mean and variance without loss in the tails."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erfcx, log_ndtr

Array = NDArray[np.float64]

#: From this many standard deviations the series of Mills' ratio keeps more digits than the closed form.
SERIES_FROM = 30.0
#: Fall of the log density, from its peak in the interval, at which a two-sided interval is cut.
FALL = 36.0
_NODE, _WEIGHT = np.polynomial.legendre.leggauss(48)


def interval_moments(lower: ArrayLike, upper: ArrayLike) -> tuple[Array, Array, Array]:
    """Return (log probability, mean, variance) of a standard normal between `lower` and `upper`.

    Both are of one shape (or broadcast to one), lower < upper, infinities allowed; the results have that shape.
    Not restricted at all gives (0, 0, 1).

    Notes
    -----
    One bound: the hazard is sqrt(2/pi) / erfcx(a / sqrt 2), and beyond 30 standard deviations mean and variance
    follow from the asymptotic series of Mills' ratio (relative error under 1e-9 everywhere). Two bounds:
    Gauss-Legendre quadrature with 48 nodes about the peak of the density, so that nothing is lost by subtracting
    two nearly equal tails (relative error under 1e-9).
    """
    low, high = np.broadcast_arrays(np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64))
    left, right = np.isfinite(low), np.isfinite(high)
    if left.all() and not right.any():
        return _above(low)
    log_p, mean, var = np.zeros(low.shape), np.zeros(low.shape), np.ones(low.shape)
    one = left ^ right
    if one.any():
        over_left = left[one]
        log_p[one], over, var[one] = _above(np.where(over_left, low[one], -high[one]))
        mean[one] = np.where(over_left, over, -over)
    two = left & right
    if two.any():
        log_p[two], mean[two], var[two] = _between(low[two], high[two])
    return log_p, mean, var


def reach(peak: Array, fall: float) -> Array:
    """Return the distance from `peak` at which a standard normal's log density has fallen by `fall`, outwards."""
    return 2 * fall / (np.sqrt(peak**2 + 2 * fall) + np.abs(peak))


def _above(a: Array) -> tuple[Array, Array, Array]:
    """Log probability, mean and variance of a standard normal above a."""
    log_p = log_ndtr(-a)
    # below -35 the bound takes nothing away that a double could hold, and erfcx would overflow
    near = np.clip(a, -35.0, SERIES_FROM)
    mean = np.sqrt(2 / np.pi) / erfcx(near / np.sqrt(2))
    var = 1 - mean * (mean - near)
    far = a > SERIES_FROM
    if far.any():
        x = a[far]
        t = 1 / x**2
        mean[far] = x + (1 + t * (-2 + t * (10 + t * (-74 + t * 706)))) / x
        var[far] = t * (1 + t * (-6 + t * (50 + t * (-518 + t * 6354))))
    return log_p, mean, var


def _between(a: Array, b: Array) -> tuple[Array, Array, Array]:
    """Log probability, mean and variance of a standard normal between finite a and b."""
    peak = np.clip(0.0, a, b)
    far = reach(peak, FALL)
    start, end = np.maximum(a, peak - far), np.minimum(b, peak + far)
    half = (end - start) / 2
    step = half[..., None] * (1 + _NODE)  # measured from `start`: no rounding against a large bound
    over = (start - peak)[..., None] + step
    density = np.exp(-over * (peak[..., None] + over / 2)) * _WEIGHT
    mass = density.sum(axis=-1)
    centre = (density * step).sum(axis=-1) / mass
    var = (density * (step - centre[..., None]) ** 2).sum(axis=-1) / mass
    return np.log(mass * half) - peak**2 / 2 - np.log(2 * np.pi) / 2, start + centre, var

"""Moments of long normal vectors in boxes by importance sampling on a fixed lattice of points.

Slower than expectation propagation and, with enough points, free of its bias: the sites of expectation propagation
only place the points, weights correct for what they miss. The points are the same every time, so that an estimation
which calls this again and again moves smoothly.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtri_exp

from wearlab.wear.interval_normal import interval_moments
from wearlab.wear.propagation import propagate

Array = NDArray[np.float64]

#: Values held at a time in one array of points.
CHUNK = 200_000
JITTER = 1e-11


def sampled(correlation: Array, lower: Array, upper: Array, points: int) -> tuple[Array, Array, Array]:
    """Return mean (m, c), covariance (m, c, c) and log probability (m,) of standardised vectors of mean zero.

    `correlation` (m, c, c), `lower` and `upper` (m, c), every coordinate with at least one bound, c >= 2; `points` a
    vector, 1 or more.

    Notes
    -----
    Coordinates are drawn one after the other along the Cholesky factor, the most restricted first, each from the
    truncated normal that the sites of those still to come make of it; the last one is integrated in closed form.
    Measured on 5 to 12 coordinates, worst errors of mean (in standard deviations within the box), that standard
    deviation (relative) and log probability, with 1,024 points: 0.03, 0.06, 0.007 in general, 0.07, 0.11, 0.02 for
    parts whose every reading is beyond one scale end (correlation 0.98), where expectation propagation has 0.12, 0.25,
    0.2; 4,096 points halve them. 1,024 points take 2 to 5 ms a vector, expectation propagation some 0.1 ms in a batch.
    Points: square roots of primes modulo 1, folded.
    Sources: A. Genz, Numerical computation of multivariate normal probabilities (1992); R. D. Richtmyer (1951) for
    the points.
    """
    m, c = lower.shape
    sites = propagate(correlation, lower, upper)
    order = np.argsort(-sites.precision, axis=1, kind="stable")
    row = np.arange(m)[:, None]
    back = np.argsort(order, axis=1)
    turned = correlation[row[:, :, None], order[:, :, None], order[:, None, :]]
    u = _points(points, c - 1)
    mean, cov, log_p = np.empty((m, c)), np.empty((m, c, c)), np.empty(m)
    step = max(CHUNK // points, 1)
    for start in range(0, m, step):
        part = slice(start, start + step)
        pick = row[part], order[part]
        mean[part], cov[part], log_p[part] = _drawn(
            turned[part], lower[pick], upper[pick], sites.precision[pick], sites.pull[pick], u
        )
    return mean[row, back], cov[row[:, :, None], back[:, :, None], back[:, None, :]], log_p


def _points(number: int, dimensions: int) -> Array:
    """Points (number, dimensions) strictly between 0 and 1."""
    primes: list[int] = []
    candidate = 2
    while len(primes) < dimensions:
        if all(candidate % prime for prime in primes):
            primes.append(candidate)
        candidate += 1
    at = (np.arange(1, number + 1)[:, None] * np.sqrt(np.array(primes, dtype=np.float64)) + 0.5) % 1.0
    return np.asarray(np.clip(1 - np.abs(2 * at - 1), 1e-12, 1 - 1e-12), dtype=np.float64)


def _drawn(corr: Array, a: Array, b: Array, tau: Array, nu: Array, u: Array) -> tuple[Array, Array, Array]:
    m, c = a.shape
    low_root = np.asarray(np.linalg.cholesky(corr + JITTER * np.eye(c)), dtype=np.float64)
    root_tau = np.sqrt(tau)
    target = np.divide(nu, root_tau, out=np.zeros_like(nu), where=root_tau > 0)
    z = np.zeros((m, c, u.shape[0]))
    log_w = np.zeros((m, u.shape[0]))
    for j in range(c):
        fixed = np.einsum("mi,min->mn", low_root[:, j, :j], z[:, :j])
        own = low_root[:, j, j, None]
        low, high = (a[:, j, None] - fixed) / own, (b[:, j, None] - fixed) / own
        if j == c - 1:
            log_last, z[:, j], last_var = interval_moments(low, high)
            log_w += log_last
            break
        # z_j given those before it, with the sites of the coordinates after it: a normal
        load, scaled, rest = low_root[:, j + 1 :, j], root_tau[:, j + 1 :], low_root[:, j + 1 :, j + 1 :]
        noise = np.eye(c - 1 - j) + scaled[:, :, None] * (rest @ np.swapaxes(rest, 1, 2)) * scaled[:, None, :]
        pull = np.linalg.solve(noise, (scaled * load)[:, :, None])[:, :, 0]
        root = 1 / np.sqrt(1 + (scaled * load * pull).sum(axis=1))[:, None]
        given = np.einsum("mk,mki->mi", pull * scaled, low_root[:, j + 1 :, :j])
        centre = (pull * target[:, j + 1 :]).sum(axis=1)[:, None] - np.einsum("mi,min->mn", given, z[:, :j])
        t, log_mass = _between(u[:, j], (low - centre * root**2) / root, (high - centre * root**2) / root)
        z[:, j] = centre * root**2 + root * t
        log_w += log_mass + np.log(root) + (t**2 - z[:, j] ** 2) / 2
    top = log_w.max(axis=1, keepdims=True)
    w = np.exp(log_w - top)
    mass = w.sum(axis=1)
    w /= mass[:, None]
    centre = np.einsum("mn,min->mi", w, z)
    off = z - centre[:, :, None]
    cov = (off * w[:, None, :]) @ np.swapaxes(off, 1, 2)
    cov[:, -1, -1] += (w * last_var).sum(axis=1)
    log_p = np.log(mass / u.shape[0]) + top[:, 0]
    return (low_root @ centre[:, :, None])[:, :, 0], low_root @ cov @ np.swapaxes(low_root, 1, 2), log_p


def _between(u: Array, low: Array, high: Array) -> tuple[Array, Array]:
    """Quantile u (n,) of a standard normal between low and high (m, n), and the log probability of the interval."""
    flip = low > 0  # work in the lower tail, where logarithms of probabilities keep their digits
    start, end = np.where(flip, -high, low), np.where(flip, -low, high)
    log_start, log_end = log_ndtr(start), log_ndtr(end)
    share = np.where(flip, 1 - u, u)
    log_mass = log_end + np.log1p(-np.exp(np.minimum(log_start - log_end, -1e-15)))
    t = ndtri_exp(np.logaddexp(log_start + np.log1p(-share), log_end + np.log(share)))
    t = np.clip(t, start, end)
    return np.where(flip, -t, t), log_mass

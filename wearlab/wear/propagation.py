"""Expectation propagation for normal vectors in boxes, many vectors at a time.

Each bounded coordinate is given a normal factor, its site, that stands for the bound. Sites are renewed one
after the other until the truncated moments of every coordinate, seen through all other sites, agree with the
common normal. All vectors move together in numpy; those that have settled drop out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.wear.interval_normal import interval_moments

Array = NDArray[np.float64]

#: Sweeps at most, and the change of a standardised mean or variance below which a vector has settled.
SWEEPS = 100
TOLERANCE = 1e-7
#: Most precise site, in units of the coordinate's own precision: a bound some 100,000 standard deviations away.
MOST_PRECISION = 1e10
#: From this sweep on the moments are computed anew from the sites after every sweep: rounding no longer adds up.
RENEW_FROM = 6
#: Added to the correlation's diagonal, so that coordinates which are copies of each other still settle.
JITTER = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Sites:
    """Result for m vectors of c coordinates: mean (m, c), covariance (m, c, c), log probability (m,), the sites'
    precision (m, c) and precision times mean `pull` (m, c), and whether the vector settled (m,)."""

    mean: Array
    covariance: Array
    log_probability: Array
    precision: Array
    pull: Array
    settled: NDArray[np.bool_]


def propagate(correlation: Array, lower: Array, upper: Array) -> Sites:
    """Return the approximation for m vectors of mean zero, `correlation` (m, c, c), bounds (m, c) in standard units.

    Notes
    -----
    A box in a normal is log-concave, so every site has a precision of at least zero and no damping is needed.
    The prior is never inverted: rank-one updates during the sweeps, and at the end once more from the sites
    through a root of the correlation, which keeps the covariance positive semidefinite when the correlation is
    singular.
    Source: T. Minka, Expectation propagation for approximate Bayesian inference (2001); J. P. Cunningham,
    P. Hennig, S. Lacoste-Julien, Gaussian probabilities and expectation propagation (2011).
    """
    m, c = lower.shape
    prior = correlation + JITTER * np.eye(c)
    root = _root(prior)
    tau, nu = np.zeros((m, c)), np.zeros((m, c))
    mean, cov = np.zeros((m, c)), prior.copy()
    bounded = np.isfinite(lower) | np.isfinite(upper)
    live = np.arange(m)
    for sweep in range(SWEEPS):
        change = np.zeros(m)
        for i in range(c):
            on = live[bounded[live, i]]
            if not on.size:
                continue
            var_i, mean_i = np.maximum(cov[on, i, i], 0.0), mean[on, i]
            centre, spread = _cavity(var_i, mean_i, tau[on, i], nu[on, i])
            scale = np.sqrt(spread)
            _, z, v = interval_moments((lower[on, i] - centre) / scale, (upper[on, i] - centre) / scale)
            new = np.clip((1 / v - 1) / spread, 0.0, MOST_PRECISION)
            d_tau = new - tau[on, i]
            # so that the mean is the truncated one: (centre / spread + nu) / (1 / spread + tau) = centre + scale z
            d_nu = centre * new + scale * z * (1 / spread + new) - nu[on, i]
            tau[on, i] += d_tau
            nu[on, i] += d_nu
            gain = 1 / (1 + d_tau * var_i)
            moved = (d_nu - d_tau * mean_i) * gain
            column = cov[on, :, i]
            mean[on] += column * moved[:, None]
            cov[on] -= column[:, :, None] * column[:, None, :] * (d_tau * gain)[:, None, None]
            # in units of the coordinate's own spread, so that far tails settle to the same number of digits
            shift = np.maximum(np.abs(moved) * np.sqrt(var_i), np.abs(d_tau * gain * var_i))
            change[on] = np.maximum(change[on], shift)
        live = live[change[live] > TOLERANCE]
        if not live.size:
            break
        if sweep >= RENEW_FROM:
            mean[live], cov[live], _, _ = _renewed(root[live], tau[live], nu[live])
    settled = np.ones(m, dtype=bool)
    settled[live] = False
    mean, cov, along, factor = _renewed(root, tau, nu)
    var = np.diagonal(cov, axis1=1, axis2=2)
    centre, spread = _cavity(np.where(bounded, var, 1.0), mean, tau, nu)
    log_hat, _, _ = interval_moments((lower - centre) / np.sqrt(spread), (upper - centre) / np.sqrt(spread))
    grown = 1 + tau * spread
    log_site = -np.log(grown) / 2 + (2 * centre * nu + nu**2 * spread - tau * centre**2) / grown / 2
    log_p = np.where(bounded, log_hat - log_site, 0.0).sum(axis=1)
    log_p += (along**2).sum(axis=1) / 2 - np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    return Sites(mean, cov, log_p, tau, nu, settled)


def _cavity(var: Array, mean: Array, tau: Array, nu: Array) -> tuple[Array, Array]:
    """Mean and variance of a coordinate with its own site taken out."""
    rest = np.maximum(1 - tau * var, 1e-14)
    return (mean - nu * var) / rest, np.maximum(var / rest, 1e-300)


def _root(prior: Array) -> Array:
    """A root R (m, c, c) of the prior, R R' = prior, that a singular prior has too."""
    value, vector = np.linalg.eigh(prior)
    return np.asarray(vector * np.sqrt(np.maximum(value, 0.0))[:, None, :], dtype=np.float64)


def _renewed(root: Array, tau: Array, nu: Array) -> tuple[Array, Array, Array, Array]:
    """Mean, covariance, whitened mean and Cholesky factor of I + R' diag(tau) R from the sites."""
    turned = np.swapaxes(root, 1, 2)
    factor = np.asarray(np.linalg.cholesky(np.eye(tau.shape[1]) + turned @ (tau[:, :, None] * root)), dtype=np.float64)
    half = np.asarray(np.linalg.solve(factor, turned), dtype=np.float64)  # the covariance is half' half
    along = half @ nu[:, :, None]
    back = np.swapaxes(half, 1, 2)
    return (back @ along)[:, :, 0], back @ half, along[:, :, 0], factor

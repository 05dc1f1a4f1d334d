"""The uncertainty of the variances themselves, averaged into every interval of a small group.

With few vehicles the variances are known poorly, and intervals at the best values are too narrow. Draws are taken from
a t law around the optimum of the penalised criterion, in the coordinates in which the search ran, and weighed by what
the criterion says of them: importance sampling, with weights that no single draw may dominate. Number of draws, width
of the t law and prior were chosen on the simulated fleets of `studies/coverage.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import exp, log, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from wearlab.wear.blocks import Floats
from wearlab.wear.estimate import Estimate, Options
from wearlab.wear.evaluated import Evaluated, evaluated
from wearlab.wear.likelihood import passed
from wearlab.wear.variances import INDEX

#: Groups with fewer vehicles have their variances averaged.
FEWER_THAN = 50
DRAWS = 256
#: Draws that are kept, by systematic resampling, for everything that is told of the parts.
KEPT = 64
#: Sd of the half-normal prior of every effect, in the spread of the readings.
HALF = 0.38
#: Degrees of freedom of the t law that is drawn from, and how much wider it is than the curvature says.
FREEDOM, WIDER = 6.0, 1.15
#: Groups whose draws are kept: the intervals of their parts take them, then their signals and control charts do.
KEPT_GROUPS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Draw:
    """One set of variances theta (10,), its weight, and the model evaluated there."""

    weight: float
    theta: Floats
    evaluated: Evaluated


def draws(estimate: Estimate, options: Options, *, seed: int, count: int = DRAWS) -> tuple[Draw, ...]:
    """Return weighed draws of the variances of a penalised fit; weights sum to 1.

    Readings beyond the scale and doubted readings stay as they were at the optimum. Who asks again for those of the
    same estimate gets the same ones.
    """
    return _draws(estimate, options.method, seed, count)


@lru_cache(maxsize=KEPT_GROUPS)
def _draws(estimate: Estimate, method: str, seed: int, count: int) -> tuple[Draw, ...]:
    size = estimate.phi.size
    best = Draw(1.0, estimate.theta, estimate.evaluated)
    if size == 0:
        return (best,)
    rng = np.random.default_rng(seed)
    try:
        lower = np.linalg.cholesky(np.linalg.inv(estimate.curvature)) * WIDER
    except np.linalg.LinAlgError:
        return (best,)
    half = rng.standard_normal((count // 2, size))
    normal = np.concatenate([half, -half])
    chi = np.tile(rng.chisquare(FREEDOM, count // 2) / FREEDOM, 2)
    step = (normal / np.sqrt(chi)[:, None]) @ lower.T
    active = np.zeros(len(INDEX), dtype=np.bool_)
    active[[INDEX[name] for name in estimate.coordinates.scalars]] = True
    if estimate.coordinates.pair:
        active[2:5] = True
    log_weight = np.full(count, -np.inf)
    found: list[Evaluated | None] = [None] * count
    for k in range(count):
        phi = estimate.phi + step[k]
        theta = estimate.coordinates.theta(phi)
        try:
            sums, _ = passed(estimate.work, estimate.local, theta, estimate.evaluated.beta, active, score=False)
            at = evaluated(sums, estimate.work.design, method=method)
        except np.linalg.LinAlgError:
            continue
        found[k] = at
        log_weight[k] = at.criterion + _log_prior(estimate, phi, theta) - _log_t(step[k], lower)
    weight = _tempered(log_weight)
    if not weight.any():
        return (best,)
    thetas = np.array([estimate.coordinates.theta(estimate.phi + one) for one in step])
    made = []
    for k, copies in _resampled(weight, thetas[:, INDEX["part_rate"]], rng):
        at_draw = found[k]
        if at_draw is not None:
            made.append(Draw(copies / KEPT, thetas[k], at_draw))
    return tuple(made)


def _resampled(weight: Floats, order_by: Floats, rng: np.random.Generator) -> list[tuple[int, int]]:
    """Return which draws are kept, and how often: systematic, along the variance that matters most for rates."""
    order = np.argsort(order_by, kind="stable")
    marks = (np.arange(KEPT) + rng.random()) / KEPT
    place = np.searchsorted(np.cumsum(weight[order]) * (1 - 1e-12), marks).clip(0, order.size - 1)
    kept, copies = np.unique(order[place], return_counts=True)
    return list(zip(kept.tolist(), copies.tolist(), strict=True))


def _log_prior(estimate: Estimate, phi: Floats, theta: Floats) -> float:
    """Log density, over phi, of the prior that the draws are weighed with.

    The penalty is flat over each standard deviation; over those of a pair and their correlation rho it is in
    proportion to the sd of the rate, and 1 - rho^2 is put to it. With few vehicles the far end matters too: no effect
    is likely to exceed `HALF` of the spread of all readings about the fixed effects.
    """
    value = estimate.coordinates.penalty(phi)[0]
    if estimate.coordinates.pair:
        lean, corner = float(phi[-2]), float(phi[-1])
        rate = lean * lean + exp(2 * corner)
        value += 2 * corner - log(rate)
    sds = np.delete(theta, INDEX["part_covariance"])
    return value - 0.5 * float(sds.sum()) / (HALF * estimate.spread) ** 2


def _log_t(step: Floats, lower: Floats) -> float:
    """Log density of the t law, up to a constant."""
    z = solve_triangular(lower, step, lower=True)
    return -0.5 * (FREEDOM + step.size) * float(np.log1p(z @ z / FREEDOM))


def _tempered(log_weight: NDArray[np.float64]) -> Floats:
    """Return weights that sum to 1, the largest cut to sqrt(count) times the mean."""
    finite = np.isfinite(log_weight)
    if not finite.any():
        return np.zeros(log_weight.size)
    weight = np.exp(log_weight - log_weight[finite].max())
    weight /= weight.sum()
    weight = np.minimum(weight, sqrt(weight.size) / weight.size)
    out: Floats = weight / weight.sum()
    return out

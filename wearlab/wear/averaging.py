"""The uncertainty of the variances themselves, averaged into every interval of a small group.

With few vehicles the variances are known poorly, and intervals at the best values are too narrow. Draws are taken from
a t law around the optimum of the penalised criterion, in the coordinates in which the search ran, and weighed by what
the criterion says of them: importance sampling, with a flat prior on the logarithms beside the penalty, and weights
that no single draw may dominate.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from wearlab.wear.blocks import Floats
from wearlab.wear.fit import Estimate, Options
from wearlab.wear.likelihood import Evaluated, evaluated, passed
from wearlab.wear.variances import INDEX

#: Groups with fewer vehicles have their variances averaged.
FEWER_THAN = 50
DRAWS = 64
#: Degrees of freedom of the t law that is drawn from, and how much wider it is than the curvature says.
FREEDOM, WIDER = 6.0, 1.15
#: Draws that carry less than this share of the weight are left out.
LEAST = 2e-3


@dataclass(frozen=True, slots=True, eq=False)
class Draw:
    """One set of variances theta (10,), its weight, and the model evaluated there."""

    weight: float
    theta: Floats
    evaluated: Evaluated


def draws(estimate: Estimate, options: Options, *, seed: int, count: int = DRAWS) -> tuple[Draw, ...]:
    """Return weighed draws of the variances of a penalised fit; weights sum to 1.

    Readings beyond the scale and doubted readings stay as they were at the optimum.
    """
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
            sums, _ = passed(
                estimate.work, estimate.local, theta, estimate.evaluated.beta, active, workers=1, score=False
            )
            at = evaluated(sums, estimate.work.design, method=options.method)
        except np.linalg.LinAlgError:
            continue
        found[k] = at
        log_weight[k] = at.criterion + estimate.coordinates.penalty(phi)[0] - _log_t(step[k], lower)
    weight = _tempered(log_weight)
    return tuple(
        Draw(float(w), estimate.coordinates.theta(estimate.phi + step[k]), at)
        for k, (w, at) in enumerate(zip(weight, found, strict=True))
        if at is not None and w > 0
    ) or (best,)


def _log_t(step: Floats, lower: Floats) -> float:
    """Log density of the t law, up to a constant."""
    z = solve_triangular(lower, step, lower=True)
    return -0.5 * (FREEDOM + step.size) * float(np.log1p(z @ z / FREEDOM))


def _tempered(log_weight: NDArray[np.float64]) -> Floats:
    """Return weights that sum to 1, the largest cut to sqrt(count) times the mean, the smallest to zero."""
    finite = np.isfinite(log_weight)
    if not finite.any():
        return np.zeros(log_weight.size)
    weight = np.exp(log_weight - log_weight[finite].max())
    weight /= weight.sum()
    weight = np.minimum(weight, sqrt(weight.size) / weight.size)
    weight[weight < LEAST * weight.sum()] = 0.0
    out: Floats = weight / weight.sum()
    return out

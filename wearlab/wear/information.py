"""Errors by observed information where readings lie beyond the scale.

There coefficients and variances are not orthogonal: the readings beyond the scale move with both. The information is
the slope of the exact score of both together, by central differences; the score at any point takes one pass that
finds the expected values there, and one that uses them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearlab.wear.blocks import Floats
from wearlab.wear.estimate import Estimate, Options
from wearlab.wear.evaluated import evaluated
from wearlab.wear.likelihood import Work, passed
from wearlab.wear.variances import INDEX

#: Groups with more readings keep the curvature of the last step for the variances; the coefficients' errors still leave
#: out what the readings beyond the scale do not tell.
MOST_READINGS = 5000
#: So do groups in which hardly a reading lies beyond the scale.
LEAST_SHARE = 0.02
#: Step of the differences, in standard errors.
STEP = 1e-3


def observed(estimate: Estimate, options: Options) -> Estimate:
    """Return the estimate with errors of coefficients and variances by observed information."""
    design = estimate.work.design
    if np.mean(design.data.bound != 0) < LEAST_SHARE or design.n > MOST_READINGS:
        return estimate
    beta, phi = estimate.evaluated.beta, estimate.phi
    p = beta.size
    bend = np.diag(estimate.curvature)
    if not (bend > 0).all():
        return estimate
    size = np.concatenate([np.sqrt(np.diag(estimate.evaluated.covariance)), 1 / np.sqrt(bend)])
    at = np.concatenate([beta, phi])
    slope = np.zeros((at.size, at.size))
    for k in range(at.size):
        step = np.zeros(at.size)
        step[k] = STEP * size[k]
        slope[k] = (_score(estimate, options, at + step) - _score(estimate, options, at - step)) / (2 * step[k])
    information = -0.5 * (slope + slope.T) * np.outer(size, size)
    lowest = np.linalg.eigvalsh(information)[0]
    if not lowest > 1e-8:
        return estimate
    covariance = np.asarray(np.linalg.inv(information) * np.outer(size, size), dtype=np.float64)
    return replace(
        estimate,
        curvature=np.asarray(np.linalg.inv(covariance[p:, p:]), dtype=np.float64),
        evaluated=replace(estimate.evaluated, covariance=covariance[:p, :p]),
    )


def _score(estimate: Estimate, options: Options, at: Floats) -> Floats:
    """Return the score of coefficients and coordinates at a point, with the expected values found there."""
    work, coordinates = estimate.work, estimate.coordinates
    p = work.design.p
    beta, phi = at[:p], at[p:]
    theta = coordinates.theta(phi)
    active: NDArray[np.bool_] = np.zeros(len(INDEX), dtype=np.bool_)
    active[[INDEX[name] for name in coordinates.scalars]] = True
    if coordinates.pair:
        active[2:5] = True
    _, seen = passed(work, estimate.local, theta, beta, active, look=True, score=False)
    assert seen is not None
    there = Work(work.design, seen.y, work.doubt, seen.spread)
    sums, _ = passed(there, estimate.local, theta, beta, active)
    found = evaluated(sums, work.design, method=options.method, beta=beta)
    gradient = coordinates.jacobian(phi).T @ found.score
    if options.penalty:
        gradient = gradient + coordinates.penalty(phi)[1]
    of_beta = sums.gram[:p, p] - sums.gram[:p, :p] @ beta
    of_beta = of_beta + work.design.precision * (work.design.prior_mean - beta)
    return np.concatenate([of_beta, gradient])

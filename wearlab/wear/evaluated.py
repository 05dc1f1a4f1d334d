"""From the sums of a pass to the (restricted) log-likelihood, its score, its curvature and the best coefficients."""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi

import numpy as np

from wearlab.wear.blocks import Floats
from wearlab.wear.design import Problem
from wearlab.wear.likelihood import J, Sums


@dataclass(frozen=True, slots=True, eq=False)
class Evaluated:
    """Criterion, score and average information of the variances, and the best coefficients.

    `beta` (p,), `covariance` (p, p) of beta; `score`, `information` over theta, (10,) and (10, 10).
    """

    criterion: float
    beta: Floats
    covariance: Floats
    score: Floats
    information: Floats


def evaluated(sums: Sums, design: Problem, *, method: str, beta: Floats | None = None) -> Evaluated:
    """Return the (restricted) log-likelihood of the sums with all constants, its score and curvature.

    With `beta` the score is taken there instead of at the best coefficients.
    """
    p, n = design.p, design.n
    precision, mean = design.precision, design.prior_mean
    flat = int(np.sum(precision == 0))
    c = sums.gram[:p, :p] + np.diag(precision)
    scale = np.sqrt(np.diag(c))
    inverse = np.linalg.inv(c / np.outer(scale, scale)) / np.outer(scale, scale)
    if beta is None:
        beta = inverse @ (sums.gram[:p, p] + precision * mean)
    gamma = np.r_[-beta, 1.0]
    quadratic = float(gamma @ sums.gram @ gamma + precision @ (beta - mean) ** 2)
    criterion = -0.5 * (n * log(2 * pi) + sums.log_det + quadratic) + sums.beyond
    criterion += 0.5 * float(np.sum(np.log(precision[precision > 0])))
    restricted = method == "reml"
    if restricted:
        _, log_det = np.linalg.slogdet(c / np.outer(scale, scale))
        rates = sum(
            1 for column, own in zip(design.columns, precision, strict=True) if own == 0 and _is_rate(column.kind)
        )
        unit = design.span**design.scale.gamma
        criterion += 0.5 * flat * log(2 * pi) - 0.5 * float(log_det + 2 * np.sum(np.log(scale))) - rates * log(unit)
    elif (precision > 0).any():
        criterion -= 0.5 * int(np.sum(precision > 0)) * log(2 * pi)
    score = np.zeros(J)
    for j in range(J):
        explained = float(np.sum(inverse * sums.inner[j][:p, :p])) if restricted else 0.0
        score[j] = -0.5 * (sums.trace[j] - explained - float(gamma @ sums.inner[j] @ gamma))
    information = 0.5 * (sums.average - sums.lean @ inverse @ sums.lean.T)
    if sums.missing.any():
        inverse = _less(c, sums.missing, scale, inverse)
    return Evaluated(criterion, beta, inverse, score, information)


def _is_rate(kind: str) -> bool:
    return kind in ("rate", "family rate")


def _less(c: Floats, missing: Floats, scale: Floats, inverse: Floats) -> Floats:
    """Return the inverse of c without the missing information; away from the optimum it may have none: then of c."""
    left = (c - missing) / np.outer(scale, scale)
    if left.size and np.linalg.eigvalsh(left)[0] < 1e-10:
        return inverse
    return np.asarray(np.linalg.inv(left) / np.outer(scale, scale), dtype=np.float64)

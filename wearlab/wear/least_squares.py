"""Plain least squares, where every fit starts: coefficients, residual spread, and the columns that tell nothing."""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from wearlab.wear.blocks import Floats
from wearlab.wear.design import Problem, dropped


def least_squares(design: Problem) -> tuple[Problem, Floats, float, tuple[str, ...]]:
    """Return the problem without columns that the readings cannot tell, coefficients, residual sd, dropped names."""
    matrix = csr_matrix((design.values(), (design.entries.reading, design.entries.column)), shape=(design.n, design.p))
    gram = np.asarray((matrix.T @ matrix).todense())
    precision = design.precision * max(float(np.var(design.y)), 1e-300)
    out = _dependent(gram, precision)
    names = tuple(column.name for column, gone in zip(design.columns, out, strict=True) if gone)
    if out.any():
        design, gram, precision = dropped(design, out), gram[np.ix_(~out, ~out)], precision[~out]
        matrix = matrix[:, np.flatnonzero(~out)]
    beta = np.linalg.lstsq(gram + np.diag(precision), matrix.T @ design.y + precision * design.prior_mean, rcond=None)[
        0
    ]
    residual = design.y - matrix @ beta
    return design, beta, sqrt(float(np.mean(residual**2))) or 1.0, names


def _dependent(gram: Floats, precision: Floats) -> NDArray[np.bool_]:
    """Return which columns add nothing to those before them (priors count as information)."""
    p = gram.shape[0]
    out = np.zeros(p, dtype=np.bool_)
    diagonal = np.diag(gram) + precision
    scale = np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    rest = (gram + np.diag(precision)) / np.outer(scale, scale)
    for k in range(p):
        if diagonal[k] <= 0 or rest[k, k] < 1e-10:
            out[k] = True
            continue
        rest = rest - np.outer(rest[:, k], rest[k]) / rest[k, k]
    return out

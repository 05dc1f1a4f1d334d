"""What readings say of quantities that lie beside them: best linear prediction with fixed effects, some of them free.

Readings y = Z g + noise, noise ~ N(0, K); the first p coefficients are also known from elsewhere (information M, score
M g0), the rest only from these readings. A target is f'g + u, u normal with variance V before any reading and
covariance C with the readings. Given the readings, with P = M + Z'K^-1 Z,

    g = P^-1 (M g0 + Z'K^-1 y),   target = f'g + C K^-1 (y - Z g),
    variance = V - C K^-1 C' + (f - Z'K^-1 C')' P^-1 (f - Z'K^-1 C')

(Henderson, Biometrics 31, 1975). Whatever readings were chosen to stand before an event does not bias what is told of
the readings after it: the prediction is made given all that stood before, the chosen one included.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from wearlab.errors import InputError

Floats = NDArray[np.float64]


def predicted(
    y: Floats,
    covariance: Floats,
    columns: Floats,
    information: Floats,
    score: Floats,
    fixed: Floats,
    reach: Floats,
    before: Floats,
) -> tuple[Floats, Floats]:
    """Return mean (f,) and covariance (f, f) of f targets.

    Parameters
    ----------
    y, covariance, columns : n readings, K (n, n), Z (n, p + k).
    information, score : M (p, p) and M g0 (p,) of the first p coefficients, from all other readings.
    fixed, reach, before : (f, p + k) coefficients of the targets, C (f, n), and V (f, f).

    Raises
    ------
    InputError
        The readings do not settle the free coefficients.
    """
    p, q = information.shape[0], columns.shape[1]
    factor = cho_factor(covariance, lower=True)
    pulled = cho_solve(factor, np.column_stack([columns, y]))
    known = np.zeros((q, q + 1))
    known[:p, :p], known[:p, q] = information, score
    known += columns.T @ pulled
    matrix = 0.5 * (known[:, :q] + known[:, :q].T)
    # free columns stand on very different footings: one scale for all before the inverse
    unit = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    root, vectors = np.linalg.eigh(matrix / np.outer(unit, unit))
    if root[0] < 1e-12:
        raise InputError("these readings do not settle the change: it cannot be told from what all of them share")
    inverse = (vectors / root) @ vectors.T / np.outer(unit, unit)
    g = inverse @ known[:, q]
    side = fixed - reach @ pulled[:, :q]
    mean = fixed @ g + reach @ (pulled[:, q] - pulled[:, :q] @ g)
    spread = before - reach @ cho_solve(factor, reach.T) + side @ inverse @ side.T
    return mean, 0.5 * (spread + spread.T)


def without(
    information: Floats, score: Floats, covariance: Floats, columns: Floats, y: Floats
) -> tuple[Floats, Floats]:
    """Take the share of some readings out of information (p, p) and score (p,), so that they can be counted anew.

    What is left is kept from turning negative, which rounding could do where these readings alone tell a coefficient.
    """
    pulled = cho_solve(cho_factor(covariance, lower=True), np.column_stack([columns, y]))
    left = information - columns.T @ pulled[:, :-1]
    unit = np.sqrt(np.maximum(np.diag(information), 1e-300))
    root, vectors = np.linalg.eigh(0.5 * (left + left.T) / np.outer(unit, unit))
    kept = np.where(root > 1e-9, root, 0.0)
    matrix = (vectors * kept) @ vectors.T * np.outer(unit, unit)
    rest = score - columns.T @ pulled[:, -1]
    # no information in a direction: no score either
    good = vectors[:, kept > 0]
    return matrix, unit * (good @ (good.T @ (rest / unit)))

"""Inverse and log determinant of many small positive definite matrices at once.

By halves: with K = [[A, B], [B', C]], the inverse follows from those of A and of C - B' A^-1 B, and so on down to
matrices of `SMALL` rows, which the linear algebra library takes. Products of stacks of matrices are several times
faster than its general inverse at the sizes of a vehicle (Golub and Van Loan, Matrix Computations, section 3.2).
"""

from __future__ import annotations

import numpy as np

from wearlab.wear.blocks import Floats

#: Rows at which the halving stops.
SMALL = 12
#: Halving loses twice the digits. Beyond this ratio of a reading's variance to what is left of it given the others,
#: the matrix is taken whole.
NEARLY_SINGULAR = 1e4


def inverse_of(k: Floats) -> tuple[Floats, Floats]:
    """Return the inverse (m, n, n) and log determinant (m,) of symmetric positive definite matrices (m, n, n).

    Raises
    ------
    numpy.linalg.LinAlgError
        A matrix is not positive definite.
    """
    if k.shape[1] <= SMALL:
        return _plain(k)
    try:
        inverse, log_det = _by_halves(k)
    except np.linalg.LinAlgError:
        return _plain(k)
    near = (np.einsum("mii->mi", k) * np.einsum("mii->mi", inverse)).max(axis=1) > NEARLY_SINGULAR
    if near.any():
        inverse[near], log_det[near] = _plain(k[near])
    return inverse, log_det


def inverse_of_lower(lower: Floats) -> Floats:
    """Return the inverse (m, n, n) of lower triangular matrices (m, n, n), with zeros above the diagonal.

    By halves, [[A, 0], [B, C]] has the inverse [[A^-1, 0], [-C^-1 B A^-1, C^-1]].
    """
    n = lower.shape[1]
    if n <= SMALL:
        return np.tril(np.linalg.inv(lower))
    h = n // 2
    first, second = inverse_of_lower(lower[:, :h, :h]), inverse_of_lower(lower[:, h:, h:])
    out = np.zeros_like(lower)
    out[:, :h, :h], out[:, h:, h:] = first, second
    out[:, h:, :h] = -second @ (lower[:, h:, :h] @ first)
    return out


def _plain(k: Floats) -> tuple[Floats, Floats]:
    diagonal = np.einsum("mii->mi", np.linalg.cholesky(k))
    return np.asarray(np.linalg.inv(k), dtype=np.float64), 2 * np.sum(np.log(diagonal), axis=1)


def _by_halves(k: Floats) -> tuple[Floats, Floats]:
    h = k.shape[1] // 2
    first, log_first = _halved(np.ascontiguousarray(k[:, :h, :h]))
    side = first @ k[:, :h, h:]
    second, log_second = _halved(k[:, h:, h:] - k[:, h:, :h] @ side)
    out = np.empty_like(k)
    corner = side @ second
    out[:, :h, :h] = first + corner @ side.swapaxes(1, 2)
    out[:, :h, h:] = -corner
    out[:, h:, :h] = -corner.swapaxes(1, 2)
    out[:, h:, h:] = second
    return out, log_first + log_second


def _halved(k: Floats) -> tuple[Floats, Floats]:
    return _plain(k) if k.shape[1] <= SMALL else _by_halves(k)

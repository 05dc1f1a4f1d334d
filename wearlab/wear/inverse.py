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


def inverse_of(k: Floats) -> tuple[Floats, Floats]:
    """Return the inverse (m, n, n) and log determinant (m,) of symmetric positive definite matrices (m, n, n).

    Raises
    ------
    numpy.linalg.LinAlgError
        A matrix is not positive definite.
    """
    n = k.shape[1]
    if n <= SMALL:
        diagonal = np.einsum("mii->mi", np.linalg.cholesky(k))
        return np.asarray(np.linalg.inv(k), dtype=np.float64), 2 * np.sum(np.log(diagonal), axis=1)
    h = n // 2
    first, log_first = inverse_of(np.ascontiguousarray(k[:, :h, :h]))
    side = first @ k[:, :h, h:]
    second, log_second = inverse_of(k[:, h:, h:] - k[:, h:, :h] @ side)
    out = np.empty_like(k)
    corner = side @ second
    out[:, :h, :h] = first + corner @ side.swapaxes(1, 2)
    out[:, :h, h:] = -corner
    out[:, h:, :h] = -corner.swapaxes(1, 2)
    out[:, h:, h:] = second
    return out, log_first + log_second

"""Gross errors: readings that the rest of their vehicle contradicts count for less, and are named.

The leave-one-out residual of a reading, in standard deviations, compares it with what all other readings foretell.
Up to `MILD` it counts in full, from `WILD` on hardly at all, in between in proportion. The weight acts as variance
added to that one reading, so everything that shares an effect with it stays consistent.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: Leave-one-out residuals, in sd, up to which a reading counts in full and beyond which it hardly counts.
MILD, WILD = 3.0, 5.0

#: Median of the absolute value of a standard normal.
MEDIAN = 0.6744897501960817

#: Least weight: what is added to the variance stays finite.
LEAST = 1e-3


def weight(z: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the weight of leave-one-out residuals z in sd, shape of z, between `LEAST` and 1."""
    out: NDArray[np.float64] = np.clip((WILD - np.abs(z)) / (WILD - MILD), LEAST, 1.0)
    return out


def doubted(
    z: NDArray[np.float64],
    variance: NDArray[np.float64],
    doubt: NDArray[np.float64],
    own: NDArray[np.float64],
    beyond: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Return the variance to be added to each reading; all arrays (n,).

    `z` is the leave-one-out residual over its sd, the root of `variance`, both with `doubt` already added to the
    reading's own variance `own`. Readings beyond the scale are never doubted for being far out.
    """
    plain = z * np.sqrt(variance / np.maximum(variance - doubt, 1e-3 * own))
    # gross errors swell the very variances they are judged by: the middle of the residuals tells by how much
    middle = float(np.median(np.abs(plain[~beyond]))) / MEDIAN if not beyond.all() else 1.0
    plain = plain / min(max(middle, 0.5), 1.0)
    counted = weight(np.where(beyond, 0.0, plain))
    return own * (1.0 / counted - 1.0)

"""How long a chart runs until it signals, from a chain of its statistic over nodes that have not signalled yet.

With q the row of chances after the first reading and Q the chances from node to node (signalling is what is missing to
1), P(T > n) = q Q^(n-1) 1 and E T = 1 + q (I - Q)^-1 1. Nodes are the states of a Markov chain, or places of
Gauss-Legendre quadrature, for which the same sums solve the integral equation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_matrix, identity
from scipy.sparse.linalg import spsolve

from wearlab.errors import InputError

Array = NDArray[np.float64]

#: Readings for which chances are kept one by one; beyond them they fall by a constant factor.
HORIZON = 1000
#: A longer average run length is rounding error: it is called infinite.
_TELLABLE = 1e12


@dataclass(frozen=True, slots=True)
class RunLength:
    """Law of the number of readings T until a signal.

    `mean` is the average run length (infinite beyond 1e12); `survival` P(T > n) for n = 0 to the horizon; `decay` the
    factor from one reading to the next beyond it.
    """

    mean: float
    survival: Array
    decay: float

    def chance_within(self, readings: ArrayLike) -> Array:
        """Return P(T <= n) for whole n >= 0, in the shape of `readings`."""
        n = np.asarray(readings, dtype=np.float64)
        if not np.isfinite(n).all() or (n < 0).any() or (n != np.floor(n)).any():
            raise InputError("a number of readings is a whole number, 0 or more")
        last = self.survival.size - 1
        kept = self.survival[np.minimum(n, last).astype(np.intp)]
        return np.asarray(1 - kept * self.decay ** np.maximum(n - last, 0.0))

    def quantile(self, chance: float) -> float:
        """Return the fewest readings within which a signal comes with at least this chance; infinite if never."""
        if not 0 <= chance < 1:
            raise InputError(f"a chance lies between 0 and 1, not {chance}")
        over = np.flatnonzero(self.survival <= 1 - chance)
        if over.size:
            return float(over[0])
        if not 0 < self.decay < 1:
            return np.inf
        more = np.log((1 - chance) / self.survival[-1]) / np.log(self.decay)
        return float(self.survival.size - 1 + np.ceil(more))

    def mean_of(self, readings: ArrayLike) -> float:
        """Return the chance of a signal averaged over series of these lengths, (k,): the lengths they really have."""
        return float(np.mean(self.chance_within(readings)))


def run_length(
    first: Array, matrix: NDArray[np.float64] | csr_matrix, *, lead: Sequence[float] = (), horizon: int = HORIZON
) -> RunLength:
    """Return the law of a chain.

    Parameters
    ----------
    first
        Chance of each node after the first reading that the matrix follows, shape (m,).
    matrix
        Chance from node to node, shape (m, m).
    lead
        P(T > n) for n = 1, 2 ... of readings that came before `first`, where the chart first had other limits.
    """
    kept = [1.0, *lead]
    row = first
    # what follows the lead as a mean: the sum of all P(T > n)
    if isinstance(matrix, np.ndarray):
        rest = float(first @ np.linalg.solve(np.eye(first.size) - matrix, np.ones(first.size)))
    else:
        rest = float(first @ spsolve((identity(first.size) - matrix).tocsc(), np.ones(first.size)))
    mean = float(sum(kept)) + rest if 0 <= rest < _TELLABLE else np.inf
    back = matrix.T
    while len(kept) <= horizon:
        kept.append(float(row.sum()))
        row = np.asarray(back @ row)
    survival = np.minimum.accumulate(np.clip(kept, 0.0, 1.0))
    decay = float(survival[-1] / survival[-2]) if survival[-2] > 0 else 0.0
    return RunLength(mean, survival, decay)


def joined(up: RunLength, down: RunLength, up_from_0: RunLength, down_from_0: RunLength) -> RunLength:
    """Return the law of the first of two one-sided CUSUM charts, of one horizon, with and without their head start.

    Where one side signals the other stands at 0 (equal h, head start at most h/2 + k) and begins anew. With u the
    chances that the upward side is first and v the downward, both by reading, and * for convolution: up = u + v * up0
    and down = v + u * down0, which gives u and v one reading after the other.
    """
    first, second, up0, down0 = (-np.diff(law.survival) for law in (up, down, up_from_0, down_from_0))
    u, v = np.zeros(first.size), np.zeros(first.size)
    for n in range(first.size):
        # u[i] is reading i + 1, and i + 1 readings with n - i more make n + 1
        u[n] = first[n] - v[:n] @ up0[:n][::-1]
        v[n] = second[n] - u[:n] @ down0[:n][::-1]
    survival = np.minimum.accumulate(np.clip(np.concatenate([[1.0], 1 - np.cumsum(u + v)]), 0.0, 1.0))
    decay = float(survival[-1] / survival[-2]) if survival[-2] > 0 else 0.0
    if np.isinf(down.mean) or np.isinf(down_from_0.mean):
        mean = up.mean
    elif np.isinf(up.mean) or np.isinf(up_from_0.mean):
        mean = down.mean
    else:
        mean = up.mean * down_from_0.mean + up_from_0.mean * down.mean - up_from_0.mean * down_from_0.mean
        mean /= up_from_0.mean + down_from_0.mean
    return RunLength(mean, survival, decay)


def nodes(low: float, high: float, count: int) -> tuple[Array, Array]:
    """Return places and weights of Gauss-Legendre quadrature between low and high, each (count,)."""
    place, weight = _rule(count)
    half = (high - low) / 2
    return low + half * (place + 1), half * weight


@lru_cache(maxsize=64)
def _rule(count: int) -> tuple[Array, Array]:
    place, weight = np.polynomial.legendre.leggauss(count)
    return np.asarray(place, dtype=np.float64), np.asarray(weight, dtype=np.float64)

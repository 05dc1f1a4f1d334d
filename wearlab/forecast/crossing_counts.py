"""How many parts pass their limit in a month: the law of a sum of unlike chances (Poisson binomial).

With chances p_1 ... p_n of parts taken one by one, the number that pass has the law whose generating function is the
product of 1 - p_i + p_i x; it is multiplied out term by term. Parts are taken as independent: what the pace of a
depot or the rate of a family does to all of them at once makes the true interval wider.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: standard deviations beyond the mean, and numbers beyond that, up to which the law is carried: what lies beyond has a
#: chance below 1e-12
_FAR, _MORE = 9.0, 40


@dataclass(frozen=True, slots=True, eq=False)
class CrossingCounts:
    """Numbers by month (M,): the expected one and the ends of the interval; `coverage` is its least chance."""

    expected: Floats
    low: Ints
    high: Ints
    coverage: float


def crossing_counts(chances: ArrayLike, coverage: float = 0.9) -> CrossingCounts:
    """Return the numbers of parts that pass, from chances (P, M) of P parts in M months.

    The interval leaves at most (1 - coverage) / 2 on either side.

    Raises
    ------
    InputError
        A chance lies outside 0 to 1, or the chances are no table.
    """
    p = np.asarray(chances, dtype=np.float64)
    if p.ndim != 2 or not ((p >= 0) & (p <= 1)).all():
        raise InputError("chances form a table of parts by months, each between 0 and 1")
    if not 0 < coverage < 1:
        raise InputError("a coverage lies between 0 and 1")
    law = count_law(p)
    below = np.cumsum(law, axis=1)
    tail = (1 - coverage) / 2
    low = (below <= tail).sum(axis=1)
    high = (below < 1 - tail - 1e-12).sum(axis=1)
    return CrossingCounts(p.sum(axis=0), low.astype(np.int64), np.minimum(high, p.shape[0]).astype(np.int64), coverage)


def count_law(chances: Floats) -> Floats:
    """Return the chance of every number 0 ... K (M, K + 1) from chances (P, M); K is P, or far beyond every mean."""
    parts, months = chances.shape
    mean = chances.sum(axis=0)
    spread = np.sqrt((chances * (1 - chances)).sum(axis=0))
    most = int(min(parts, np.ceil((mean + _FAR * spread).max(initial=0.0)) + _MORE))
    law = np.zeros((months, most + 1))
    law[:, 0] = 1.0
    for row in chances[(chances > 0).any(axis=1)]:
        p = row[:, None]
        stepped = law[:, :-1] * p
        law *= 1 - p
        law[:, 1:] += stepped
    return law

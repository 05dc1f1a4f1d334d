"""How many of many independent events happen, each with a chance of its own: the Poisson-binomial law.

Exact: the laws of small groups of events are built up one event at a time and convolved pair by pair. All terms are
sums of products of chances, so that nothing cancels and small chances keep their relative accuracy, which a Fourier
transform would lose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError

# events taken one at a time before laws are convolved
_GROUP = 64
# chances at the upper end that are left out: far below what sums to 1 in double precision
_NEGLIGIBLE = 1e-40


@dataclass(frozen=True, slots=True, eq=False)
class PoissonBinomial:
    """The law of the number of events.

    `pmf` holds the chances of 0, 1, 2, ... events, shape (most + 1,); higher numbers have no chance to speak of.
    """

    pmf: NDArray[np.float64]
    mean: float
    variance: float

    def chance_of_at_most(self, count: float) -> float:
        """Return the chance of no more than `count` events."""
        if count < 0:
            return 0.0
        return min(float(self.pmf[: int(count) + 1].sum()), 1.0)

    def quantile(self, chance: float) -> int:
        """Return the smallest number that is not exceeded with a chance.

        Raises
        ------
        InputError
            The chance does not lie between 0 and 1.
        """
        if not 0.0 < chance < 1.0:
            raise InputError(f"a quantile belongs to a chance between 0 and 1, not {chance:g}")
        # a number whose chance falls short by rounding alone has reached it
        reached = np.cumsum(self.pmf) >= chance * (1.0 - 1e-12)
        return int(np.argmax(reached)) if reached.any() else self.pmf.size - 1


def poisson_binomial(chances: ArrayLike) -> PoissonBinomial:
    """Return the law of how many events happen.

    Parameters
    ----------
    chances
        Chance of each event, shape (n,), between 0 and 1; n may be 0.

    Raises
    ------
    InputError
        A chance is missing or outside 0 to 1, or the array is not one row.
    """
    p = np.asarray(chances, dtype=np.float64)
    if p.ndim != 1:
        raise InputError("chances of events are an array of one dimension")
    if not (np.isfinite(p).all() and (p >= 0.0).all() and (p <= 1.0).all()):
        raise InputError("the chance of every event lies between 0 and 1")
    # sorted, so that groups of small chances stay short
    rising = np.sort(p[p > 0.0])
    laws = [_one_by_one(rising[start : start + _GROUP]) for start in range(0, rising.size, _GROUP)]
    while len(laws) > 1:
        laws = [_joined(laws[k : k + 2]) for k in range(0, len(laws), 2)]
    pmf = laws[0] if laws else np.ones(1)
    return PoissonBinomial(pmf, float(p.sum()), float((p * (1.0 - p)).sum()))


def _one_by_one(chances: NDArray[np.float64]) -> NDArray[np.float64]:
    law = np.zeros(chances.size + 1)
    law[0] = 1.0
    for chance in chances.tolist():
        law[1:] = law[1:] * (1.0 - chance) + law[:-1] * chance
        law[0] *= 1.0 - chance
    return _trimmed(law)


def _joined(laws: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    return laws[0] if len(laws) == 1 else _trimmed(np.convolve(laws[0], laws[1]))


def _trimmed(law: NDArray[np.float64]) -> NDArray[np.float64]:
    """Without the upper end that has no chance to speak of."""
    kept = np.flatnonzero(law > _NEGLIGIBLE)
    return law[: int(kept[-1]) + 1]

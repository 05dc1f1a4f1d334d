"""How many parts will be asked for, a span of time at a time, from the chance of each that it is replaced by a day.

Parts are counted as independent of each other and as replaced once at most. Both make the upper quantiles a little low
where a common cause (a bad delivery, a family that wears faster than is thought) strikes many parts at once.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError
from wearlab.plan.poisson_binomial import PoissonBinomial, poisson_binomial

#: chances whose quantiles of demand are told
QUANTILES = (0.5, 0.9, 0.95)


class ReplacedBy(Protocol):
    """Anything that tells the chance that something has happened by a day: a forecast, or a plan."""

    def chance_by(self, day: date) -> float:
        """Return the chance, never falling from day to day."""
        ...


@dataclass(frozen=True, slots=True)
class Planned:
    """A part that a plan replaces on given days, each with its chance; together no more than 1."""

    days: tuple[date, ...]
    chances: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.days) != len(self.chances) or list(self.days) != sorted(self.days):
            raise InputError("planned days rise, each with one chance")
        if any(chance < 0.0 for chance in self.chances) or sum(self.chances) > 1.0 + 1e-9:
            raise InputError("the chances that a part is replaced lie above zero and sum to 1 at most")

    def chance_by(self, day: date) -> float:
        """Return the chance that the part has been replaced by the end of a day."""
        return min(sum(self.chances[: bisect_right(self.days, day)]), 1.0)


@dataclass(frozen=True, slots=True)
class Seat:
    """A part in its place: the laws of what would have it replaced, and the day its vehicle leaves.

    The most pressing of several laws counts: they speak of one part's wear and pass together rather than apart.
    """

    laws: tuple[ReplacedBy, ...]
    leaves_on: date | None = None

    def chance_by(self, day: date) -> float:
        """Return the chance that the part has been replaced by the end of a day, none after its vehicle left."""
        last = day if self.leaves_on is None else min(day, self.leaves_on - timedelta(days=1))
        return max((law.chance_by(last) for law in self.laws), default=0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Demand:
    """Demand in consecutive spans and over all of them; every one is the law of a number of parts."""

    spans: tuple[PoissonBinomial, ...]
    whole: PoissonBinomial


def demand(chances: ArrayLike) -> Demand:
    """Return the demand of parts by spans.

    Parameters
    ----------
    chances
        Chance that a part has been replaced by the end of each span, shape (parts, spans), never falling along a row;
        what happened before the first span counts into it.

    Raises
    ------
    InputError
        A chance lies outside 0 to 1 or falls along a row.
    """
    by_end = np.asarray(chances, dtype=np.float64)
    if by_end.ndim != 2 or by_end.shape[1] == 0:
        raise InputError("chances of parts are a table: a row a part, a column a span")
    inside = np.diff(by_end, axis=1, prepend=0.0)
    if not (inside >= -1e-12).all():
        raise InputError("the chance that a part has been replaced never falls from span to span")
    inside = np.maximum(inside, 0.0)
    return Demand(tuple(poisson_binomial(column) for column in inside.T), poisson_binomial(by_end[:, -1]))


def chances_by(seats: Sequence[Seat], days: Sequence[date]) -> NDArray[np.float64]:
    """Return the chance of each part that it has been replaced by each day, shape (parts, days)."""
    table = np.array([[seat.chance_by(day) for day in days] for seat in seats], dtype=np.float64)
    return table.reshape(len(seats), len(days))


def month_ends(as_of: date, months: int) -> list[date]:
    """The ends of the calendar months ahead of a day; the first is its own month unless that ends with the day.

    Raises
    ------
    InputError
        Fewer than one month is asked for.
    """
    if months < 1:
        raise InputError(f"demand is told for one month or more, not {months}")
    first = as_of + timedelta(days=1)
    ends = []
    for number in range(months):
        month = first.month - 1 + number + 1
        ends.append(date(first.year + month // 12, month % 12 + 1, 1) - timedelta(days=1))
    return ends

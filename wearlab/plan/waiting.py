"""What becomes of one part by the visit it is replaced at, or by the visit from which on it is tested.

The day of passage is told as N equally likely days, sorted; all expectations are means over them. One normal value u
orders them: the limit is passed by day t where u < z(t), z the probit of the chance. A test on day w reads past the
limit where rho u + sqrt(1 - rho^2) e < rho z(w), e a normal error: with the chance F(w) = Phi(z(w)) of being past, that
of reading past is Phi(rho z(w)), which gives rho where a forecast tells both. The readings of later tests err anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from wearlab.plan.crossing_law import CrossingLaw
from wearlab.plan.fleet import PlanPart

Array = NDArray[np.float64]

#: Days of passage that stand for the law.
POINTS = 200
#: below this probit of being past, chances of level and reading are too alike to tell rho
_TELLING = 0.25
_LEAST_RHO, _MOST_RHO = 0.2, 0.999

_CHANCE = (np.arange(POINTS) + 0.5) / POINTS
_U = np.asarray(ndtri(_CHANCE), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """What is expected of a part under one way of dealing with it, in days within the plan.

    `beyond` is driven past the limit, `unused` would still have been driven short of it when the part comes out;
    `replaced` (V,) is the chance of its coming out at each visit, `left_past` (V,) that of leaving the visit past the
    limit.
    """

    beyond: float
    unused: float
    replaced: Array
    left_past: Array


@dataclass(frozen=True, slots=True, eq=False)
class Waiting:
    """The courses of one part; visits (V,) are whole days from the start of the plan, before `end`, its last one.

    `cross` (N,) are the days of passage, infinite after the end.
    """

    cross: Array
    visits: Array
    end: float
    rho: float
    past: Array  # (V,) chance of being past at each visit

    @classmethod
    def of(cls, part: PlanPart, law: CrossingLaw, visits: Array, end: float) -> Waiting:
        """Return what a part's law says; `end` is the end of the plan or the day the vehicle leaves."""
        table = law.table(int(np.ceil(end)) + 1)
        place = np.searchsorted(table, _CHANCE)
        inside = np.clip(place, 1, table.size - 1)
        low, high = table[inside - 1], table[inside]
        share = (_CHANCE - low) / np.where(high > low, high - low, 1.0)
        cross = np.where(place == 0, 0.0, inside - 1 + np.clip(share, 0.0, 1.0))
        cross = np.where(place == table.size, np.inf, cross)
        return cls(cross, visits, end, reading_agreement(part, law), table[visits.astype(np.int64)])

    @property
    def by_end(self) -> float:
        """The chance of passing the limit by the end."""
        return float((self.cross < self.end).mean())

    def days_beyond(self, first: float, last: float) -> float:
        """Return the expected days past the limit from one day to another."""
        return float(np.maximum(last - np.maximum(self.cross, first), 0.0).mean())

    def replaced_at(self, visit: int | None) -> Course:
        """Return the course of a part that is replaced at a visit, or left where it is."""
        size = self.visits.size
        out = self.end if visit is None else float(self.visits[visit])
        replaced = np.zeros(size)
        if visit is not None:
            replaced[visit] = 1.0
        still = np.arange(size) < (size if visit is None else visit)
        unused = float(np.maximum(np.minimum(self.cross, self.end) - out, 0.0).mean())
        return Course(self.days_beyond(0.0, out), unused, replaced, np.where(still, self.past, 0.0))

    def tested_at(self, tests: Sequence[int]) -> Course:
        """Return the course of a part that is tested at visits, in their order, and replaced where it fails."""
        chance = np.ones(POINTS)  # that it is still in, by day of passage
        replaced, left = np.zeros(self.visits.size), self.past.copy()
        beyond, unused, since = 0.0, 0.0, 0.0
        edge = self.rho * np.asarray(ndtri(np.clip(self.past, 1e-9, 1 - 1e-9)))
        for w in tests:
            day = float(self.visits[w])
            beyond += float((chance * np.maximum(day - np.maximum(self.cross, since), 0.0)).mean())
            fails = ndtr((edge[w] - self.rho * _U) / np.sqrt(1.0 - self.rho**2))
            replaced[w] = float((chance * fails).mean())
            unused += float((chance * fails * np.maximum(np.minimum(self.cross, self.end) - day, 0.0)).mean())
            chance = chance * (1.0 - fails)
            left[w:] = [float((chance * (self.cross <= later)).mean()) for later in self.visits[w:]]
            since = day
        beyond += float((chance * np.maximum(self.end - np.maximum(self.cross, since), 0.0)).mean())
        return Course(beyond, unused, replaced, left)


def reading_agreement(part: PlanPart, law: CrossingLaw) -> float:
    """Return the correlation of level and reading: from the two chances, else as given, else as good as one."""
    if part.next_reading_past is not None and part.reading_day is not None:
        level, reading = (
            float(ndtri(min(max(chance, 1e-9), 1 - 1e-9)))
            for chance in (law.chance_by(part.reading_day), part.next_reading_past)
        )
        if abs(level) >= _TELLING and level * reading > 0:
            return float(np.clip(reading / level, _LEAST_RHO, _MOST_RHO))
    given = _MOST_RHO if part.agreement is None else part.agreement
    return float(np.clip(given, _LEAST_RHO, _MOST_RHO))

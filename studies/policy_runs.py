"""A workshop's books under a policy: month by month what failed, what was tested, what came out, and what it cost.

A vehicle's visit lies in the middle of its month. A part that fails on the road is replaced there and then, for the
cost of the failure and of the work. Nothing else binds: no budget, no bays, no lead time, for any policy.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np

from studies.policy_fleets import BEFORE, BETWEEN, RECORDED, SEATS, VEHICLES, WEIGHED, Fleet, Stakes
from wearlab.plan.age_replacement import age_replacement
from wearlab.records import NoAnswer
from wearlab.study.life_data import LifeData
from wearlab.study.weibull_life import weibull_life

#: the first month that is recorded, and the first that is weighed
SEEN, START = BEFORE, BEFORE + RECORDED
#: months of which the cost is told by itself
EARLY = 6

Reason = Literal["road failure", "failed test", "planned"]


@dataclass(slots=True)
class Seated:
    """A part in its seat: its number in the row of the seat, the vehicle's km less its own, and when it will fail."""

    number: int
    offset: float
    fails: float  # months
    counted: float  # km of its own up to which kilometres past the limit are counted


@dataclass(frozen=True, slots=True)
class Reading:
    """What a test found."""

    vehicle: int
    seat: int
    number: int
    month: int
    km: float
    value: float


@dataclass(frozen=True, slots=True)
class Life:
    """A part's end; `since` and `km` are of its own."""

    since: float
    km: float
    reason: Reason


@dataclass(frozen=True, slots=True)
class Work:
    """What is done at a visit: seats replaced outright, and after a test those of `if_past` that read past the limit.

    `cost` is what coming in costs where no visit was planned.
    """

    replace: frozenset[int] = frozenset()
    test: bool = False
    if_past: frozenset[int] = frozenset()
    cost: float = 0.0


NOTHING = Work()


class Policy(Protocol):
    """What the workshop goes by."""

    def month(self, books: Books, month: int) -> None:
        """Think, at the start of a month."""
        ...

    def visit(self, books: Books, vehicle: int, month: int) -> Work:
        """Return what is done with a vehicle in a month; asked every month."""
        ...


@dataclass(slots=True)
class Books:
    """The state of a fleet and what was recorded and spent; sums count the weighed months only."""

    fleet: Fleet
    stakes: Stakes
    seats: list[list[Seated]]
    readings: list[Reading] = field(default_factory=list)
    lives: list[Life] = field(default_factory=list)
    cost: float = 0.0
    early: float = 0.0
    failures: int = 0
    past_limit: int = 0
    km_beyond: float = 0.0
    parts: int = 0
    tests: int = 0
    extra: int = 0

    @classmethod
    def opened(cls, fleet: Fleet, stakes: Stakes) -> Books:
        """Return books with every seat's first part fitted."""
        books = cls(fleet, stakes, [])
        for vehicle in range(VEHICLES):
            begun = [min(fleet.begun[vehicle, s], 0.9 * fleet.fails(vehicle, s, 0, stakes)) for s in range(SEATS)]
            books.seats.append([books._fitted(vehicle, s, 0, -begun[s]) for s in range(SEATS)])
        return books

    def own_km(self, vehicle: int, seat: int, month: float) -> float:
        """Return the km that the part of a seat has on it."""
        return self.fleet.km(vehicle, month) - self.seats[vehicle][seat].offset

    def planned(self, vehicle: int, month: int) -> bool:
        """Whether a vehicle's visit lies in a month."""
        return bool(month % BETWEEN == self.fleet.phase[vehicle])

    def run(self, policy: Policy, first: int, last: int) -> None:
        """Go through months `first` to `last` - 1."""
        for month in range(first, last):
            policy.month(self, month)
            for vehicle in range(VEHICLES):
                self._fail(vehicle, month, month + 0.5)
                work = policy.visit(self, vehicle, month)
                if work is not NOTHING:
                    self._do(vehicle, month, work)
                self._fail(vehicle, month, month + 1.0)

    def _fitted(self, vehicle: int, seat: int, number: int, offset: float) -> Seated:
        if number >= self.fleet.cross.shape[2]:
            raise ValueError("a seat went through all the parts that were drawn for it")
        fails = offset + self.fleet.fails(vehicle, seat, number, self.stakes)
        return Seated(number, offset, self.fleet.month(vehicle, fails), 0.0)

    def _fail(self, vehicle: int, month: int, until: float) -> None:
        for seat in range(SEATS):
            while (part := self.seats[vehicle][seat]).fails < until:
                at = part.fails
                if month >= START:
                    self.cost += self.stakes.failing + self.stakes.replacing(1)
                    self.failures += 1
                    own = self.own_km(vehicle, seat, at)
                    self.past_limit += bool(own > self.fleet.cross[vehicle, seat, part.number])
                self._out(vehicle, seat, at, month, "road failure")

    def _do(self, vehicle: int, month: int, work: Work) -> None:
        at, weighed = month + 0.5, month >= START
        out = set(work.replace)
        if work.test:
            for seat in range(SEATS):
                part, km = self.seats[vehicle][seat], self.own_km(vehicle, seat, at)
                value = self.fleet.read(vehicle, seat, part.number, month, km)
                if month >= SEEN:
                    self.readings.append(Reading(vehicle, seat, part.number, month, km, value))
                if seat in work.if_past and value >= self.fleet.limit:
                    out.add(seat)
        for seat in sorted(out):
            self._out(vehicle, seat, at, month, "planned" if seat in work.replace else "failed test")
        if weighed:
            self.cost += work.cost + (self.stakes.replacing(len(out)) if out else 0.0)
            self.cost += self.stakes.testing if work.test else 0.0
            self.tests += work.test
            self.extra += work.cost > 0

    def _out(self, vehicle: int, seat: int, at: float, month: int, reason: Reason) -> None:
        part, km = self.seats[vehicle][seat], self.fleet.km(vehicle, at)
        own = km - part.offset
        if month >= SEEN:
            since = max(self.fleet.km(vehicle, SEEN) - part.offset, 0.0)
            self.lives.append(Life(since, own, reason))
        if month >= START:
            self.parts += 1
            self._count(vehicle, seat, own)
        self.seats[vehicle][seat] = self._fitted(vehicle, seat, part.number + 1, km)

    def _count(self, vehicle: int, seat: int, own: float) -> None:
        part = self.seats[vehicle][seat]
        past = float(self.fleet.cross[vehicle, seat, part.number])
        self.km_beyond += max(own - max(part.counted, past), 0.0)
        part.counted = own

    def from_here(self, month: int) -> Books:
        """Return a copy whose kilometres past the limit count from a month on."""
        made = Books(self.fleet, self.stakes, deepcopy(self.seats), list(self.readings), list(self.lives))
        for vehicle in range(VEHICLES):
            for seat in range(SEATS):
                made.seats[vehicle][seat].counted = max(made.own_km(vehicle, seat, month), 0.0)
        return made

    def close(self, month: int) -> float:
        """Count kilometres past the limit to a month; return what is left of the parts then, in whole new ones.

        Of each part it is the true share of its km to its passage that it has not run yet.
        """
        left = 0.0
        for vehicle in range(VEHICLES):
            for seat in range(SEATS):
                own = self.own_km(vehicle, seat, month)
                self._count(vehicle, seat, own)
                past = float(self.fleet.cross[vehicle, seat, self.seats[vehicle][seat].number])
                left += max(1.0 - own / past, 0.0)
        return left

    def wear_lives(self, month: int) -> LifeData:
        """Return the recorded lives: ended by a road failure or a failed test, else watched so far."""
        ended = [(one.km, one.reason != "planned", one.since) for one in self.lives]
        for vehicle in range(VEHICLES):
            for seat in range(SEATS):
                since = max(self.fleet.km(vehicle, SEEN) - self.seats[vehicle][seat].offset, 0.0)
                ended.append((self.own_km(vehicle, seat, month), False, since))
        rows = np.array([one for one in ended if one[0] > one[2]])
        return LifeData.of(rows[:, 0], rows[:, 1] > 0, rows[:, 2])


class RunToFailure:
    """Nothing is tested, nothing comes out before it fails."""

    def month(self, books: Books, month: int) -> None:
        """As `Policy`."""

    def visit(self, books: Books, vehicle: int, month: int) -> Work:
        """As `Policy`."""
        return NOTHING


class TestFails:
    """Every vehicle is tested at each of its visits; what reads past the limit comes out there."""

    __test__ = False
    _WORK = Work(test=True, if_past=frozenset(range(SEATS)))

    def month(self, books: Books, month: int) -> None:
        """As `Policy`."""

    def visit(self, books: Books, vehicle: int, month: int) -> Work:
        """As `Policy`."""
        return self._WORK if books.planned(vehicle, month) else NOTHING


@dataclass(frozen=True, slots=True)
class FixedAge:
    """Nothing is tested; a part comes out at the visit that lies nearest to an age in km."""

    age: float

    def month(self, books: Books, month: int) -> None:
        """As `Policy`."""

    def visit(self, books: Books, vehicle: int, month: int) -> Work:
        """As `Policy`."""
        if not books.planned(vehicle, month):
            return NOTHING
        half = (books.fleet.km(vehicle, month) - books.fleet.km(vehicle, month - BETWEEN)) / 2
        old = [seat for seat in range(SEATS) if books.own_km(vehicle, seat, month + 0.5) + half >= self.age]
        return Work(frozenset(old)) if old else NOTHING


def history(fleet: Fleet, stakes: Stakes) -> Books:
    """Return a fleet's books at the start of the weighed time, under the practice of replacing what fails its test."""
    books = Books.opened(fleet, stakes)
    books.run(TestFails(), 0, START)
    return books.from_here(START)


def best_age(lives: LifeData, stakes: Stakes) -> float:
    """Return the age that is cheapest by the law of the recorded lives; infinite where there is none."""
    law = weibull_life(lives)
    if isinstance(law, NoAnswer):
        return float("inf")
    one = stakes.replacing(1)
    found = age_replacement(law.eta, law.beta, one, one + stakes.failing, covariance=law.covariance)
    return float("inf") if isinstance(found, NoAnswer) else found.age


def weighed(books: Books, policy: Policy, months: int = WEIGHED) -> tuple[Books, float]:
    """Return the books after so many weighed months under a policy, and `Books.close` there."""
    own = books.from_here(START)
    first = min(months, EARLY)
    own.run(policy, START, START + first)
    own.early = own.cost
    own.run(policy, START + first, START + months)
    return own, own.close(START + months)


def hindsight_age(books: Books, ages: Sequence[float]) -> tuple[float, Books, float]:
    """Return the age that would have been cheapest of some, with its books and what is left."""
    tried = [(age, *weighed(books, FixedAge(age))) for age in ages]
    return min(tried, key=lambda one: one[1].cost)


VEHICLE_YEARS = VEHICLES * WEIGHED / 12

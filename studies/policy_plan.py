"""The plan as a policy: the wear model's forecasts, the ways of dealing with each vehicle, and the choice among them.

The wear model is fitted anew every `REFIT` months to what was tested by then; each month the vehicles with a visit in
it are planned, twelve months ahead, and in the month of a new fit the others may be called in besides. A set is tested
where the plan asks for it, where one of its parts was never tested, or where its last test is `STALE` months old.
Of what the plan is told nothing is true but the stakes: the wear, its spread and the paces it learns.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from studies.policy_fleets import BETWEEN, FAMILY, SEATS, VEHICLES, Stakes, day_of
from studies.policy_runs import NOTHING, SEEN, Books, Work
from wearlab.forecast.exposure_law import ExposureLaw, chance_by
from wearlab.forecast.grid_law import passage_law
from wearlab.forecast.next_reading import reading_chance
from wearlab.plan.actions import vehicle_options
from wearlab.plan.crossing_law import CrossingLaw
from wearlab.plan.fleet import Frame, PlanPart, PlanVehicle, Visit
from wearlab.plan.option import Job
from wearlab.plan.road_failures import FailureRate
from wearlab.plan.rules import Rules
from wearlab.plan.schedule import Schedule, schedule
from wearlab.records import NoAnswer
from wearlab.wear.data import WearData
from wearlab.wear.group import fit_group
from wearlab.wear.results import WearFit
from wearlab.wear.scale import WorkingScale

REFIT = 3
#: the working scales are weighed anew every so many months; fits between keep those found
REWEIGH = 12
STALE = 15
AHEAD = 12
#: what coming in costs where no visit was planned: half a day without the vehicle
EXTRA_COST = 180.0
#: days ahead at which chances are told
_DAYS = np.array([0.0, 8.0, 15.0, 30.0, 60.0, 105.0, 150.0, 195.0, 240.0, 285.0, 330.0, 380.0])
_FARTHEST = 3.0e6


def label(vehicle: int, seat: int, number: int) -> str:
    """Return the name of a part."""
    return f"{vehicle:02d}-{seat}-{number:02d}"


@dataclass(slots=True)
class Plan:
    """The policy; `scales` are those of the last time they were weighed."""

    stakes: Stakes
    limit: float
    fit: WearFit | None = None
    law: ExposureLaw | None = None
    place: dict[str, int] = field(default_factory=dict)  # of seated parts in the fit
    row: dict[str, int] = field(default_factory=dict)  # and in the law
    scales: tuple[WorkingScale, ...] | None = None
    weighed: int = -REWEIGH
    life: float | None = None
    last: int = -REFIT
    work: dict[int, Work] = field(default_factory=dict)

    def month(self, books: Books, month: int) -> None:
        """As `Policy`: fit anew where it is time, and plan the month's vehicles."""
        fresh = month - self.last >= REFIT
        if fresh:
            self._learn(books, month)
            self.last = month
        self.work = {}
        asked = [v for v in range(VEHICLES) if books.planned(v, month) or fresh]
        told = self._vehicles(books, asked, month)
        frame = Frame(day_of(month), AHEAD)
        options = [vehicle_options(one, self.stakes.costs, frame, in_money=True) for one in told]
        found = schedule(options, Rules())
        if not isinstance(found, Schedule):
            raise RuntimeError("without rules every plan is possible")
        here = day_of(month + 0.5)
        for vehicle, chosen in zip(asked, found.chosen, strict=True):
            now = next((job for job in chosen.jobs if job.day == here), None)
            self.work[vehicle] = self._work(books, vehicle, month, now)

    def visit(self, books: Books, vehicle: int, month: int) -> Work:
        """As `Policy`."""
        return self.work.get(vehicle, NOTHING)

    def _work(self, books: Books, vehicle: int, month: int, job: Job | None) -> Work:
        planned = books.planned(vehicle, month)
        out = frozenset() if job is None else frozenset(int(name) for name in job.replace)
        asked = frozenset() if job is None else frozenset(int(name) for name in job.test)
        if not planned:
            return Work(out, bool(asked), asked, EXTRA_COST) if job is not None else NOTHING
        seen = {(one.seat, one.number): one.month for one in books.readings if one.vehicle == vehicle}
        parts = [(seat, books.seats[vehicle][seat].number) for seat in range(SEATS) if seat not in out]
        untested = any(part not in seen for part in parts)
        stale = bool(parts) and month - min(seen.get(part, SEEN) for part in parts) >= STALE
        test = bool(asked) or untested or stale
        return Work(out, test, asked) if test or out else NOTHING

    def _learn(self, books: Books, month: int) -> None:
        rows = books.readings
        anew = self.scales is None or month - self.weighed >= REWEIGH
        data = WearData(
            y=np.array([one.value for one in rows]),
            exposure=np.array([one.km for one in rows]),
            vehicle=np.array([f"{one.vehicle:02d}" for one in rows]),
            part=np.array([label(one.vehicle, one.seat, one.number) for one in rows]),
            visit=np.array([f"{one.month:04d}" for one in rows]),
        )
        before = None if self.fit is None or not anew else self.fit.choice
        fit = fit_group(data, scales=None if anew else self.scales, previous=before, workers=1)
        if isinstance(fit, NoAnswer):
            raise RuntimeError(fit.reason)
        if anew:
            kept = [(one.scale, w) for one, w in zip(fit.candidates, fit.weights.tolist(), strict=True) if w >= 0.1]
            self.scales, self.weighed = tuple(scale for scale, _ in kept), month
            self.life = self._life(fit)
        self.fit = fit
        everywhere = {str(name): at for at, name in enumerate(fit.data.part_label.tolist())}
        seated = [label(v, s, books.seats[v][s].number) for v in range(VEHICLES) for s in range(SEATS)]
        self.place = {name: everywhere[name] for name in seated if name in everywhere}
        self.row = {name: row for row, name in enumerate(self.place)}
        at = np.array(list(self.place.values()), dtype=np.int64)
        self.law = passage_law(fit.mixture(), at, np.full(at.size, self.limit), np.ones(at.size), workers=1)

    def _life(self, fit: WearFit) -> float | None:
        """The km by which the level of the average new part passes the limit."""
        low, high = 0.0, _FARTHEST
        for _ in range(12):
            middle = (low + high) / 2
            told = fit.new_part(fit.data.family_label[0], middle)
            if isinstance(told, NoAnswer):
                return None
            low, high = (middle, high) if told.point < self.limit else (low, middle)
        return high

    def _vehicles(self, books: Books, vehicles: list[int], month: int) -> list[PlanVehicle]:
        today = day_of(month)
        paces = {v: _pace(books, v, month) for v in vehicles}
        seats = [(v, seat) for v in vehicles for seat in range(SEATS)]
        names = [label(v, seat, books.seats[v][seat].number) for v, seat in seats]
        known = [k for k, name in enumerate(names) if name in self.place]
        laws: dict[int, CrossingLaw] = {}
        reads: dict[int, float] = {}
        if known and self.fit is not None and self.law is not None:
            at = np.array([self.place[names[k]] for k in known])
            own = np.array([books.own_km(*seats[k], month) for k in known])
            pace = np.array([paces[seats[k][0]] for k in known])
            rows = np.array([self.row[names[k]] for k in known])
            chances = _chances(self.law, rows, own[:, None] + pace[:, None] * _DAYS)
            ahead = np.array([self._to_visit(books, seats[k][0], month) for k in known])
            full = np.full(at.size, self.limit)
            told = reading_chance(self.fit.mixture(), at, full, np.ones(at.size), own + pace * ahead)
            for row, k in enumerate(known):
                laws[k] = CrossingLaw.through(_DAYS[1:], chances[row, 1:], today, now=float(chances[row, 0]))
                reads[k] = float(told[row])
        rate, cost = self.stakes.added, self.stakes.failing
        made = []
        for v in vehicles:
            first = next(m for m in range(month, month + BETWEEN) if books.planned(v, m))
            visits = [Visit(day_of(m + 0.5)) for m in (first, first + BETWEEN)]
            if first != month:
                visits.insert(0, Visit(day_of(month + 0.5), planned=False, extra_cost=EXTRA_COST))
            parts = tuple(
                PlanPart(
                    position=str(seat),
                    kind="injector",
                    law=laws.get(k),
                    next_reading_past=reads.get(k),
                    reading_day=day_of(first + 0.5) if k in reads else None,
                    life_km=self.life,
                    failure_rate=FailureRate(rate, rate, rate),
                    failure_cost=cost,
                )
                for k, (vehicle, seat) in enumerate(seats)
                if vehicle == v
            )
            made.append(PlanVehicle(f"{v:02d}", FAMILY, "one depot", paces[v], parts, tuple(visits)))
        return made

    def _to_visit(self, books: Books, vehicle: int, month: int) -> float:
        first = next(m for m in range(month, month + BETWEEN) if books.planned(vehicle, m))
        return float((day_of(first + 0.5) - day_of(month)).days)


def _pace(books: Books, vehicle: int, month: int) -> float:
    """The km a day of the last twelve months."""
    days = (day_of(month) - day_of(month - 12)).days
    return (books.fleet.km(vehicle, month) - books.fleet.km(vehicle, month - 12)) / days


def _chances(law: ExposureLaw, at: NDArray[np.int64], exposure: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the chance of passage of parts (n,) by exposures (n, D), never falling."""
    out = np.empty(exposure.shape)
    for day in range(exposure.shape[1]):
        whole = np.zeros(law.start.size)
        whole[at] = exposure[:, day]
        out[:, day] = chance_by(law, whole)[at]
    return np.maximum.accumulate(np.clip(np.nan_to_num(out), 0.0, 1.0), axis=1)

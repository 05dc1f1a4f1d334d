"""What can be done with one vehicle over the plan, and what each way is expected to cost.

With costs, the objective of a way is the expected cost of road failures past the limit until each part comes out, plus
the work, each part charged for the time within the plan (`pricing`), plus the tests. Without, it is kilometres past the
limit plus w times those still to be driven short of it when a part comes out, w = c / (1 - c) with c = `book_chance`:
so replacing now is better than later as soon as the chance of being past in between exceeds c. In neither case is the
background of road failures counted, which replacing does not lower, nor what a new part does within the plan.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from numpy.typing import NDArray

from wearlab.errors import InputError
from wearlab.language import _
from wearlab.plan.choices import Choice, choices, tests
from wearlab.plan.costs import ActionCost
from wearlab.plan.fleet import Frame, PlanPart, PlanVehicle, Visit, week_of
from wearlab.plan.option import Job, Option, worth_keeping
from wearlab.plan.pricing import Pricing
from wearlab.plan.road_failures import PER_KM
from wearlab.plan.waiting import Course, Waiting
from wearlab.plan_settings import Costs

Array = NDArray[np.float64]


def vehicle_options(vehicle: PlanVehicle, costs: Costs, frame: Frame, *, in_money: bool) -> tuple[Option, ...]:
    """Return the ways of dealing with a vehicle that are worth weighing; the first is to leave it alone.

    `in_money` is to be the same for a whole plan: only where `missing_figures` names nothing.
    """
    desk = _Desk.of(vehicle, costs, frame, in_money)
    return worth_keeping([desk.option(choice) for choice in (Choice(), *desk.choices())])


def way_of(vehicle: PlanVehicle, replaced: Mapping[str, date], costs: Costs, frame: Frame, *, in_money: bool) -> Option:
    """Return one given way: parts (positions) replaced on days that are visits of the vehicle within the plan.

    Raises
    ------
    InputError
        A position is none of the vehicle's, or a day none of its visits.
    """
    desk = _Desk.of(vehicle, costs, frame, in_money)
    number = {part.position: at for at, part in enumerate(vehicle.parts)}
    turn = {visit.day: at for at, visit in enumerate(desk.visits)}
    odd = [f"{position} on {day}" for position, day in replaced.items() if position not in number or day not in turn]
    if odd:
        raise InputError(f"{vehicle.name} has no such part or visit in the plan: {odd[0]}")
    return desk.option(Choice(tuple((number[position], turn[day]) for position, day in replaced.items())))


def missing_figures(vehicles: Iterable[PlanVehicle], costs: Costs) -> tuple[str, ...]:
    """Return the figures without which the cost of waiting cannot be told, each once, in the order met.

    Parts without a forecast ask for none.
    """
    found: dict[str, None] = {}
    for vehicle in vehicles:
        pricing = Pricing(vehicle, costs, 0.0, 0.0)
        for part in vehicle.parts:
            if part.law is None:
                continue
            where = f'"{vehicle.family}".{part.kind}'
            if part.failure_rate is None:
                found[f"failures.{where}.per_10000_km_beyond"] = None
            if part.failure_cost is None:
                found[_("{figure}: tow, or downtime_a_day with days", figure=f"failures.{where}")] = None
            cost = pricing.replacing([part], 0.0, whole_set=False).cost
            if cost.total is None:
                needed = ("part_price", "labour_alone_h", "labour_together_h", "labour_per_hour")
                found |= dict.fromkeys(name for name in cost.missing if name.rsplit(".", 1)[-1] in needed)
    return tuple(found)


@dataclass(frozen=True, slots=True, eq=False)
class _Desk:
    """All that the ways of one vehicle share; parts, visits and waitings by number."""

    vehicle: PlanVehicle
    frame: Frame
    in_money: bool
    visits: tuple[Visit, ...]
    days: Array
    months: tuple[int, ...]
    able: tuple[Array, ...]  # by part, 1 at planned visits by which it can be there
    waiting: dict[int, Waiting]
    pricing: Pricing
    courses: dict[tuple[int, int | None], Course] = field(default_factory=dict)

    @classmethod
    def of(cls, vehicle: PlanVehicle, costs: Costs, frame: Frame, in_money: bool) -> _Desk:
        today = frame.as_of
        stays = float("inf") if vehicle.leaves_on is None else float((vehicle.leaves_on - today).days)
        end = max(min(float(frame.last), stays), 0.0)
        known = sorted({visit.day: visit for visit in vehicle.visits}.values(), key=lambda visit: visit.day)
        visits = tuple(one for one in known if 0 <= (one.day - today).days < end)
        days = np.array([(one.day - today).days for one in visits], dtype=np.float64)
        waiting = {
            number: Waiting.of(part, part.law, days, end)
            for number, part in enumerate(vehicle.parts)
            if part.law is not None
        }
        months = tuple(frame.month_of(one.day) or 0 for one in visits)
        planned = np.array([one.planned for one in visits], dtype=bool)
        able = tuple(np.where(planned & (days >= part.lead_days), 1.0, 0.0) for part in vehicle.parts)
        return cls(vehicle, frame, in_money, visits, days, months, able, waiting, Pricing(vehicle, costs, end, stays))

    def choices(self) -> Iterable[Choice]:
        """Return the ways beside leaving it alone."""
        parts, frame = self.vehicle.parts, self.frame
        allowed = [[at for at, day in enumerate(self.days.tolist()) if day >= part.lead_days] for part in parts]
        likely = {number: (parts[number].past, own.by_end) for number, own in self.waiting.items()}
        moved = [n for n, (past, chance) in likely.items() if past or chance >= frame.watch_chance]
        moved.sort(key=lambda n: (not likely[n][0], -likely[n][1], n))
        if not moved or not self.visits:
            return
        injectors = [n for n in moved if parts[n].kind == "injector"]
        pump = next((n for n in moved if parts[n].kind == "pump"), None)
        every = [n for n, part in enumerate(parts) if part.kind == "injector"] if injectors else []
        yield from choices(injectors, pump, every, allowed)
        sure: list[list[int]] = []
        asked: list[list[int]] = []
        for at in range(len(self.visits)):
            chance = {n: float(self.waiting[n].past[at]) for n in moved}
            sure.append([n for n in moved if chance[n] >= frame.past_chance])
            asked.append([n for n in moved if frame.watch_chance <= chance[n] < frame.past_chance])
        yield from tests(sure, asked, allowed)

    def option(self, choice: Choice) -> Option:
        """Return a way with all that is expected of it."""
        parts, months = self.vehicle.parts, self.frame.months
        out = dict(choice.replace)
        first = choice.tested_from
        at_tests = [at for at, one in enumerate(self.visits) if at == first or (0 <= first < at and one.planned)]
        courses = {
            number: own.tested_at(at_tests) if number in choice.test else self._replaced(number, out.get(number))
            for number, own in self.waiting.items()
        }
        hours, spend, charge = np.zeros(months), np.zeros(months), 0.0
        jobs: list[Job] = []
        missing: dict[str, None] = {}
        for at in sorted({*out.values(), *at_tests}):
            job, cost, own = self._job(at, choice, courses, tested=at in at_tests)
            month = self.months[at]
            hours[month] += cost.hours or 0.0
            spend[month] += cost.total or 0.0
            charge += own
            jobs.append(job)
            missing |= dict.fromkeys(cost.missing)
        beyond = sum(course.beyond for course in courses.values()) * self.vehicle.km_a_day
        waiting_cost = sum(course.beyond * self._price_a_day(parts[n]) for n, course in courses.items())
        least = self.frame.book_chance
        unused = sum(course.unused for course in courses.values()) * self.vehicle.km_a_day
        return Option(
            vehicle=self.vehicle.name,
            depot=self.vehicle.depot,
            jobs=tuple(jobs),
            objective=waiting_cost + charge if self.in_money else beyond + least / (1.0 - least) * unused,
            waiting_cost=waiting_cost if self.in_money else None,
            km_beyond=beyond,
            hours=hours,
            spend=spend,
            weeks=frozenset(week_of(job.day) for job in jobs),
            most_chance=max((self._left(n, course) for n, course in courses.items()), default=0.0),
            missing=tuple(missing),
            failing={parts[n].position: float(courses[n].replaced[choice.tested_from]) for n in choice.test},
        )

    def _replaced(self, number: int, visit: int | None) -> Course:
        key = (number, visit)
        if key not in self.courses:
            self.courses[key] = self.waiting[number].replaced_at(visit)
        return self.courses[key]

    def _job(
        self, at: int, choice: Choice, courses: dict[int, Course], *, tested: bool
    ) -> tuple[Job, ActionCost, float]:
        parts, day = self.vehicle.parts, float(self.days[at])
        taken = [n for n, visit in choice.replace if visit == at]
        cost, charge = ActionCost(total=self.visits[at].extra_cost), self.visits[at].extra_cost
        if taken:
            priced = self.pricing.replacing([parts[n] for n in taken], day, whole_set=self._is_set(taken))
            cost, charge = cost.plus(priced.cost), charge + priced.charge
        if tested:
            test = self.pricing.testing([parts[n] for n in choice.test])
            still = 1.0
            if at != choice.tested_from:
                still = max(1.0 - float(courses[n].replaced[:at].sum()) for n in choice.test)
            cost, charge = cost.plus(_times(test, still)), charge + still * (test.total or 0.0)
            for n in choice.test:
                fails = float(courses[n].replaced[at])
                priced = self.pricing.replacing([parts[n]], day, whole_set=False, warranty=True)
                cost, charge = cost.plus(_times(priced.cost, fails)), charge + fails * priced.charge
        names = [parts[n].position for n in taken]
        asked = [parts[n].position for n in choice.test] if tested else []
        job = Job(self.visits[at].day, tuple(names), tuple(asked), self._is_set(taken), cost.total, cost.hours)
        return job, cost, charge

    def _is_set(self, taken: list[int]) -> bool:
        every = {n for n, part in enumerate(self.vehicle.parts) if part.kind == "injector"}
        return len(every) > 1 and every <= set(taken)

    def _price_a_day(self, part: PlanPart) -> float:
        if part.failure_rate is None or part.failure_cost is None:
            return 0.0
        return self.vehicle.km_a_day / PER_KM * part.failure_rate.per_10000 * part.failure_cost

    def _left(self, number: int, course: Course) -> float:
        """The greatest chance with which a part leaves a visit past its limit where something could be done."""
        return float((course.left_past * self.able[number]).max(initial=0.0))


def _times(cost: ActionCost, chance: float) -> ActionCost:
    return ActionCost(
        parts=cost.parts * chance,
        small_parts=cost.small_parts * chance,
        coding=cost.coding * chance,
        labour=cost.labour * chance,
        core_return=cost.core_return * chance,
        discount=cost.discount * chance,
        hours=None if cost.hours is None else cost.hours * chance,
        total=None if cost.total is None else cost.total * chance,
        missing=cost.missing,
    )

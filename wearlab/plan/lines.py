"""The lines of a plan: for every part that is dealt with, why it, why now, what it costs and what waiting would."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Literal

from wearlab.plan.actions import vehicle_options
from wearlab.plan.costs import ActionCost
from wearlab.plan.crossing_law import Spread
from wearlab.plan.fleet import Frame, PlanPart, PlanVehicle
from wearlab.plan.option import Job, Option
from wearlab.plan.pricing import Pricing
from wearlab.plan.road_failures import cost_of_waiting
from wearlab.plan_settings import Costs

WhyPart = Literal["past limit", "past by then", "may pass before the next visit", "with the set", "a test decides"]
WhyNow = Literal["last before leaving", "before warranty ends", "first it can be there", "only visit", "costs least"]


@dataclass(frozen=True, slots=True)
class PlanLine:
    """One part at one visit.

    `cost` is that of the whole work at the visit for `replace`, that of the test alone for `test`; None where it is
    not known. `past_then` is the chance of being past the limit on the day, `before_next` of passing it after the day
    and by `until`, the next planned visit, or the end of the plan where there is none (`next_visit` None); `by_next`
    of being past by `until`. `cross_low`, `cross_high` are the dates with chances 0.05 and 0.95. `km_if_left` are
    kilometres past the limit between the day and `until`, their interval that of the date; `cost_if_left` what road
    failures over them cost, its interval that of their rate. `drawn_on`: `until` lies beyond what the forecast tells.
    """

    vehicle: str
    position: str
    kind: Literal["replace", "test"]
    day: date
    why_part: WhyPart
    why_now: WhyNow
    cost: float | None
    next_visit: date | None
    until: date
    past_then: float | None
    before_next: float | None
    by_next: float | None
    cross_low: date | None
    cross_high: date | None
    km_if_left: Spread | None
    cost_if_left: Spread | None
    drawn_on: bool


@dataclass(frozen=True, slots=True)
class ValueOfTest:
    """What a test of a vehicle at a visit would decide.

    `parts` (positions) are those it would tell of, `fails` the chance that at least one reads past, taken as
    independent; `saves` how much less the objective is than with the best way that does not test at all, in its unit;
    0 or less: the test decides nothing.
    """

    vehicle: str
    day: date
    parts: tuple[str, ...]
    fails: float
    saves: float
    before_warranty_ends: bool


def plan_lines(vehicle: PlanVehicle, option: Option, costs: Costs, frame: Frame) -> tuple[PlanLine, ...]:
    """Return the lines of a chosen option, by day and in the order of its parts."""
    parts = {part.position: part for part in vehicle.parts}
    found = []
    for job in option.jobs:
        for position in job.replace:
            found.append(_line(vehicle, parts[position], job, "replace", costs, frame))
        for position in job.test:
            found.append(_line(vehicle, parts[position], job, "test", costs, frame))
    return tuple(found)


def values_of_tests(
    vehicles: Iterable[PlanVehicle], costs: Costs, frame: Frame, *, in_money: bool
) -> tuple[ValueOfTest, ...]:
    """Return what a test at each visit would decide, the most worth first; a visit whose test tells nothing has none.

    Vehicles that leave before a visit have no options there, and so no test.
    """
    found = []
    for vehicle in vehicles:
        options = vehicle_options(vehicle, costs, frame, in_money=in_money)
        plain = min(one.objective for one in options if not any(job.test for job in one.jobs))
        best: dict[date, Option] = {}
        for one in options:
            first = next((job for job in one.jobs if job.test), None)
            if first and (first.day not in best or one.objective < best[first.day].objective):
                best[first.day] = one
        found += [_value(vehicle, day, one, plain - one.objective) for day, one in best.items()]
    return tuple(sorted(found, key=lambda one: (-one.saves, one.day, one.vehicle)))


def _value(vehicle: PlanVehicle, day: date, option: Option, saves: float) -> ValueOfTest:
    job = next(job for job in option.jobs if job.test)
    parts = [part for part in vehicle.parts if part.position in job.test]
    passes = 1.0
    for part in parts:
        passes *= 1.0 - option.failing.get(part.position, 0.0)
    ends = any(part.warranty_until is not None and day <= part.warranty_until for part in parts)
    return ValueOfTest(vehicle.name, day, job.test, 1.0 - passes, saves, ends)


def _line(
    vehicle: PlanVehicle, part: PlanPart, job: Job, kind: Literal["replace", "test"], costs: Costs, frame: Frame
) -> PlanLine:
    leaves, end = vehicle.leaves_on, frame.start(frame.months)
    last = end if leaves is None else min(end, leaves)
    ahead = (one.day for one in vehicle.visits if one.planned and one.day > job.day)
    later = sorted(day for day in ahead if leaves is None or day <= leaves)
    next_visit = later[0] if later else None
    until = next_visit or max(last, job.day)
    cost: float | None = job.cost
    if kind == "test":
        tested = [one for one in vehicle.parts if one.position in job.test]
        test: ActionCost = Pricing(vehicle, costs, 0.0, 0.0).testing(tested)
        cost = test.total
    law = part.law
    past = before = by_next = None
    low = high = None
    km = money = None
    if law is not None:
        past, by_next = law.chance_by(job.day), law.chance_by(until)
        before = law.chance_between(job.day, until)
        low, high = law.quantile(0.05), law.quantile(0.95)
        km = law.km_beyond(job.day, until, vehicle.km_a_day)
        if part.failure_rate is not None and part.failure_cost is not None:
            money = cost_of_waiting(km.mean, part.failure_rate, part.failure_cost)
    return PlanLine(
        vehicle=vehicle.name,
        position=part.position,
        kind=kind,
        day=job.day,
        why_part=_why_part(part, job, kind, past, by_next, frame),
        why_now=_why_now(vehicle, part, job, next_visit, frame),
        cost=cost,
        next_visit=next_visit,
        until=until,
        past_then=past,
        before_next=before,
        by_next=by_next,
        cross_low=low,
        cross_high=high,
        km_if_left=km,
        cost_if_left=money,
        drawn_on=law is not None and law.extrapolates(until),
    )


def _why_part(part: PlanPart, job: Job, kind: str, past: float | None, by_next: float | None, frame: Frame) -> WhyPart:
    if kind == "test":
        return "a test decides"
    if part.past:
        return "past limit"
    if past is not None and past >= frame.book_chance:
        return "past by then"
    if job.whole_set and (by_next is None or by_next < frame.watch_chance):
        return "with the set"
    return "may pass before the next visit"


def _why_now(vehicle: PlanVehicle, part: PlanPart, job: Job, next_visit: date | None, frame: Frame) -> WhyNow:
    if vehicle.leaves_on is not None and next_visit is None:
        return "last before leaving"
    ends = part.warranty_until
    if ends is not None and job.day <= ends and (next_visit is None or ends < next_visit):
        return "before warranty ends"
    able = [one.day for one in vehicle.visits if (one.day - frame.as_of).days >= part.lead_days]
    if able and job.day == min(able):
        return "only visit" if len(able) == 1 else "first it can be there"
    return "costs least"

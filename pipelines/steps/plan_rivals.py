"""Simple ways to run the same fleet over the time of a plan, counted as the plan is; no rule holds them back."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date

from pipelines.steps.part_lives import PartLife, fleet_lives
from pipelines.steps.plan_fleet import PlanFleet
from pipelines.steps.plan_told import Rival
from wearlab.config import Settings
from wearlab.language import _, msg, number
from wearlab.plan.actions import way_of
from wearlab.plan.age_replacement import AgeReplacement, age_replacement
from wearlab.plan.costs import action_cost
from wearlab.plan.fleet import Frame, PlanVehicle
from wearlab.plan.option import Option
from wearlab.records import NoAnswer
from wearlab.store.database import Database
from wearlab.study.life_data import LifeData
from wearlab.study.weibull_life import weibull_life

LEFT, FAILED = msg("nothing is done"), msg("replace what fails a test, at the diary's visits")
#: removals for cause from which a law of lives is told
FEWEST = 5


def rivals(
    db: Database,
    settings: Settings,
    frame: Frame,
    fleet: PlanFleet,
    options: Sequence[Sequence[Option]],
    in_money: bool,
) -> tuple[Rival, ...]:
    """Return run to failure, replacing when a test fails, and, where the fleet's own lives tell one, a fixed age."""
    found = [_sum(_(LEFT), [own[0] for own in options]), _sum(_(FAILED), [_tested(own) for own in options])]
    ages = _ages(db, settings, frame.as_of) if in_money else {}
    if ages:
        at_age = [_by_age(vehicle, ages, settings, frame) for vehicle in fleet.vehicles]
        words = ", ".join(
            f"{family} {_(kind)} {number(age.age)} km" for (family, kind), (age, _law) in sorted(ages.items())
        )
        found.append(_sum(_("a fixed age ({ages})", ages=words), at_age))
    return tuple(found)


def _sum(name: str, chosen: Sequence[Option]) -> Rival:
    waits = [one.waiting_cost for one in chosen]
    return Rival(
        name=name,
        objective=sum(one.objective for one in chosen),
        waiting_cost=None if any(one is None for one in waits) else sum(one for one in waits if one is not None),
        km_beyond=sum(one.km_beyond for one in chosen),
        spend=float(sum(one.spend.sum() for one in chosen)),
    )


def _tested(own: Sequence[Option]) -> Option:
    """The earliest way that only tests and replaces what fails; where nothing is worth a test, leaving it alone."""
    ways = [one for one in own if one.jobs and not any(job.replace for job in one.jobs)]
    return min(ways, key=lambda one: (one.jobs[0].day, -sum(len(job.test) for job in one.jobs)), default=own[0])


def _ages(
    db: Database, settings: Settings, as_of: date
) -> dict[tuple[str, str], tuple[AgeReplacement, dict[tuple[str, str], PartLife]]]:
    """Best ages by family and kind from the fleet's own lives, and the lives that still sit, by place."""
    by_kind: dict[tuple[str, str], list[PartLife]] = defaultdict(list)
    for one in fleet_lives(db, settings, as_of).lives:
        by_kind[one.family, one.kind].append(one)
    found = {}
    for (family, kind), lives in by_kind.items():
        if sum(one.failed for one in lives) < FEWEST:
            continue
        law = weibull_life(
            LifeData.of([one.end_km for one in lives], [one.failed for one in lives], [one.entry_km for one in lives])
        )
        pump = kind == "pump"
        cost = action_cost(settings.costs, family, injectors=0 if pump else 1, pump=pump).total
        failing = settings.failures.get(family)
        stated = None if failing is None else (failing.pump if pump else failing.injector)
        if isinstance(law, NoAnswer) or cost is None or stated is None or stated.tow is None:
            continue
        extra = stated.tow + (stated.downtime_a_day or 0.0) * (stated.days or 0.0)
        age = age_replacement(law.eta, law.beta, cost, cost + extra, covariance=law.covariance)
        if isinstance(age, AgeReplacement):
            sitting = {(one.vehicle, one.position): one for one in lives if one.removed_on is None}
            found[family, kind] = (age, sitting)
    return found


def _by_age(
    vehicle: PlanVehicle,
    ages: dict[tuple[str, str], tuple[AgeReplacement, dict[tuple[str, str], PartLife]]],
    settings: Settings,
    frame: Frame,
) -> Option:
    """Each part out at the first visit in the diary at which it has reached its age."""
    out: dict[str, date] = {}
    end = frame.start(frame.months)
    stays = end if vehicle.leaves_on is None else min(end, vehicle.leaves_on)
    days = sorted(visit.day for visit in vehicle.visits if visit.planned and frame.as_of <= visit.day < stays)
    for part in vehicle.parts:
        age, sitting = ages.get((vehicle.family, part.kind), (None, {}))
        life = sitting.get((vehicle.name, part.position))
        if age is None or life is None:
            continue
        for day in days:
            if life.end_km + vehicle.km_a_day * (day - frame.as_of).days >= age.age:
                out[part.position] = day
                break
    return way_of(vehicle, out, settings.costs, frame, in_money=True)

"""The plan: which vehicles to pull in and test when, and what to replace, under the workshop's own rules."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date

from pipelines.steps.failure_facts import KindFailures, failure_facts
from pipelines.steps.fleet_today import vehicle_usage
from pipelines.steps.learn import forecasts_of, fresh_run
from pipelines.steps.lives import fresh_lives, meter_histories
from pipelines.steps.plan_fleet import PlanFleet, plan_fleet
from pipelines.steps.plan_rivals import rivals
from pipelines.steps.plan_told import PlanTold, TestLine, VisitLine
from pipelines.steps.wear_lives import wear_answers
from pipelines.workspace import Workspace
from wearlab.config import Settings
from wearlab.errors import InputError
from wearlab.language import _
from wearlab.plan.actions import missing_figures, vehicle_options
from wearlab.plan.budgets import BudgetRow, budget_table
from wearlab.plan.fleet import Frame, PlanVehicle
from wearlab.plan.lines import ValueOfTest, plan_lines, values_of_tests
from wearlab.plan.option import Job, Option
from wearlab.plan.rules import Rules
from wearlab.plan.schedule import Schedule, schedule
from wearlab.store.database import Database
from wearlab.store.queries import vehicles

#: steps of the table over monthly budgets, and how many above and below the one that is stated
BUDGET_STEP, BUDGETS_UP, BUDGETS_DOWN = 5000.0, 2, 2


def plan_told(
    place: Workspace,
    as_of: date,
    *,
    months: int | None = None,
    budget: float | None = None,
    step: float = BUDGET_STEP,
    say: Callable[[str], None] | None = None,
) -> PlanTold:
    """Make the plan as of a day; `budget` a month stands in for the stated one, `step` is that of the budget table.

    Raises
    ------
    InputError
        A figure is not above 0, or `[plan]` names a vehicle that no sheet knows.
    """
    told = say or (lambda text: None)
    settings = place.settings
    for what, value in (("the budget", budget), ("the step of budgets", step)):
        if value is not None and not value > 0:
            raise InputError(f"{what} is a sum of money above 0, not {value:g}")
    horizons = settings.horizons
    frame = Frame(
        as_of, months or settings.plan.months, horizons.book_chance, horizons.watch_chance, horizons.past_chance
    )
    with place.open() as db:
        fresh_lives(db, settings)
        run = fresh_run(db, place, as_of, say=say)
        register = vehicles(db, as_of)
        _known(settings, {row["vehicle"] for row in register})
        meters = meter_histories(db)
        told("road failures")
        failing = failure_facts(db, settings, run, as_of, meters)
        by_kind = {(one.family, str(one.kind)): one for one in failing}
        lives = _lives(db, settings, as_of, by_kind, told)
        told("visits and forecasts")
        fleet = plan_fleet(
            db, settings, frame, register, forecasts_of(db, run), vehicle_usage(meters, as_of, register), lives, by_kind
        )
        told("ways of dealing with every vehicle")
        costs = settings.costs
        lacking = missing_figures(fleet.vehicles, costs)
        in_money = bool(fleet.vehicles) and not lacking
        options = [vehicle_options(one, costs, frame, in_money=in_money) for one in fleet.vehicles]
        rules = Rules.of(settings.plan, {one.depot for one in fleet.vehicles})
        rules = rules if budget is None else replace(rules, monthly_budget=budget)
        told("choosing")
        made = schedule(options, rules)
        others = rivals(db, settings, frame, fleet, options, in_money) if isinstance(made, Schedule) else ()
    chosen = made.chosen if isinstance(made, Schedule) else ()
    lines = [
        line
        for vehicle, option in zip(fleet.vehicles, chosen, strict=False)
        for line in plan_lines(vehicle, option, costs, frame)
    ]
    told("what tests would decide")
    return PlanTold(
        as_of=as_of,
        months=frame.months,
        currency=costs.currency,
        in_money=in_money,
        vehicles=len(fleet.vehicles),
        schedule=made,
        lines=tuple(sorted(lines, key=lambda one: (one.day, one.vehicle, one.position))),
        visits=_visits(fleet, chosen),
        tests=_tests(fleet, values_of_tests(fleet.vehicles, costs, frame, in_money=in_money), chosen, frame),
        rivals=others,
        budgets=_budgets(options, rules, chosen, step, told),
        failures=failing,
        missing=(*_explained(lacking), *_also_missing(settings, fleet)),
        left_out=fleet.left_out,
    )


def _known(settings: Settings, names: set[str]) -> None:
    odd = sorted({one for group in settings.plan.apart for one in group} - names)
    if odd:
        raise InputError(f'[plan] apart names the vehicle "{odd[0]}", which no sheet knows: correct wearlab.toml')


def _lives(
    db: Database,
    settings: Settings,
    as_of: date,
    failing: Mapping[tuple[str, str], KindFailures],
    say: Callable[[str], None],
) -> dict[tuple[str, str], float]:
    """The distance that half of the new parts of a family and kind last by wear, under the limit that comes first."""
    found: dict[tuple[str, str], float] = {}
    if not settings.costs.parts or not failing:
        return found
    for one in wear_answers(db, settings, as_of, 1.0, say=say):
        middle = one.km[1] if len(one.km) > 1 else None
        if middle is not None:
            key = (one.family, one.kind)
            found[key] = min(found.get(key, middle), middle)
    return found


def _visits(fleet: PlanFleet, chosen: Sequence[Option]) -> tuple[VisitLine, ...]:
    found = []
    for vehicle, option in zip(fleet.vehicles, chosen, strict=False):
        for job in option.jobs:
            found.append(
                VisitLine(
                    vehicle=vehicle.name,
                    depot=vehicle.depot,
                    day=job.day,
                    planned=(vehicle.name, job.day) in fleet.diary,
                    replace=job.replace,
                    test=job.test,
                    whole_set=job.whole_set,
                    cost=job.cost,
                    hours=job.hours,
                )
            )
    return tuple(sorted(found, key=lambda one: (one.day, one.vehicle)))


def _tests(
    fleet: PlanFleet, values: Sequence[ValueOfTest], chosen: Sequence[Option], frame: Frame
) -> tuple[TestLine, ...]:
    """The best test of every vehicle that decides something, then those that keep a forecast or a warranty."""
    best: dict[str, ValueOfTest] = {}
    for one in values:  # the most worth come first
        if one.saves > 0:
            best.setdefault(one.vehicle, one)
    by_name = {one.name: one for one in fleet.vehicles}
    lines = [_test(fleet, by_name[one.vehicle], one) for one in best.values()]
    jobs = {option.vehicle: option.jobs for option in chosen}
    for vehicle in fleet.vehicles:
        if vehicle.name not in best:
            kept = _kept(fleet, vehicle, jobs.get(vehicle.name, ()), frame)
            if kept is not None:
                lines.append(_test(fleet, vehicle, kept))
    return tuple(sorted(lines, key=lambda one: (-one.saves, one.day, one.vehicle)))


def _kept(fleet: PlanFleet, vehicle: PlanVehicle, jobs: Sequence[Job], frame: Frame) -> ValueOfTest | None:
    """The visit by which a vehicle has to be tested, though it decides nothing yet; None where none is due."""
    end = frame.start(frame.months)
    stays = end if vehicle.leaves_on is None else min(end, vehicle.leaves_on)
    days = [visit.day for visit in vehicle.visits if visit.planned and visit.day < stays]
    warranty = next((part.warranty_until for part in vehicle.parts if part.warranty_until is not None), None)
    under = [day for day in days if warranty is not None and day <= warranty]
    if warranty is not None and frame.as_of <= warranty < end and under:
        return _due(vehicle, under[-1], jobs, before_warranty_ends=True)
    due = fleet.retest_by.get(vehicle.name)
    if due is None or due >= end or not days:
        return None
    day = next((one for one in reversed(days) if one <= due), days[0])
    return _due(vehicle, day, jobs, before_warranty_ends=False)


def _due(vehicle: PlanVehicle, day: date, jobs: Sequence[Job], *, before_warranty_ends: bool) -> ValueOfTest | None:
    """A test of all parts that are told of and that the plan has not replaced by then."""
    new = {position for job in jobs if job.day <= day for position in job.replace}
    laws = {part.position: part.law for part in vehicle.parts if part.law is not None and part.position not in new}
    passes = 1.0
    for law in laws.values():
        passes *= 1.0 - law.chance_by(day)
    if not laws:
        return None
    return ValueOfTest(vehicle.name, day, tuple(laws), 1.0 - passes, 0.0, before_warranty_ends)


def _test(fleet: PlanFleet, vehicle: PlanVehicle, value: ValueOfTest) -> TestLine:
    return TestLine(
        vehicle=vehicle.name,
        depot=vehicle.depot,
        day=value.day,
        planned=(vehicle.name, value.day) in fleet.diary,
        parts=value.parts,
        fails=value.fails,
        saves=value.saves,
        last_test=fleet.last_test.get(vehicle.name),
        retest_by=fleet.retest_by.get(vehicle.name),
        before_warranty_ends=value.before_warranty_ends,
    )


def _budgets(
    options: Sequence[Sequence[Option]],
    rules: Rules,
    chosen: Sequence[Option],
    step: float,
    say: Callable[[str], None],
) -> tuple[BudgetRow, ...]:
    """The table over monthly budgets about the stated one; none where the work has no price."""
    if not chosen or not any(float(one.spend.sum()) > 0 for own in options for one in own):
        return ()
    say("other budgets")
    stated = rules.monthly_budget or 0.0
    levels = [stated + step * number for number in range(-BUDGETS_DOWN, BUDGETS_UP + 1)]
    kept = [level for level in levels if level > 0]
    return budget_table(options, rules, [*kept, None])


def _explained(lacking: Sequence[str]) -> list[str]:
    """Figures without which nothing is said in money."""
    return [
        _("{figure}: without it the plan counts kilometres past the limit and tells no cost of waiting", figure=name)
        for name in lacking
    ]


def _also_missing(settings: Settings, fleet: PlanFleet) -> list[str]:
    """Settings that bind nothing because they are not stated."""
    rules, found = settings.plan, []
    called = any(not visit.planned for vehicle in fleet.vehicles for visit in vehicle.visits)
    for value, sentence in (
        (rules.bay_hours, _("plan.bay_hours: without it any number of vehicles can be worked on in a month")),
        (rules.monthly_budget, _("plan.monthly_budget: without it any sum can be spent in a month")),
        (rules.lead_days, _("plan.lead_days: without it every part counts as there at once")),
        (
            rules.call_in_cost if called else 0.0,
            _("plan.call_in_cost: without it calling a vehicle in counts as free"),
        ),
    ):
        if value is None:
            found.append(sentence)
    if not fleet.diary:
        found.append(_("a sheet of planned visits: without it visits are taken a usual interval after the last test"))
    return found

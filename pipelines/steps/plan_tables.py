"""The tables of a plan: its lines, visits, tests, budgets, rivals, and what it lacks."""

from __future__ import annotations

from collections.abc import Callable

from pipelines.steps.failure_facts import KindFailures
from pipelines.steps.parts import PartsTold
from pipelines.steps.plan_told import PlanTold, Rival, TestLine, VisitLine
from pipelines.steps.plan_words import no_plan_words, part_words, why_now_words, why_part_words, work_words
from pipelines.steps.view_table import Cell, Column, Form, Table, percent, table_of
from wearlab.language import _, msg, number
from wearlab.plan.budgets import BudgetRow
from wearlab.plan.lines import PlanLine
from wearlab.plan.road_failures import FailureRate
from wearlab.plan.schedule import Schedule

_WHAT = {"replace": msg("replace"), "test": msg("test")}
_PARTS = {"injector": msg("injector"), "pump": msg("pump")}
_SOURCES = {"entered": msg("entered"), "learned": msg("learned"), "missing": msg("missing")}


def lines(plan: PlanTold) -> Table:
    """A row a part that is dealt with, by day."""
    depots = {(visit.vehicle, visit.day): visit.depot for visit in plan.visits}
    money, in_money = plan.currency, plan.in_money
    order = sorted(plan.lines, key=lambda line: (line.day, line.vehicle))

    def depot(line: PlanLine) -> Cell:
        return depots.get((line.vehicle, line.day))

    return table_of(
        msg("plan"),
        order,
        (
            (Column(msg("vehicle")), lambda line: line.vehicle),
            (Column(msg("depot")), depot),
            (Column(msg("part")), lambda line: part_words([line.position])),
            (Column(msg("day"), "date"), lambda line: line.day),
            (Column(msg("what")), lambda line: _(_WHAT[line.kind])),
            (Column(msg("why this part"), "sentence"), why_part_words),
            (Column(msg("why now"), "sentence"), lambda line: why_now_words(line, in_money=in_money)),
            (Column(msg("cost: all work of the day, or the test"), "money", money), lambda line: line.cost),
            (Column(msg("chance past the limit by then"), "percent"), lambda line: percent(line.past_then)),
            (
                Column(msg("chance of passing it before the next visit"), "percent"),
                lambda line: percent(line.before_next),
            ),
            (Column(msg("passes early (1 in 20)"), "date"), lambda line: line.cross_low),
            (Column(msg("passes late (19 in 20)"), "date"), lambda line: line.cross_high),
            (Column(msg("past the limit if left"), "km"), _if_left("km_if_left", "mean")),
            (Column(msg("past the limit if left, low"), "km"), _if_left("km_if_left", "low")),
            (Column(msg("past the limit if left, high"), "km"), _if_left("km_if_left", "high")),
            (Column(msg("cost if left"), "money", money), _if_left("cost_if_left", "mean")),
            (Column(msg("cost if left, low"), "money", money), _if_left("cost_if_left", "low")),
            (Column(msg("cost if left, high"), "money", money), _if_left("cost_if_left", "high")),
            (Column(msg("next visit"), "date"), lambda line: line.next_visit),
            (Column(msg("left until"), "date"), lambda line: line.until),
            (Column(msg("beyond what the forecast tells")), lambda line: line.drawn_on),
        ),
        planned=True,
    )


def _if_left(name: str, end: str) -> Callable[[PlanLine], Cell]:
    def tell(line: PlanLine) -> Cell:
        spread = getattr(line, name)
        return None if spread is None else float(getattr(spread, end))

    return tell


def visits(plan: PlanTold) -> Table:
    """A row a visit that the plan uses."""
    columns: tuple[tuple[Column, Callable[[VisitLine], Cell]], ...] = (
        (Column(msg("vehicle")), lambda visit: visit.vehicle),
        (Column(msg("depot")), lambda visit: visit.depot),
        (Column(msg("day"), "date"), lambda visit: visit.day),
        (Column(msg("in the diary")), lambda visit: _("yes") if visit.planned else _("no: call it in")),
        (Column(msg("work"), "sentence"), work_words),
        (Column(msg("replace")), lambda visit: part_words(visit.replace) or None),
        (Column(msg("test")), lambda visit: part_words(visit.test) or None),
        (Column(msg("full set")), lambda visit: visit.whole_set),
        (Column(msg("expected cost"), "money", plan.currency), lambda visit: visit.cost),
        (Column(msg("expected work"), "hours"), lambda visit: visit.hours),
    )
    return table_of(msg("visits"), sorted(plan.visits, key=lambda one: (one.day, one.vehicle)), columns, planned=True)


def tests(plan: PlanTold) -> Table:
    """A row a test worth making, in the order told."""
    form, unit = _objective(plan)
    columns: tuple[tuple[Column, Callable[[TestLine], Cell]], ...] = (
        (Column(msg("vehicle")), lambda test: test.vehicle),
        (Column(msg("depot")), lambda test: test.depot),
        (Column(msg("day"), "date"), lambda test: test.day),
        (Column(msg("in the diary")), lambda test: _("yes") if test.planned else _("no: call it in")),
        (Column(msg("parts")), lambda test: part_words(test.parts)),
        (Column(msg("chance that one reads past the limit"), "percent"), lambda test: percent(test.fails)),
        (Column(msg("saves"), form, unit), lambda test: test.saves),
        (Column(msg("last test"), "date"), lambda test: test.last_test),
        (Column(msg("test again by"), "date"), lambda test: test.retest_by),
        (Column(msg("before warranty ends")), lambda test: test.before_warranty_ends),
    )
    return table_of(msg("tests"), plan.tests, columns)


def budgets(plan: PlanTold) -> Table:
    """A row a monthly budget, in the order told."""
    form, unit = _objective(plan)
    money = plan.currency

    def note(row: BudgetRow) -> Cell:
        if row.objective is None:
            return _("no plan under it")
        return _("as much as it takes") if row.budget is None else None

    return table_of(
        msg("budgets"),
        plan.budgets,
        (
            (Column(msg("budget a month"), "money", money), lambda row: row.budget),
            (Column(msg("note")), note),
            (Column(msg("all that is counted"), form, unit), lambda row: row.objective),
            (Column(msg("cost of waiting"), "money", money), lambda row: row.waiting_cost),
            (Column(msg("past the limit"), "km"), lambda row: row.km_beyond),
            (Column(msg("paid for work"), "money", money), lambda row: row.spend),
            (Column(msg("dearest month"), "money", money), lambda row: row.most_spent),
            (Column(msg("waiting avoided against the row above"), "money", money), lambda row: row.avoided_cost),
            (Column(msg("distance avoided against the row above"), "km"), lambda row: row.avoided_km),
            (Column(msg("proven gap"), "rate", "%"), lambda row: percent(row.gap)),
        ),
        planned=True,
    )


def other_ways(plan: PlanTold) -> Table:
    """A row a simple policy on the same footing."""
    form, unit = _objective(plan)
    columns: tuple[tuple[Column, Callable[[Rival], Cell]], ...] = (
        (Column(msg("way")), lambda rival: rival.name),
        (Column(msg("all that is counted"), form, unit), lambda rival: rival.objective),
        (Column(msg("cost of waiting"), "money", plan.currency), lambda rival: rival.waiting_cost),
        (Column(msg("past the limit"), "km"), lambda rival: rival.km_beyond),
        (Column(msg("paid for work"), "money", plan.currency), lambda rival: rival.spend),
    )
    return table_of(msg("other ways"), plan.rivals, columns, planned=True)


def road_failures(plan: PlanTold) -> Table:
    """A row a family and kind of part."""

    def rate(name: str, end: str) -> Callable[[KindFailures], Cell]:
        def tell(one: KindFailures) -> Cell:
            found: FailureRate | None = getattr(one.used, name)
            return None if found is None else float(getattr(found, end))

        return tell

    per = msg("per 10,000 km")
    columns: tuple[tuple[Column, Callable[[KindFailures], Cell]], ...] = (
        (Column(msg("family")), lambda one: one.family),
        (Column(msg("part")), lambda one: _(_PARTS[one.kind])),
        (Column(msg("past the limit, on top"), "rate", per), rate("beyond", "per_10000")),
        (Column(msg("past the limit, low"), "rate", per), rate("beyond", "low")),
        (Column(msg("past the limit, high"), "rate", per), rate("beyond", "high")),
        (Column(msg("from")), lambda one: _(_SOURCES[one.used.beyond_source])),
        (Column(msg("background"), "rate", per), rate("background", "per_10000")),
        (Column(msg("background, low"), "rate", per), rate("background", "low")),
        (Column(msg("background, high"), "rate", per), rate("background", "high")),
        (Column(msg("background from")), lambda one: _(_SOURCES[one.used.background_source])),
        (Column(msg("cost of one"), "money", plan.currency), lambda one: one.cost),
        (Column(msg("recorded"), "count"), lambda one: one.foretold.failures),
        (Column(msg("foretold"), "count"), lambda one: one.foretold.foretold),
        (Column(msg("not foretold"), "count"), lambda one: one.foretold.not_foretold),
        (Column(msg("not tested"), "count"), lambda one: one.foretold.not_tested),
        (Column(msg("driven short of the limit"), "km"), lambda one: one.km_below),
        (Column(msg("driven past the limit"), "km"), lambda one: one.km_beyond),
    )
    return table_of(msg("road failures"), plan.failures, columns)


def missing_figures(plan: PlanTold, parts: PartsTold | None) -> Table:
    """A row a figure that is not stated, with what it would change."""
    found = [(_("plan"), text) for text in plan.missing]
    found += [(_("parts"), text) for text in (parts.missing if parts is not None else ())]
    return table_of(
        msg("missing figures"),
        found,
        ((Column(msg("for")), lambda one: one[0]), (Column(msg("missing"), "sentence"), lambda one: one[1])),
    )


def not_planned(plan: PlanTold) -> Table:
    """A row a vehicle that is not planned."""
    return table_of(
        msg("not planned"),
        plan.left_out,
        ((Column(msg("vehicle")), lambda one: one[0]), (Column(msg("why"), "sentence"), lambda one: one[1])),
    )


def about(plan: PlanTold) -> Table:
    """What was planned, how good the plan is proven to be, or why there is none."""
    money = _("money ({currency})", currency=plan.currency) if plan.currency else _("money")
    told: list[tuple[str, str]] = [
        (_("as of"), plan.as_of.isoformat()),
        (_("months"), str(plan.months)),
        (_("vehicles"), str(plan.vehicles)),
        (_("counted in"), money if plan.in_money else _("km past the limit")),
    ]
    found = plan.schedule
    if isinstance(found, Schedule):
        told += [
            (_("all that is counted"), number(found.objective)),
            (_("no plan can go below"), number(found.bound)),
            (_("proven gap"), f"{number(100 * found.gap, 2)} %"),
            (_("search"), _("ended by itself") if found.proven else _("ended by its time")),
        ]
    told += [(_("no plan"), sentence) for sentence in no_plan_words(plan)]
    return table_of(
        msg("about"),
        told,
        ((Column(msg("what")), lambda one: one[0]), (Column(msg("is"), "sentence"), lambda one: one[1])),
    )


def _objective(plan: PlanTold) -> tuple[Form, str]:
    return ("money", plan.currency) if plan.in_money else ("km", "")

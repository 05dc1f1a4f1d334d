"""The tables of a plan: its lines, visits, tests, budgets, rivals, and what it lacks."""

from __future__ import annotations

from collections.abc import Callable

from pipelines.steps.failure_facts import KindFailures
from pipelines.steps.parts import PartsTold
from pipelines.steps.plan_told import PlanTold, Rival, TestLine, VisitLine
from pipelines.steps.plan_words import no_plan_words, part_words, why_now_words, why_part_words, work_words
from pipelines.steps.view_table import Cell, Column, Form, Table, percent, table_of
from wearlab.plan.budgets import BudgetRow
from wearlab.plan.lines import PlanLine
from wearlab.plan.road_failures import FailureRate
from wearlab.plan.schedule import Schedule


def lines(plan: PlanTold) -> Table:
    """A row a part that is dealt with, by day."""
    depots = {(visit.vehicle, visit.day): visit.depot for visit in plan.visits}
    money, in_money = plan.currency, plan.in_money
    order = sorted(plan.lines, key=lambda line: (line.day, line.vehicle))

    def depot(line: PlanLine) -> Cell:
        return depots.get((line.vehicle, line.day))

    return table_of(
        "plan",
        order,
        (
            (Column("vehicle"), lambda line: line.vehicle),
            (Column("depot"), depot),
            (Column("part"), lambda line: part_words([line.position])),
            (Column("day", "date"), lambda line: line.day),
            (Column("what"), lambda line: line.kind),
            (Column("why this part", "sentence"), why_part_words),
            (Column("why now", "sentence"), lambda line: why_now_words(line, in_money=in_money)),
            (Column("cost: all work of the day, or the test", "money", money), lambda line: line.cost),
            (Column("chance past the limit by then", "percent"), lambda line: percent(line.past_then)),
            (Column("chance of passing it before the next visit", "percent"), lambda line: percent(line.before_next)),
            (Column("passes early (1 in 20)", "date"), lambda line: line.cross_low),
            (Column("passes late (19 in 20)", "date"), lambda line: line.cross_high),
            (Column("past the limit if left", "km"), _if_left("km_if_left", "mean")),
            (Column("past the limit if left, low", "km"), _if_left("km_if_left", "low")),
            (Column("past the limit if left, high", "km"), _if_left("km_if_left", "high")),
            (Column("cost if left", "money", money), _if_left("cost_if_left", "mean")),
            (Column("cost if left, low", "money", money), _if_left("cost_if_left", "low")),
            (Column("cost if left, high", "money", money), _if_left("cost_if_left", "high")),
            (Column("next visit", "date"), lambda line: line.next_visit),
            (Column("left until", "date"), lambda line: line.until),
            (Column("beyond what the forecast tells"), lambda line: line.drawn_on),
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
        (Column("vehicle"), lambda visit: visit.vehicle),
        (Column("depot"), lambda visit: visit.depot),
        (Column("day", "date"), lambda visit: visit.day),
        (Column("in the diary"), lambda visit: "yes" if visit.planned else "no: call it in"),
        (Column("work", "sentence"), work_words),
        (Column("replace"), lambda visit: part_words(visit.replace) or None),
        (Column("test"), lambda visit: part_words(visit.test) or None),
        (Column("full set"), lambda visit: visit.whole_set),
        (Column("expected cost", "money", plan.currency), lambda visit: visit.cost),
        (Column("expected work", "hours"), lambda visit: visit.hours),
    )
    return table_of("visits", sorted(plan.visits, key=lambda one: (one.day, one.vehicle)), columns, planned=True)


def tests(plan: PlanTold) -> Table:
    """A row a test worth making, in the order told."""
    form, unit = _objective(plan)
    columns: tuple[tuple[Column, Callable[[TestLine], Cell]], ...] = (
        (Column("vehicle"), lambda test: test.vehicle),
        (Column("depot"), lambda test: test.depot),
        (Column("day", "date"), lambda test: test.day),
        (Column("in the diary"), lambda test: "yes" if test.planned else "no: call it in"),
        (Column("parts"), lambda test: part_words(test.parts)),
        (Column("chance that one reads past the limit", "percent"), lambda test: percent(test.fails)),
        (Column("saves", form, unit), lambda test: test.saves),
        (Column("last test", "date"), lambda test: test.last_test),
        (Column("test again by", "date"), lambda test: test.retest_by),
        (Column("before warranty ends"), lambda test: test.before_warranty_ends),
    )
    return table_of("tests", plan.tests, columns)


def budgets(plan: PlanTold) -> Table:
    """A row a monthly budget, in the order told."""
    form, unit = _objective(plan)
    money = plan.currency

    def note(row: BudgetRow) -> Cell:
        if row.objective is None:
            return "no plan under it"
        return "as much as it takes" if row.budget is None else None

    return table_of(
        "budgets",
        plan.budgets,
        (
            (Column("budget a month", "money", money), lambda row: row.budget),
            (Column("note"), note),
            (Column("all that is counted", form, unit), lambda row: row.objective),
            (Column("cost of waiting", "money", money), lambda row: row.waiting_cost),
            (Column("past the limit", "km"), lambda row: row.km_beyond),
            (Column("paid for work", "money", money), lambda row: row.spend),
            (Column("dearest month", "money", money), lambda row: row.most_spent),
            (Column("waiting avoided against the row above", "money", money), lambda row: row.avoided_cost),
            (Column("distance avoided against the row above", "km"), lambda row: row.avoided_km),
            (Column("proven gap", "rate", "%"), lambda row: percent(row.gap)),
        ),
        planned=True,
    )


def other_ways(plan: PlanTold) -> Table:
    """A row a simple policy on the same footing."""
    form, unit = _objective(plan)
    columns: tuple[tuple[Column, Callable[[Rival], Cell]], ...] = (
        (Column("way"), lambda rival: rival.name),
        (Column("all that is counted", form, unit), lambda rival: rival.objective),
        (Column("cost of waiting", "money", plan.currency), lambda rival: rival.waiting_cost),
        (Column("past the limit", "km"), lambda rival: rival.km_beyond),
        (Column("paid for work", "money", plan.currency), lambda rival: rival.spend),
    )
    return table_of("other ways", plan.rivals, columns, planned=True)


def road_failures(plan: PlanTold) -> Table:
    """A row a family and kind of part."""

    def rate(name: str, end: str) -> Callable[[KindFailures], Cell]:
        def tell(one: KindFailures) -> Cell:
            found: FailureRate | None = getattr(one.used, name)
            return None if found is None else float(getattr(found, end))

        return tell

    per = "per 10,000 km"
    columns: tuple[tuple[Column, Callable[[KindFailures], Cell]], ...] = (
        (Column("family"), lambda one: one.family),
        (Column("part"), lambda one: one.kind),
        (Column("past the limit, on top", "rate", per), rate("beyond", "per_10000")),
        (Column("past the limit, low", "rate", per), rate("beyond", "low")),
        (Column("past the limit, high", "rate", per), rate("beyond", "high")),
        (Column("from"), lambda one: one.used.beyond_source),
        (Column("background", "rate", per), rate("background", "per_10000")),
        (Column("background, low", "rate", per), rate("background", "low")),
        (Column("background, high", "rate", per), rate("background", "high")),
        (Column("background from"), lambda one: one.used.background_source),
        (Column("cost of one", "money", plan.currency), lambda one: one.cost),
        (Column("recorded", "count"), lambda one: one.foretold.failures),
        (Column("foretold", "count"), lambda one: one.foretold.foretold),
        (Column("not foretold", "count"), lambda one: one.foretold.not_foretold),
        (Column("not tested", "count"), lambda one: one.foretold.not_tested),
        (Column("driven short of the limit", "km"), lambda one: one.km_below),
        (Column("driven past the limit", "km"), lambda one: one.km_beyond),
    )
    return table_of("road failures", plan.failures, columns)


def missing_figures(plan: PlanTold, parts: PartsTold | None) -> Table:
    """A row a figure that is not stated, with what it would change."""
    found = [("plan", text) for text in plan.missing]
    found += [("parts", text) for text in (parts.missing if parts is not None else ())]
    return table_of(
        "missing figures",
        found,
        ((Column("for"), lambda one: one[0]), (Column("missing", "sentence"), lambda one: one[1])),
    )


def not_planned(plan: PlanTold) -> Table:
    """A row a vehicle that is not planned."""
    return table_of(
        "not planned",
        plan.left_out,
        ((Column("vehicle"), lambda one: one[0]), (Column("why", "sentence"), lambda one: one[1])),
    )


def about(plan: PlanTold) -> Table:
    """What was planned, how good the plan is proven to be, or why there is none."""
    counted = f"money{f' ({plan.currency})' if plan.currency else ''}" if plan.in_money else "km past the limit"
    told: list[tuple[str, str]] = [
        ("as of", plan.as_of.isoformat()),
        ("months", str(plan.months)),
        ("vehicles", str(plan.vehicles)),
        ("counted in", counted),
    ]
    found = plan.schedule
    if isinstance(found, Schedule):
        told += [
            ("all that is counted", f"{found.objective:,.0f}"),
            ("no plan can go below", f"{found.bound:,.0f}"),
            ("proven gap", f"{100 * found.gap:.2f} %"),
            ("search", "ended by itself" if found.proven else "ended by its time"),
        ]
    told += [("no plan", sentence) for sentence in no_plan_words(plan)]
    return table_of(
        "about", told, ((Column("what"), lambda one: one[0]), (Column("is", "sentence"), lambda one: one[1]))
    )


def _objective(plan: PlanTold) -> tuple[Form, str]:
    return ("money", plan.currency) if plan.in_money else ("km", "")

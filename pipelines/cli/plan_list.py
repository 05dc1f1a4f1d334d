"""The plan as it is printed: what to do at which visit and why, what to order, and what other ways would cost."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipelines.cli.common import console, table
from wearlab.language import _

if TYPE_CHECKING:
    from pipelines.steps.parts import PartsTold
    from pipelines.steps.plan_told import PlanTold, TestLine
    from wearlab.plan.lines import PlanLine

#: days of what comes first
_NEXT_MONTH = 31


def print_plan(told: PlanTold, parts: PartsTold, most: int) -> None:
    """Print the plan: work by visit, tests, parts to order, other ways, budgets, and what is missing."""
    from pipelines.steps.plan_words import no_plan_words
    from wearlab.charts.words import day_words

    out = console()
    out.print(
        f"What to pull in, test and replace in the {told.months} months from {day_words(told.as_of)}.", style="bold"
    )
    why_none = no_plan_words(told)
    for sentence in why_none or (_summed(told),):
        out.print(sentence)
    if not why_none:
        _print_visits(told, most)
        _print_reasons(told, most)
    out.print("")
    print_tests(told, most, heading="Tests")
    _print_orders(told, parts)
    _print_ways(told)
    _print_missing(told, most)
    _print_cautions(told)


def print_tests(told: PlanTold, most: int, heading: str = "") -> None:
    """Print which vehicle to test at which visit, those whose test decides most first."""
    from wearlab.charts.words import day_words

    out = console()
    if heading:
        out.print(heading, style="bold")
    else:
        out.print(f"Which vehicle to test when, as of {day_words(told.as_of)}.", style="bold")
    if not told.tests:
        out.print("No test is due within the plan.")
        return
    shown = told.tests[:most] if most else told.tests
    unit = told.currency if told.in_money else "km past the limit"
    rows = [_test_cells(one) for one in shown]
    heads = ["vehicle", "depot", "test on", "parts", "one reads past", f"saves, {unit}".rstrip(", "), "why"]
    out.print(table("", heads, rows, right=(4, 5), whole=(0, 2)))
    _print_more(len(told.tests) - len(shown))


def _summed(told: PlanTold) -> str:
    from wearlab.plan.schedule import Schedule

    made = told.schedule
    assert isinstance(made, Schedule)
    cars = len({one.vehicle for one in told.visits})
    replaced = sum(len(one.replace) for one in told.visits)
    spend = sum(one.cost or 0.0 for one in told.visits)
    km = sum(one.km_beyond for one in made.chosen)
    told_of = f"{_count(replaced, 'part')} to replace on {_count(cars, 'vehicle')} of {told.vehicles}"
    money = f", {_sum(spend, told.currency)} of work" if spend else ""
    waits = [one.waiting_cost for one in made.chosen]
    risk = ""
    if told.in_money:
        risk = f" and about {_sum(sum(one or 0.0 for one in waits), told.currency)} of road failures past a limit"
    best = "No plan under these rules is better"
    best += "." if made.gap < 5e-5 else f" by more than {100 * made.gap:.2g} %."
    proof = best if made.proven else f"The search ran out of time: another plan may be better by up to {made.gap:.1%}."
    return f"{told_of}{money}; what is left to risk: {km:,.0f} km past a limit{risk}. {proof}"


def _print_visits(told: PlanTold, most: int) -> None:
    from pipelines.steps.plan_words import work_words

    out = console()
    for heading, wanted in ((f"In the next {_NEXT_MONTH} days", True), ("Later", False)):
        visits = [one for one in told.visits if ((one.day - told.as_of).days <= _NEXT_MONTH) == wanted]
        if not visits:
            continue
        shown = visits[:most] if most else visits
        rows = [
            [
                one.vehicle,
                one.depot,
                f"{one.day:%Y-%m-%d}",
                "in the diary" if one.planned else "call it in",
                work_words(one),
                "-" if one.hours is None else f"{one.hours:.1f}",
                "-" if one.cost is None else f"{one.cost:,.0f}",
            ]
            for one in shown
        ]
        out.print("")
        heads = ["vehicle", "depot", "day", "visit", "work", "hours", f"cost, {told.currency}".rstrip(", ")]
        out.print(table(heading, heads, rows, right=(5, 6), whole=(0, 2, 3)))
        _print_more(len(visits) - len(shown))


def _print_reasons(told: PlanTold, most: int) -> None:
    from pipelines.steps.plan_words import left_words, part_words, why_now_words, why_part_words

    out = console()
    lines = told.lines[:most] if most else told.lines
    if not lines:
        return
    out.print("")
    out.print("Why, and what waiting means", style="bold")
    for line in lines:
        words = [why_part_words(line), why_now_words(line, in_money=told.in_money), left_words(line, told.currency)]
        between = _between(line)
        out.print(f"- {line.vehicle} {part_words([line.position])}: {' '.join(one for one in words if one)}{between}")
    _print_more(len(told.lines) - len(lines))


def _between(line: PlanLine) -> str:
    from wearlab.charts.words import day_words

    if line.cross_low is None or line.why_part == "past limit":
        return ""
    late = "perhaps never" if line.cross_high is None else day_words(line.cross_high)
    return f" It passes its limit between {day_words(line.cross_low)} and {late}, 9 in 10."


def _test_cells(one: TestLine) -> list[str]:
    from wearlab.forecast.chance_words import chance_words

    return [
        one.vehicle,
        one.depot,
        f"{one.day:%Y-%m-%d}",
        _set_words(one.parts),
        chance_words(one.fails),
        f"{one.saves:,.0f}" if one.saves > 0 else "-",
        _why_test(one),
    ]


def _set_words(positions: tuple[str, ...]) -> str:
    from wearlab.records import PUMP

    injectors = [one for one in positions if one != PUMP]
    words = [f"injectors {', '.join(injectors)}" if len(injectors) > 1 else f"injector {injectors[0]}"] * bool(
        injectors
    )
    return " and ".join([*words, *(["pump"] if PUMP in positions else [])])


def _why_test(one: TestLine) -> str:
    if one.saves > 0:
        return "decides what is replaced"
    if one.before_warranty_ends:
        return "last visit before the warranty ends"
    return f"due by {one.retest_by:%Y-%m-%d}" if one.retest_by else "due"


def _print_orders(told: PlanTold, parts: PartsTold) -> None:
    rows = [
        [one.name, str(one.order.order), f"{one.whole.mean:.1f}", f"{one.whole.p90}"]
        for one in parts.numbers
        if one.order is not None and one.order.order
    ]
    out = console()
    out.print("")
    if rows:
        heads = ["part number", "order now", f"needed in {told.months} months", "enough in 9 of 10"]
        out.print(table("Parts to order", heads, rows, right=(1, 2, 3)))
    else:
        out.print("Parts: nothing to order now, as far as stock and lead times are known.")
    out.print("Month by month, and why: wearlab parts", style="dim")


def _print_ways(told: PlanTold) -> None:
    from wearlab.plan.schedule import Schedule

    out = console()
    made = told.schedule
    if not isinstance(made, Schedule) or not told.rivals:
        return
    in_all = "all that is counted" + (f", {told.currency}" if told.in_money and told.currency else "")
    km = sum(one.km_beyond for one in made.chosen)
    spend = float(sum(one.spend.sum() for one in made.chosen))
    rows = [["this plan", f"{made.objective:,.0f}", f"{km:,.0f}", f"{spend:,.0f}"]]
    rows += [[one.name, f"{one.objective:,.0f}", f"{one.km_beyond:,.0f}", f"{one.spend:,.0f}"] for one in told.rivals]
    out.print("")
    out.print(table("Other ways, counted alike", ["way", in_all, "km past a limit", "work"], rows, right=(1, 2, 3)))
    note = (
        "Counted: expected road failures past a limit, and work, each new part by the share of its life that falls "
        "within the plan."
        if told.in_money
        else "Counted: km past a limit, and km of life thrown away where a part comes out early."
    )
    out.print(f"{note} The other ways keep to no rule.", style="dim")
    if told.budgets:
        rows = [
            [
                "as much as it takes" if one.budget is None else f"{one.budget:,.0f}",
                "no plan" if one.objective is None else f"{one.objective:,.0f}",
                "-" if one.km_beyond is None else f"{one.km_beyond:,.0f}",
                "-" if one.avoided_km is None else f"{one.avoided_km:,.0f}",
                "-" if one.avoided_cost is None else f"{one.avoided_cost:,.0f}",
            ]
            for one in told.budgets
        ]
        heads = ["budget a month", in_all, "km past a limit", "km avoided", "cost avoided"]
        out.print("")
        out.print(table("What more money would avoid", heads, rows, right=(0, 1, 2, 3, 4)))
        out.print("Avoided: of driving past a limit, and of what that costs, against the line before.", style="dim")


def _print_missing(told: PlanTold, most: int) -> None:
    out = console()
    foretold = sum(one.foretold.foretold for one in told.failures)
    failures = sum(one.foretold.failures for one in told.failures)
    if failures:
        out.print("")
        unseen = sum(one.foretold.not_tested for one in told.failures)
        more = f", {unseen} came before any forecast was made" if unseen else ""
        out.print(f"Of {_count(failures, 'recorded road failure')} by parts, tests had foretold {foretold}{more}.")
    if told.missing:
        out.print("")
        out.print("Not stated, and what it would change", style="bold")
        for sentence in told.missing:
            out.print(f"- {sentence}")
    if told.left_out:
        out.print("")
        out.print("Not planned", style="bold")
        shown = told.left_out[:most] if most else told.left_out
        for vehicle, reason in shown:
            out.print(f"- {vehicle}: {reason}")
        _print_more(len(told.left_out) - len(shown))


def _print_cautions(told: PlanTold) -> None:
    from wearlab.records import PUMP
    from wearlab.study.cautions import CLEAN, LINES, PLANS_ONLY, SKIN, TRIM

    out = console()
    out.print("")
    out.print("Take care", style="bold")
    injectors = any(position != PUMP for one in told.visits for position in one.replace)
    for sentence in (*((SKIN, LINES, CLEAN) if told.visits else ()), *((TRIM,) if injectors else ()), PLANS_ONLY):
        out.print(f"- {_(sentence)}")


def _print_more(left: int) -> None:
    if left > 0:
        console().print(f"({left} more: --most 0)")


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _sum(value: float, currency: str) -> str:
    return f"{value:,.0f}{f' {currency}' if currency else ''}"

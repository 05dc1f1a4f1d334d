"""What a plan says of a part, a visit and a rule, in short sentences that the command and the files share."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from pipelines.steps.plan_told import PlanTold, VisitLine
from wearlab.charts.words import day_words, position_words
from wearlab.forecast.chance_words import chance_words
from wearlab.plan.crossing_law import Spread
from wearlab.plan.fleet import Frame
from wearlab.plan.lines import PlanLine
from wearlab.plan.schedule import Bite, Infeasible, Schedule
from wearlab.records import PUMP

_RULES = {
    "bay hours": "the bay hours",
    "budget": "the monthly budget",
    "apart": "the vehicles that must not be in the workshop together",
    "most chance": "the cap on the chance of being past the limit",
}
#: places of a rule that are named; the others are counted
_PLACES = 4
#: weeks are counted from the Monday with this ordinal
_FIRST_MONDAY = 1


def part_words(positions: Iterable[str]) -> str:
    """Return "injectors 1 and 3 and pump" for 1, 3 and the pump, cylinders by number."""
    given = list(dict.fromkeys(positions))
    cylinders = sorted((place for place in given if place.isdecimal()), key=int)
    if len(cylinders) > 1:
        told = [f"injectors {', '.join(cylinders[:-1])} and {cylinders[-1]}"]
    else:
        told = [position_words(place) for place in cylinders]
    others = sorted({position_words(place) for place in given if not place.isdecimal()})
    return " and ".join((*told, *others))


def work_words(visit: VisitLine) -> str:
    """Return what is done at a visit: "replace injector 3; test the set"; empty where nothing is."""
    told = []
    if visit.replace:
        pump = [PUMP] if PUMP in visit.replace else []
        told.append(f"replace {' and '.join(['full set', *pump]) if visit.whole_set else part_words(visit.replace)}")
    if visit.test:
        sets = ["set"] if any(place != PUMP for place in visit.test) else []
        told.append(f"test the {' and '.join([*sets, *([PUMP] if PUMP in visit.test else [])])}")
    return "; ".join(told)


def why_part_words(line: PlanLine) -> str:
    """Return why this part, as a sentence."""
    if line.why_part == "past limit":
        return "Its last test reads past the limit."
    if line.why_part == "with the set":
        return f"It comes out with the full set{_chance('; by itself it could stay: past the limit by ', line)}."
    if line.why_part == "past by then":
        return f"Chance of being past the limit on {day_words(line.day)}: {_told(line.past_then)}."
    if line.why_part == "a test decides":
        return (
            f"The test decides: chance of being past the limit {_told(line.past_then)} on that day, "
            f"{_told(line.by_next)} by {_until(line)}."
        )
    return f"Chance of being past the limit by {_until(line)}: {_told(line.by_next)}."


def why_now_words(line: PlanLine, *, in_money: bool) -> str:
    """Return why on this day, as a sentence."""
    if line.why_now == "last before leaving":
        return "No later visit before the vehicle leaves."
    if line.why_now == "before warranty ends":
        return "Its warranty ends before the next visit."
    if line.why_now == "first it can be there":
        return "The first visit by which a new part can be there."
    if line.why_now == "only visit":
        return "The only known visit by which a new part can be there."
    if in_money:
        return "The cheapest of the days that the rules of the plan leave, waiting counted."
    return (
        "Of the days that the rules of the plan leave, the best balance of distance past the limit and part life lost."
    )


def left_words(line: PlanLine, currency: str) -> str:
    """Return what leaving the part until the next visit means, as a sentence; empty where it cannot be told."""
    told = []
    if line.km_if_left is not None:
        told.append(f"{_about(line.km_if_left)} km past the limit")
    if line.cost_if_left is not None:
        told.append(f"road failures for {_about(line.cost_if_left)}{f' {currency}' if currency else ''}")
    if not told:
        return ""
    drawn = "; that day lies beyond what the forecast tells" if line.drawn_on else ""
    return f"Left until {_until(line)}: about {', and '.join(told)}{drawn}."


def no_plan_words(plan: PlanTold) -> tuple[str, ...]:
    """Return why there is no plan, a sentence a reason; nothing where there is one."""
    found = plan.schedule
    if isinstance(found, Schedule):
        return ()
    if not isinstance(found, Infeasible):
        return (f"No plan: {found.reason.rstrip('.')}.",)
    return ("No plan keeps all of its rules.", *(_bite(bite, plan) for bite in found.bites))


def _bite(bite: Bite, plan: PlanTold) -> str:
    rule = _RULES[bite.rule]
    if not bite.enough:
        return f"Without {rule} there is still none."
    if bite.least is None:
        return f"Without {rule} there is one; by how much it has to give was not found."
    if bite.rule == "most chance":
        much = f"it has to rise by {bite.least:.3g}"
    elif bite.rule == "apart":
        much = f"{bite.least:.0f} of them too many in a week"
    else:
        unit = "h" if bite.rule == "bay hours" else plan.currency
        much = f"it has to give by {bite.least:,.0f} {unit}".rstrip() + " in all"
    named = [_place(bite.rule, place, plan) for place in bite.places[:_PLACES]]
    more = len(bite.places) - len(named)
    where = f" ({', '.join(named)}{f' and {more} more' if more else ''})" if named else ""
    return f"Without {rule} there is one: {much}{where}."


def _place(rule: str, place: str, plan: PlanTold) -> str:
    """A month of the plan by its first day, a week by its Monday."""
    if rule in ("bay hours", "budget"):
        depot, _, month = place.rpartition(" ")
        first = Frame(plan.as_of, plan.months).start(int(month))
        return f"{depot}{' ' if depot else ''}month from {day_words(first)}"
    if rule == "apart":
        group, _, week = place.rpartition(" in week ")
        return f"{group} in the week of {day_words(date.fromordinal(7 * int(week) + _FIRST_MONDAY))}"
    return place


def _until(line: PlanLine) -> str:
    return f"{day_words(line.until)}, {'the next visit' if line.next_visit else 'with no later visit known'}"


def _chance(lead: str, line: PlanLine) -> str:
    return "" if line.by_next is None else f"{lead}{_until(line)}, {chance_words(line.by_next)}"


def _told(chance: float | None) -> str:
    return "not told" if chance is None else chance_words(chance)


def _about(spread: Spread) -> str:
    """The mean with its interval where that says more."""
    mean, low, high = _rough(spread.mean), _rough(spread.low), _rough(spread.high)
    return f"{mean} ({low} to {high})" if low != high and spread.low <= spread.mean <= spread.high else mean


def _rough(value: float) -> str:
    """Two figures, of what is below ten none behind the point."""
    size = 10 ** max(len(f"{abs(value):.0f}") - 2, 0)
    return f"{round(value / size) * size:,.0f}"

"""What a plan says of a part, a visit and a rule, in short sentences that the command and the files share."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from pipelines.steps.plan_told import PlanTold, VisitLine
from wearlab.charts.words import day_words, position_words
from wearlab.forecast.chance_words import chance_words
from wearlab.language import _, listed, localised, msg, number
from wearlab.plan.crossing_law import Spread
from wearlab.plan.fleet import Frame
from wearlab.plan.lines import PlanLine
from wearlab.plan.schedule import Bite, Infeasible, Schedule
from wearlab.records import PUMP

_RULES = {
    "bay hours": msg("the bay hours"),
    "budget": msg("the monthly budget"),
    "apart": msg("the vehicles that must not be in the workshop together"),
    "most chance": msg("the cap on the chance of being past the limit"),
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
        told = [_("injectors {numbers}", numbers=listed(cylinders))]
    else:
        told = [position_words(place) for place in cylinders]
    others = sorted({position_words(place) for place in given if not place.isdecimal()})
    return and_words((*told, *others))


def and_words(texts: Iterable[str]) -> str:
    """Return "a and b and c"; nothing for nothing."""
    told, *others = tuple(texts) or ("",)
    for other in others:
        told = _("{first} and {last}", first=told, last=other)
    return told


def work_words(visit: VisitLine) -> str:
    """Return what is done at a visit: "replace injector 3; test the set"; empty where nothing is."""
    told = []
    if visit.replace:
        if not visit.whole_set:
            told.append(_("replace {parts}", parts=part_words(visit.replace)))
        else:
            told.append(_("replace full set and pump") if PUMP in visit.replace else _("replace full set"))
    if visit.test:
        if PUMP not in visit.test:
            told.append(_("test the set"))
        else:
            sets = any(place != PUMP for place in visit.test)
            told.append(_("test the set and pump") if sets else _("test the pump"))
    return "; ".join(told)


def why_part_words(line: PlanLine) -> str:
    """Return why this part, as a sentence."""
    if line.why_part == "past limit":
        return _("Its last test reads past the limit.")
    if line.why_part == "with the set":
        if line.by_next is None:
            return _("It comes out with the full set.")
        return _(
            "It comes out with the full set; by itself it could stay: past the limit by {until}, {chance}.",
            until=_until(line),
            chance=chance_words(line.by_next),
        )
    if line.why_part == "past by then":
        return _(
            "Chance of being past the limit on {day}: {chance}.", day=day_words(line.day), chance=_told(line.past_then)
        )
    if line.why_part == "a test decides":
        return _(
            "The test decides: chance of being past the limit {then} on that day, {later} by {until}.",
            then=_told(line.past_then),
            later=_told(line.by_next),
            until=_until(line),
        )
    return _("Chance of being past the limit by {until}: {chance}.", until=_until(line), chance=_told(line.by_next))


def why_now_words(line: PlanLine, *, in_money: bool) -> str:
    """Return why on this day, as a sentence."""
    if line.why_now == "last before leaving":
        return _("No later visit before the vehicle leaves.")
    if line.why_now == "before warranty ends":
        return _("Its warranty ends before the next visit.")
    if line.why_now == "first it can be there":
        return _("The first visit by which a new part can be there.")
    if line.why_now == "only visit":
        return _("The only known visit by which a new part can be there.")
    if in_money:
        return _("The cheapest of the days that the rules of the plan leave, waiting counted.")
    return _(
        "Of the days that the rules of the plan leave, the best balance of distance past the limit and part life lost."
    )


def left_words(line: PlanLine, currency: str) -> str:
    """Return what leaving the part until the next visit means, as a sentence; empty where it cannot be told."""
    km = "" if line.km_if_left is None else _about(line.km_if_left)
    money = "" if line.cost_if_left is None else f"{_about(line.cost_if_left)} {currency}".rstrip()
    if km and money:
        told = _(
            "Left until {until}: about {km} km past the limit, and road failures for {money}",
            until=_until(line),
            km=km,
            money=money,
        )
    elif km:
        told = _("Left until {until}: about {km} km past the limit", until=_until(line), km=km)
    elif money:
        told = _("Left until {until}: about road failures for {money}", until=_until(line), money=money)
    else:
        return ""
    drawn = "; " + _("that day lies beyond what the forecast tells") if line.drawn_on else ""
    return f"{told}{drawn}."


def no_plan_words(plan: PlanTold) -> tuple[str, ...]:
    """Return why there is no plan, a sentence a reason; nothing where there is one."""
    found = plan.schedule
    if isinstance(found, Schedule):
        return ()
    if not isinstance(found, Infeasible):
        return (_("No plan: {reason}.", reason=found.reason.rstrip(".")),)
    return (_("No plan keeps all of its rules."), *(_bite(bite, plan) for bite in found.bites))


def _bite(bite: Bite, plan: PlanTold) -> str:
    rule = _(_RULES[bite.rule])
    if not bite.enough:
        return _("Without {rule} there is still none.", rule=rule)
    if bite.least is None:
        return _("Without {rule} there is one; by how much it has to give was not found.", rule=rule)
    if bite.rule == "most chance":
        much = _("it has to rise by {chance}", chance=localised(f"{bite.least:.3g}"))
    elif bite.rule == "apart":
        much = _("{n} of them too many in a week", n=number(bite.least))
    else:
        unit = "h" if bite.rule == "bay hours" else plan.currency
        much = _("it has to give by {amount} in all", amount=f"{number(bite.least)} {unit}".rstrip())
    named = [_place(bite.rule, place, plan) for place in bite.places[:_PLACES]]
    more = len(bite.places) - len(named)
    if more:
        named[-1] = _("{place} and {n} more", place=named[-1], n=number(more))
    where = f" ({', '.join(named)})" if named else ""
    return _("Without {rule} there is one: {much}.", rule=rule, much=f"{much}{where}")


def _place(rule: str, place: str, plan: PlanTold) -> str:
    """A month of the plan by its first day, a week by its Monday."""
    if rule in ("bay hours", "budget"):
        depot, _gap, month = place.rpartition(" ")
        first = Frame(plan.as_of, plan.months).start(int(month))
        if not depot:
            return _("month from {day}", day=day_words(first))
        return _("{depot} month from {day}", depot=depot, day=day_words(first))
    if rule == "apart":
        group, _gap, week = place.rpartition(" in week ")
        monday = date.fromordinal(7 * int(week) + _FIRST_MONDAY)
        return _("{group} in the week of {day}", group=group, day=day_words(monday))
    return place


def _until(line: PlanLine) -> str:
    day = day_words(line.until)
    if line.next_visit:
        return _("{day}, the next visit", day=day)
    return _("{day}, with no later visit known", day=day)


def _told(chance: float | None) -> str:
    return _("not told") if chance is None else chance_words(chance)


def _about(spread: Spread) -> str:
    """The mean with its interval where that says more."""
    mean, low, high = _rough(spread.mean), _rough(spread.low), _rough(spread.high)
    if low == high or not spread.low <= spread.mean <= spread.high:
        return mean
    return _("{mean} ({low} to {high})", mean=mean, low=low, high=high)


def _rough(value: float) -> str:
    """Two figures, of what is below ten none behind the point."""
    size = 10 ** max(len(f"{abs(value):.0f}") - 2, 0)
    return number(round(value / size) * size)

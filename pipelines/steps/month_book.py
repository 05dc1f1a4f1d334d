"""What to book in the months ahead, visit by visit, and what presses although no visit deals with it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from pipelines.steps.plan_told import PlanTold, VisitLine
from pipelines.steps.plan_words import left_words, no_plan_words, part_words, why_now_words, why_part_words, work_words
from wearlab.charts.words import day_words, levels_words, limit_words, month_words, position_words, when_words
from wearlab.forecast.chance_words import chance_words
from wearlab.language import _, _n, number
from wearlab.pack.first_page import BookMonth, BookPart, BookRow, NotBooked
from wearlab.pack.order import urgency
from wearlab.pack.pictures import position_order
from wearlab.plan.crossing_law import CrossingLaw, Spread
from wearlab.plan.fleet import Frame
from wearlab.plan.lines import PlanLine
from wearlab.records import PUMP, State

#: months that the first page books for: this one and the next two
MONTHS = 3

#: forecast rows of a run by vehicle
Forecasts = Mapping[str, Sequence[Mapping[str, Any]]]


def months_ahead(as_of: date) -> tuple[date, ...]:
    """Return the first days of the months to book for; on the last day of a month the next one is the first."""
    start = as_of + timedelta(days=1)
    turns = [divmod(start.month - 1 + ahead, 12) for ahead in range(MONTHS)]
    return tuple(date(start.year + years, turn + 1, 1) for years, turn in turns)


def window_end(as_of: date) -> date:
    """Return the last day of the last month to book for."""
    last = months_ahead(as_of)[-1]
    return date(last.year + last.month // 12, last.month % 12 + 1, 1) - timedelta(days=1)


def book_months(plan: PlanTold, forecasts: Forecasts) -> tuple[BookMonth, ...]:
    """Return the months with their visits by day; months in which nothing is to be done are told as such."""
    lines: dict[tuple[str, date], list[PlanLine]] = defaultdict(list)
    for line in plan.lines:
        lines[line.vehicle, line.day].append(line)
    found = []
    for first in months_ahead(plan.as_of):
        # a visit on the day of the plan belongs to the first month even when that day ends the month before
        own = [one for one in plan.visits if _month(max(one.day, plan.as_of + timedelta(days=1))) == first]
        rows = tuple(_row(one, lines[one.vehicle, one.day], first, plan, forecasts) for one in own)
        found.append(BookMonth(first, month_words(first), _sum(rows, own, plan), rows))
    return tuple(found)


def not_booked(plan: PlanTold, forecasts: Forecasts) -> tuple[NotBooked, ...]:
    """Return the parts past their limit, or to be booked, that no visit up to the window's end deals with."""
    end = window_end(plan.as_of)
    dealt: dict[tuple[str, str], PlanLine] = {}
    for line in sorted(plan.lines, key=lambda one: one.day):
        dealt.setdefault((line.vehicle, line.position), line)
    left = dict(plan.left_out)
    found = []
    for row in pressing(row for rows in forecasts.values() for row in rows):
        if row["state"] not in (State.PAST_LIMIT, State.BOOK):
            continue
        line_of = dealt.get((row["vehicle"], row["position"]))
        if line_of is not None and line_of.day <= end:
            continue
        found.append(
            NotBooked(
                vehicle=row["vehicle"],
                position=row["position"],
                words=position_words(row["position"]),
                state=str(row["state"]),
                when=when_words(row["date_p10"], row["date_p50"], row["date_p90"], plan.as_of),
                why=_why_not(row, line_of, left.get(row["vehicle"]), plan),
            )
        )
    return tuple(found)


def pressing(rows: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return one row of every part, its most pressing; parts sorted alike.

    A test without a limit speaks only when nothing else does.
    """
    first: dict[tuple[str, str], Mapping[str, Any]] = {}
    for row in sorted(rows, key=lambda one: (one["state"] == State.NO_LIMIT, *_order(one))):
        first.setdefault((row["vehicle"], row["position"]), row)
    return sorted(first.values(), key=_order)


def _order(row: Mapping[str, Any]) -> tuple[Any, ...]:
    return (
        urgency(row["state"]),
        row["date_p50"] or date.max,
        row["date_p10"] or date.max,
        row["vehicle"],
        position_order(row["position"]),
        row["measure"],
        row["protocol"],
    )


def _month(day: date) -> date:
    return day.replace(day=1)


def _row(visit: VisitLine, lines: Sequence[PlanLine], month: date, plan: PlanTold, forecasts: Forecasts) -> BookRow:
    told = [(line, _decider(line, plan, forecasts.get(visit.vehicle, ()))) for line in lines]
    told.sort(
        key=lambda pair: (urgency(_state(pair[1])), pair[0].cross_low or date.max, position_order(pair[0].position))
    )
    parts = tuple(_part(line, row, plan) for line, row in told)
    main = parts[0] if parts else None
    return BookRow(
        vehicle=visit.vehicle,
        depot=visit.depot,
        month=month,
        day=visit.day,
        in_diary=visit.planned,
        visit=_("in the diary") if visit.planned else _("call it in"),
        work=work_words(visit),
        parts_words=part_words(line.position for line in lines),
        state=main.state if main else None,
        p10=main.p10 if main else None,
        p50=main.p50 if main else None,
        p90=main.p90 if main else None,
        when=main.when if main else "",
        reason=why_part_words(told[0][0]) if told else "",
        waiting=_waiting([line for line, _ in told], plan.currency),
        cost=visit.cost,
        cost_words=_("not known") if visit.cost is None else f"{number(visit.cost)} {plan.currency}".rstrip(),
        hours=visit.hours,
        parts=parts,
    )


def _part(line: PlanLine, row: Mapping[str, Any] | None, plan: PlanTold) -> BookPart:
    p10, p50, p90 = (None if row is None else row[name] for name in ("date_p10", "date_p50", "date_p90"))
    return BookPart(
        position=line.position,
        part="" if row is None else row["part"],
        words=position_words(line.position),
        state=_state(row),
        p10=p10,
        p50=p50,
        p90=p90,
        when=when_words(p10, p50, p90, plan.as_of),
        rule=_rule(row),
        reason=f"{why_part_words(line)} {why_now_words(line, in_money=plan.in_money)}",
        waiting=left_words(line, plan.currency),
        level=_level(row),
    )


def _decider(line: PlanLine, plan: PlanTold, rows: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """The forecast that the plan deals with the part by: the limit likeliest to be passed within it."""
    end = Frame(plan.as_of, plan.months).start(plan.months)
    own = [row for row in rows if row["position"] == line.position]
    laws = [(law, row) for row in own if (law := CrossingLaw.of(row.get, plan.as_of)) is not None]
    if laws:
        return max(laws, key=lambda pair: pair[0].chance_by(end))[1]
    return min(own, key=_order, default=None)


def _state(row: Mapping[str, Any] | None) -> str | None:
    return None if row is None else str(row["state"])


def _rule(row: Mapping[str, Any] | None) -> str:
    if row is None or row["rule"] is None or row["limit"] is None:
        return ""
    places = {
        "rule": row["rule"],
        "limit": limit_words(row["limit"], row["unit"]),
        "version": row["limit_version"],
    }
    if row["direction"] == "below":
        return _("{rule}, at least {limit} (version {version})", **places)
    return _("{rule}, at most {limit} (version {version})", **places)


def _level(row: Mapping[str, Any] | None) -> str:
    if row is None or row["level"] is None:
        return ""
    ends = [row[name] for name in ("level_low", "level_high") if row[name] is not None]
    told = levels_words(row["level"], *ends)
    if len(told) != 3:
        return f"{told[0]} {row['unit']}"
    return _("{level} {unit} ({low} to {high})", level=told[0], unit=row["unit"], low=told[1], high=told[2])


def _waiting(lines: Sequence[PlanLine], currency: str) -> str:
    """What leaving all parts of a visit until the next one means, as one sentence."""
    known = [line for line in lines if line.km_if_left is not None or line.cost_if_left is not None]
    if len(known) < 2:
        return left_words(known[0], currency) if known else ""
    whole = replace(
        known[0],
        km_if_left=_together([line.km_if_left for line in known]),
        cost_if_left=_together([line.cost_if_left for line in known]),
        drawn_on=any(line.drawn_on for line in known),
    )
    return _("{left} ({n} parts together).", left=left_words(whole, currency).removesuffix("."), n=number(len(known)))


def _together(spreads: Sequence[Spread | None]) -> Spread | None:
    """The sum; its ends are sums of ends, as of parts that are early and late together: no interval is wider."""
    known = [one for one in spreads if one is not None]
    if not known:
        return None
    return Spread(sum(one.mean for one in known), sum(one.low for one in known), sum(one.high for one in known))


def _sum(rows: Sequence[BookRow], visits: Sequence[VisitLine], plan: PlanTold) -> str:
    if not rows:
        return _("Nothing is to be replaced.")
    replaced = sum(len(one.replace) for one in visits)
    told = [
        _n("{n} visit", "{n} visits", len(rows)),
        _n("{n} part to replace", "{n} parts to replace", replaced),
    ]
    tested = sum(bool(one.test) for one in visits)
    if tested:
        told.append(_n("{n} whose test decides", "{n} whose test decides", tested))
    priced = [one.cost for one in visits if one.cost is not None]
    if priced:
        money = f"{number(sum(priced))} {plan.currency}".rstrip()
        lacking = len(visits) - len(priced)
        if lacking:
            told.append(_("{money} of work ({n} without a price)", money=money, n=number(lacking)))
        else:
            told.append(_("{money} of work", money=money))
    hours = [one.hours for one in visits if one.hours is not None]
    if hours:
        told.append(_("{hours} h in the bay", hours=number(sum(hours), 1)))
    return f"{', '.join(told)}."


def _why_not(row: Mapping[str, Any], line: PlanLine | None, left_out: str | None, plan: PlanTold) -> str:
    if line is not None:
        on = day_words(line.day)
        told = (
            _("The plan deals with it on {day}.", day=on)
            if line.past_then is None
            else _(
                "The plan deals with it on {day}; chance of being past the limit then: {chance}.",
                day=on,
                chance=chance_words(line.past_then),
            )
        )
        return f"{told} {why_now_words(line, in_money=plan.in_money)}"
    if left_out is not None:
        return _("The vehicle is not planned: {reason}.", reason=left_out)
    none = no_plan_words(plan)
    if none:
        return none[0]
    if row["position"] != PUMP and not row["position"].isdecimal():
        return _("The limit is one of several injectors together: the plan replaces single parts by their own limits.")
    return _n(
        "Of the ways that the rules leave, the best one leaves it as it is for the {n} month of the plan.",
        "Of the ways that the rules leave, the best one leaves it as it is for the {n} months of the plan.",
        plan.months,
    )

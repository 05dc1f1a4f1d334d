"""Which vehicles to test in the months ahead, and which tests tell less than they should."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from pipelines.steps.chart_series import LEFT_OUT, OUTSIDE, doubts, life_key
from pipelines.steps.month_book import Forecasts, window_end
from pipelines.steps.plan_told import PlanTold, TestLine, VisitLine
from pipelines.steps.plan_words import part_words
from pipelines.steps.series import LifeSeries
from pipelines.steps.wear_told import WearTold
from wearlab.charts.words import dated, day_words, measure_words
from wearlab.config import Horizons
from wearlab.forecast.chance_words import chance_words
from wearlab.pack.first_page import TestRow, WeakKind, WeakTest
from wearlab.records import State

_KINDS: tuple[WeakKind, ...] = ("never tested", "overdue", "stale", "doubted", "left out")


def due_tests(
    plan: PlanTold, forecasts: Forecasts, depots: Mapping[str, str], watch_chance: float
) -> tuple[TestRow, ...]:
    """Return the tests up to the end of the months to book for, those that decide or press first, then by day.

    A vehicle whose forecast asks for a test in that time, and which has no visit, is told without a day.
    """
    end = window_end(plan.as_of)
    lines = {one.vehicle: one for one in plan.tests}
    visits: dict[str, list[VisitLine]] = {}
    for visit in plan.visits:
        visits.setdefault(visit.vehicle, []).append(visit)
    rows = []
    for vehicle in sorted({*lines, *forecasts}):
        line, called = lines.get(vehicle), visits.get(vehicle, [])
        out: dict[str, date] = {}
        for visit in called:
            for place in visit.replace:
                out.setdefault(place, visit.day)
        # a part that is past its limit, or comes out soon, needs no test any more
        own = [row for row in forecasts.get(vehicle, ()) if out.get(row["position"], date.max) > end]
        past = {row["position"] for row in own if row["state"] == State.PAST_LIMIT}
        own = [row for row in own if row["position"] not in past]
        depot = depots.get(vehicle, "")
        if line is None:
            asked = _asked(own)
            if asked is not None and asked["retest_by"] <= end:
                rows.append(_without(vehicle, own, asked, called, depot, plan.as_of))
            continue
        # what comes out at the test's visit, or before it, would have to be tested sooner
        kept = [row for row in own if out.get(row["position"], date.max) > line.day]
        asked = _asked(kept)
        due = line.day if asked is None else asked["retest_by"]
        if min(line.day, due) <= end:
            rows.append(_row(line, asked, plan, watch_chance))
        sooner = [row for row in own if out.get(row["position"], date.max) <= line.day]
        asked = _asked(sooner)
        if asked is not None and asked["retest_by"] <= end:
            told = _without(vehicle, sooner, asked, (), depot, plan.as_of)
            day = day_words(out[asked["position"]])
            rows.append(replace(told, visit=f"no visit before it is to be replaced on {day}: call it in"))
    return tuple(
        sorted(
            rows,
            key=lambda row: (not row.pressing, row.retest_by or row.day or end, row.day or date.max, row.vehicle),
        )
    )


def _asked(rows: Sequence[Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """The row of a vehicle whose forecast asks for a test first."""
    asked = [row for row in rows if row["retest_by"] is not None]
    return min(asked, key=lambda row: (row["retest_by"], row["position"], row["measure"]), default=None)


def _row(line: TestLine, asked: Mapping[str, Any] | None, plan: PlanTold, watch_chance: float) -> TestRow:
    decides = f"Chance that a part reads past its limit: {chance_words(line.fails)}."
    if line.saves > 0:
        unit = plan.currency if plan.in_money else "km past the limit"
        decides = f"{decides[:-1]}; what is replaced depends on it, worth about {line.saves:,.0f} {unit}".rstrip() + "."
    due = None if asked is None else asked["retest_by"]
    return TestRow(
        vehicle=line.vehicle,
        depot=line.depot,
        parts_words=part_words(line.parts),
        day=line.day,
        in_diary=line.planned,
        visit=("in the diary" if line.planned else "call it in") + _late(line.day, due, plan.as_of),
        retest_by=due,
        overdue=due is not None and due < plan.as_of,
        last_test=line.last_test,
        why="The last visit before the warranty ends." if line.before_warranty_ends else _why(asked),
        decides=decides,
        pressing=line.saves > 0 or line.fails >= watch_chance or (due is not None and due <= plan.as_of),
    )


def _without(
    vehicle: str,
    rows: Sequence[Mapping[str, Any]],
    asked: Mapping[str, Any],
    visits: Sequence[VisitLine],
    depot: str,
    as_of: date,
) -> TestRow:
    """A test that the plan has no visit of its own for: at the first one to which the vehicle comes, if it does."""
    by = asked["retest_by"]
    due = [row["position"] for row in rows if row["retest_by"] is not None and row["retest_by"] <= by]
    first = visits[0] if visits else None
    told = "no visit is known: call it in"
    if first is not None:
        told = ("in the diary" if first.planned else "call it in") + _late(first.day, by, as_of)
    return TestRow(
        vehicle=vehicle,
        depot=depot,
        parts_words=part_words(due),
        day=None if first is None else first.day,
        in_diary=first is not None and first.planned,
        visit=told,
        retest_by=by,
        overdue=by < as_of,
        last_test=max((row["last_test"] for row in rows if row["last_test"] is not None), default=None),
        why=_why(asked),
        decides="",
        pressing=by <= as_of,
    )


def _late(day: date, due: date | None, as_of: date) -> str:
    """How long after the test is due, or after today where it is overdue, the visit comes."""
    if due is None:
        return ""
    days = (day - max(due, as_of)).days
    if days <= 0:
        return ""
    return f", {days} day{'s' * (days != 1)} {'after it is due' if due >= as_of else 'from now'}"


def _why(asked: Mapping[str, Any] | None) -> str:
    if asked is None or not asked["retest_why"]:
        return ""
    return f"{_test_of(asked)}: {dated(str(asked['retest_why']))}."


def _test_of(row: Mapping[str, Any]) -> str:
    what = f"{measure_words(row['measure'])}, {row['protocol']}"
    return f"{what[:1].upper()}{what[1:]}"


def weak_tests(
    register: Sequence[Mapping[str, Any]],
    forecasts: Forecasts,
    series: Mapping[str, Sequence[LifeSeries]],
    wear: WearTold,
    horizons: Horizons,
    as_of: date,
) -> tuple[WeakTest, ...]:
    """Return vehicles without a test, overdue and stale tests, and newest tests with readings doubted or left out."""
    found: list[WeakTest] = []
    for line in register:
        name = line["vehicle"]
        gone = line["leaves_on"] is not None and line["leaves_on"] <= as_of
        if gone or (line["in_service"] is not None and line["in_service"] > as_of):
            continue
        rows = forecasts.get(name, ())
        if name not in series and not rows:
            found.append(WeakTest(name, "never tested", line["in_service"], "There is no test of this vehicle."))
        found += [one for one in (_overdue(name, rows, as_of), _stale(name, rows, horizons, as_of)) if one]
        found += _spoiled(name, series.get(name, ()), wear)
    return tuple(sorted(found, key=lambda one: (_KINDS.index(one.kind), one.since or date.min, one.vehicle)))


def _overdue(vehicle: str, rows: Sequence[Mapping[str, Any]], as_of: date) -> WeakTest | None:
    asked = _asked(rows)
    if asked is None or asked["retest_by"] >= as_of:
        return None
    last = f"; last so tested on {day_words(asked['last_test'])}" if asked["last_test"] else ""
    days = (as_of - asked["retest_by"]).days
    told = f"{_test_of(asked)}: due by {day_words(asked['retest_by'])}, {days} day{'s' * (days != 1)} ago{last}."
    return WeakTest(vehicle, "overdue", asked["retest_by"], told)


def _stale(vehicle: str, rows: Sequence[Mapping[str, Any]], horizons: Horizons, as_of: date) -> WeakTest | None:
    old: dict[date, dict[str, None]] = {}
    for row in rows:
        if row["rule"] and row["last_test"] is not None and (as_of - row["last_test"]).days > horizons.stale_days:
            old.setdefault(row["last_test"], {})[measure_words(row["measure"])] = None
    if not old:
        return None
    told = "; ".join(
        f"{' and '.join(names)} last tested on {day_words(day)}, {(as_of - day).days} days ago"
        for day, names in sorted(old.items())
    )
    return WeakTest(
        vehicle,
        "stale",
        min(old),
        f"{told[:1].upper()}{told[1:]}: too old to go by after {horizons.stale_days} days.",
    )


def _spoiled(vehicle: str, series: Sequence[LifeSeries], wear: WearTold) -> list[WeakTest]:
    """What the newest test of a vehicle lost: doubted readings, and those that take no part in the level."""
    last = max((one.last_test for one in series), default=None)
    if last is None:
        return []
    lost: dict[WeakKind, Counter[str]] = {"doubted": Counter(), "left out": Counter()}
    readings = 0
    for one in series:
        # without any level in its path a series has no model at all: what the data could not say tells that
        fitted = bool(wear.paths.get(life_key(one)))
        for point, doubt in zip(one.points, doubts(one, wear), strict=True):
            if point.day != last:
                continue
            readings += 1
            what = f"{measure_words(one.measure)}, {one.protocol}"
            if doubt == OUTSIDE or (doubt == LEFT_OUT and fitted):
                lost["left out"][f"{doubt} ({what})"] += 1
            elif not point.used:
                lost["left out"][f"not comparable with the others ({what})"] += 1
            elif doubt and doubt != LEFT_OUT:
                lost["doubted"][f"{doubt} ({what})"] += 1
            elif point.quality != "good":
                lost["doubted"][f"{point.quality.replace('_', ' ')} ({what})"] += 1
    found = []
    for kind, reasons in lost.items():
        if reasons:
            number = sum(reasons.values())
            why = "; ".join(f"{count} {reason}" for reason, count in sorted(reasons.items()))
            told = f"{number} {'is' if number == 1 else 'are'} {kind}: {why}."
            of = f"Of {readings} reading{'s' * (readings != 1)} on {day_words(last)}"
            found.append(WeakTest(vehicle, kind, last, f"{of} {told}"))
    return found

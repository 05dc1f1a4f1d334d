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
from pipelines.steps.plan_words import and_words, part_words
from pipelines.steps.series import LifeSeries
from pipelines.steps.wear_told import WearTold
from wearlab.charts.words import dated, day_words, measure_words
from wearlab.config import Horizons
from wearlab.forecast.chance_words import chance_words
from wearlab.language import _, _n, number
from wearlab.pack.first_page import TestRow, WeakKind, WeakTest
from wearlab.records import State
from wearlab.study.reading_error import doubt_words

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
            call = _("no visit before it is to be replaced on {day}: call it in", day=day)
            rows.append(replace(told, visit=call))
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
    fails, saves = chance_words(line.fails), number(line.saves)
    if line.saves <= 0:
        decides = _("Chance that a part reads past its limit: {chance}.", chance=fails)
    elif plan.in_money:
        decides = _(
            "Chance that a part reads past its limit: {chance}; what is replaced depends on it, worth about {money}.",
            chance=fails,
            money=f"{saves} {plan.currency}".rstrip(),
        )
    else:
        decides = _(
            "Chance that a part reads past its limit: {chance}; what is replaced depends on it, worth about {km} km "
            "past the limit.",
            chance=fails,
            km=saves,
        )
    due = None if asked is None else asked["retest_by"]
    return TestRow(
        vehicle=line.vehicle,
        depot=line.depot,
        parts_words=part_words(line.parts),
        day=line.day,
        in_diary=line.planned,
        visit=_visit(line.planned, line.day, due, plan.as_of),
        retest_by=due,
        overdue=due is not None and due < plan.as_of,
        last_test=line.last_test,
        why=_("The last visit before the warranty ends.") if line.before_warranty_ends else _why(asked),
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
    told = _("no visit is known: call it in")
    if first is not None:
        told = _visit(first.planned, first.day, by, as_of)
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


def _visit(planned: bool, day: date, due: date | None, as_of: date) -> str:
    """Whether a visit is in the diary, and how long after the test is due, or after today, where that is over."""
    told = _("in the diary") if planned else _("call it in")
    days = 0 if due is None else (day - max(due, as_of)).days
    if due is None or days <= 0:
        return told
    if due >= as_of:
        return told + ", " + _n("{n} day after it is due", "{n} days after it is due", days)
    return told + ", " + _n("{n} day from now", "{n} days from now", days)


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
            found.append(WeakTest(name, "never tested", line["in_service"], _("There is no test of this vehicle.")))
        found += [one for one in (_overdue(name, rows, as_of), _stale(name, rows, horizons, as_of)) if one]
        found += _spoiled(name, series.get(name, ()), wear)
    return tuple(sorted(found, key=lambda one: (_KINDS.index(one.kind), one.since or date.min, one.vehicle)))


def _overdue(vehicle: str, rows: Sequence[Mapping[str, Any]], as_of: date) -> WeakTest | None:
    asked = _asked(rows)
    if asked is None or asked["retest_by"] >= as_of:
        return None
    told = _n(
        "{test}: due by {due}, {n} day ago",
        "{test}: due by {due}, {n} days ago",
        (as_of - asked["retest_by"]).days,
        test=_test_of(asked),
        due=day_words(asked["retest_by"]),
    )
    if asked["last_test"]:
        told += "; " + _("last so tested on {day}", day=day_words(asked["last_test"]))
    return WeakTest(vehicle, "overdue", asked["retest_by"], f"{told}.")


def _stale(vehicle: str, rows: Sequence[Mapping[str, Any]], horizons: Horizons, as_of: date) -> WeakTest | None:
    old: dict[date, dict[str, None]] = {}
    for row in rows:
        if row["rule"] and row["last_test"] is not None and (as_of - row["last_test"]).days > horizons.stale_days:
            old.setdefault(row["last_test"], {})[measure_words(row["measure"])] = None
    if not old:
        return None
    tests = "; ".join(
        _(
            "{measures} last tested on {day}, {days} days ago",
            measures=and_words(names),
            day=day_words(day),
            days=number((as_of - day).days),
        )
        for day, names in sorted(old.items())
    )
    told = _("{tests}: too old to go by after {days} days.", tests=tests, days=number(horizons.stale_days))
    return WeakTest(vehicle, "stale", min(old), f"{told[:1].upper()}{told[1:]}")


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
                lost["left out"][f"{_(doubt)} ({what})"] += 1
            elif not point.used:
                lost["left out"][_("not comparable with the others ({test})", test=what)] += 1
            elif doubt and doubt != LEFT_OUT:
                lost["doubted"][f"{_(doubt)} ({what})"] += 1
            elif point.quality != "good":
                lost["doubted"][f"{doubt_words(point.quality)} ({what})"] += 1
    found = []
    for kind, reasons in lost.items():
        if reasons:
            of = _n("Of {n} reading on {day}", "Of {n} readings on {day}", readings, day=day_words(last))
            places = {
                "of_readings": of,
                "why": "; ".join(f"{number(count)} {reason}" for reason, count in sorted(reasons.items())),
            }
            count = sum(reasons.values())
            if kind == "doubted":
                told = _n(
                    "{of_readings} {n} is doubted: {why}.", "{of_readings} {n} are doubted: {why}.", count, **places
                )
            else:
                told = _n(
                    "{of_readings} {n} is left out: {why}.", "{of_readings} {n} are left out: {why}.", count, **places
                )
            found.append(WeakTest(vehicle, kind, last, told))
    return found

"""The monthly pack: every stale step is run, the view is built from the store, the page is written."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any

from pipelines.steps.fleet_facts import gather_fleet
from pipelines.steps.part_states import PartKey, latest_states, method_words
from pipelines.steps.vehicle_view import FleetFacts, vehicle_view
from pipelines.steps.wear_told import wear_groups
from pipelines.workspace import Workspace
from wearlab import __version__
from wearlab.charts.series import MODEL
from wearlab.charts.words import day_words, level_words, limit_words, measure_words, month_words, position_words
from wearlab.config import Settings
from wearlab.pack.order import count_states, crossings_by_month, sort_attention, worst
from wearlab.pack.page import write_page
from wearlab.pack.view import Attention, FileRow, FleetRow, MonthView, OpenQuestion, Unsaid, VehicleView
from wearlab.records import State
from wearlab.store.database import Database
from wearlab.store.queries import files, open_questions, vehicles

#: states that somebody has to act on
_CALLS = (State.PAST_LIMIT, State.BOOK, State.TEST_AGAIN, State.WATCH)


def end_of_month(year: int, month: int) -> date:
    """The last day of a month."""
    return date(year, month, monthrange(year, month)[1])


def write_month(
    place: Workspace, name: str, as_of: date, *, say: Callable[[str], None] | None = None
) -> dict[str, Any]:
    """Write `reports/NAME/index.html` as of a day; return its path and what needs attention."""
    told = say or (lambda text: None)
    with place.open() as db:
        # of the learning only where a group begins, not every pass of its fit
        fleet = gather_fleet(
            db, place, as_of, say=lambda text: told(f"  learning: {text}") if text.endswith(": reading") else None
        )
        view = month_view(db, place.settings, fleet, told)
    page = write_page(view, place.reports / name / "index.html", progress=say)
    return {
        "html": str(page),
        "pdf": None,
        "xlsx": None,
        "attention": [attention_row(item, as_of) for item in view.attention],
    }


def attention_row(item: Attention, as_of: date) -> dict[str, Any]:
    """One attention item as it is printed and handed on as JSON."""
    return {
        "vehicle": item.vehicle,
        "position": item.position,
        "part": item.part,
        "state": item.state,
        "measure": item.measure,
        "protocol": item.protocol,
        "date_p10": item.date_p10,
        "date_p50": item.date_p50,
        "date_p90": item.date_p90,
        "when": when(item, as_of),
        "reason": item.reason,
        "sentence": sentence(item),
        "rule": item.rule,
        "limit": item.limit,
        "limit_version": item.limit_version,
        "unit": item.unit,
        "level": item.level,
        "level_low": item.level_low,
        "level_high": item.level_high,
        "retest_by": item.retest_by,
        "last_test": item.last_test,
    }


def sentence(item: Attention) -> str:
    """An item with its measure, reason, level and limit, as one line of text."""
    text = f"{measure_words(item.measure)}, {item.protocol}: {item.reason[:1].lower()}{item.reason[1:]}"
    if item.level is not None and item.limit is not None:
        side = "at most" if item.direction == "above" else "at least"
        text += f" Level {level_words(item.level)} {item.unit}, limit {side} {limit_words(item.limit)}."
    return text


def when(item: Attention, as_of: date) -> str:
    """The day a list shows for an item: when it crosses, or when to test it."""
    if item.state == State.PAST_LIMIT:
        return "now"
    if item.state == State.TEST_AGAIN:
        return f"test by {(item.retest_by or as_of).isoformat()}"
    return "-" if item.date_p50 is None else item.date_p50.isoformat()


def month_view(db: Database, settings: Settings, fleet: FleetFacts, say: Callable[[str], None]) -> MonthView:
    """Build the view of the whole fleet as of the fleet's day."""
    known = vehicles(db, fleet.as_of)
    views = []
    for count, row in enumerate(known, start=1):
        views.append(vehicle_view(db, fleet, row))
        if count % 25 == 0 or count == len(known):
            say(f"  {count} of {len(known)} vehicles")
    rows = [row for name in sorted(fleet.forecasts) for row in fleet.forecasts[name]]
    states = [state.state for view in views for state in view.states]
    return MonthView(
        title=month_words(fleet.as_of),
        as_of=fleet.as_of,
        workspace=settings.name,
        version=__version__,
        attention=attention(rows, settings, latest_states(fleet.wear)),
        counts=count_states(states),
        crossings=crossings_by_month([(r["date_p10"], r["date_p50"], r["date_p90"]) for r in rows], fleet.as_of),
        fleet=tuple(fleet_row(view) for view in views),
        vehicles=tuple(views),
        wear=wear_groups(db, fleet.run),
        files=tuple(
            FileRow(
                file=item["file"],
                rows_read=item["rows_read"],
                accepted=item["accepted"],
                flagged=item["flagged"],
                set_aside=item["set_aside"],
                structure=item["structure"],
                cells_set_aside=item["cells_set_aside"],
                readings=item["readings"],
                layout=item["layout"],
                loaded_on=item["loaded_at"].date(),
            )
            for item in files(db)
        ),
        questions=tuple(OpenQuestion(item["sentence"], int(item["readings"])) for item in open_questions(db)),
        unsaid=unsaid(rows, views),
        settings=_settings(settings),
    )


def attention(
    rows: Sequence[dict[str, Any]], settings: Settings, states: Mapping[PartKey, dict[str, Any]]
) -> tuple[Attention, ...]:
    """What somebody has to act on, most pressing first, one item a part (its most pressing measure).

    `states` is what the wear model says of each part.
    """
    sources = {rule.name: rule.source for rule in settings.limits}
    items = sort_attention(
        Attention(
            vehicle=row["vehicle"],
            position=row["position"],
            part=row["part"],
            state=row["state"],
            measure=row["measure"],
            protocol=row["protocol"],
            reason=reason(row),
            date_p10=row["date_p10"],
            date_p50=row["date_p50"],
            date_p90=row["date_p90"],
            odometer_p50_km=row["odometer_p50"],
            level=row["level"],
            level_low=row["level_low"],
            level_high=row["level_high"],
            unit=row["unit"],
            reference=_reference(row, states),
            limit=row["limit"],
            direction=row["direction"],
            rule=row["rule"],
            limit_version=row["limit_version"],
            limit_source=sources.get(row["rule"] or "", ""),
            last_test=row["last_test"],
            retest_by=row["retest_by"],
            no_answer=row["no_answer"],
        )
        for row in rows
        if row["state"] in _CALLS
    )
    first: dict[tuple[str, str], Attention] = {}
    for item in items:
        first.setdefault((item.vehicle, item.part), item)
    return tuple(first.values())


def _reference(row: dict[str, Any], states: Mapping[PartKey, dict[str, Any]]) -> str:
    found = states.get((row["part"], row["measure"], row["protocol"]))
    return "" if found is None or method_words(row["method"]) != MODEL else str(found["reference"])


def reason(row: dict[str, Any]) -> str:
    """Why a part is on the list, as one sentence."""
    return f"{row['cause'][:1].upper()}{row['cause'][1:]}."


def fleet_row(view: VehicleView) -> FleetRow:
    """One vehicle's line in the fleet table."""
    pressing = worst(view.states)
    ahead = [state for state in view.states if state.date_p50 is not None]
    soonest = min(ahead, key=lambda state: state.date_p50 or date.max, default=None)
    retests = [state.retest_by for state in view.states if state.retest_by is not None]
    return FleetRow(
        vehicle=view.vehicle,
        family=view.family,
        depot=view.depot,
        last_test=view.last_test.tested_on if view.last_test else None,
        worst_state=pressing.state if pressing else None,
        worst_part=position_words(pressing.position) if pressing else "",
        next_p10=soonest.date_p10 if soonest else None,
        next_p50=soonest.date_p50 if soonest else None,
        next_p90=soonest.date_p90 if soonest else None,
        retest_by=min(retests, default=None),
    )


def unsaid(rows: Sequence[dict[str, Any]], views: Sequence[VehicleView]) -> tuple[Unsaid, ...]:
    """What the data could not say: parts without an answer, vehicles without a test or a known usage."""
    told = [
        Unsaid(
            f"{row['vehicle']} {position_words(row['position'])}, {measure_words(row['measure'])}, {row['protocol']}",
            row["no_answer"] or row["cause"],
            row["vehicle"],
        )
        for row in rows
        if row["state"] == State.NO_ANSWER
    ]
    for view in views:
        if view.last_test is None:
            told.append(Unsaid(view.vehicle, "there is no test of this vehicle", view.vehicle))
        elif view.km_per_day is None and view.usage_notes:
            told.append(Unsaid(view.vehicle, view.usage_notes[0], view.vehicle))
    return tuple(told)


def _settings(settings: Settings) -> tuple[tuple[str, str], ...]:
    horizons, visits = settings.horizons, settings.visits
    pairs = [
        ("book", f"crossing most likely within {horizons.book_days} days"),
        ("watch", f"crossing possible (1 in 10) within {horizons.watch_days} days"),
        ("stale", f"a test older than {horizons.stale_days} days never counts as steady"),
        ("visit interval", f"{visits.every_days} days"),
        (
            "forecast",
            "first passage of the level of the wear model, a simple line where it has no answer; dates are 10, 50 "
            "and 90 % points, not checked against later tests",
        ),
    ]
    pairs += [
        (f"limit: {rule.name}", f"{rule.kind} {_figure(settings, rule.name)} ({rule.source})")
        for rule in settings.limits
    ]
    return tuple(pairs)


def _figure(settings: Settings, name: str) -> str:
    rule = next(rule for rule in settings.limits if rule.name == name)
    if rule.value is None:
        return ", ".join(f"{limit:g} at {rpm:g} rpm" for rpm, limit in rule.speeds)
    over = f" in {rule.over_s:g} s" if rule.over_s else ""
    since = f", from {day_words(rule.valid_from)}" if rule.valid_from else ""
    return f"{rule.value:g} {rule.unit or ''}{over}{since}".strip()

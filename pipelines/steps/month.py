"""The monthly pack: every stale step is run, the view is built from the store, the page is written."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Callable, Sequence
from datetime import date
from typing import Any

from pipelines.steps.attention import attention, attention_row
from pipelines.steps.fleet_facts import gather_fleet
from pipelines.steps.part_states import latest_states
from pipelines.steps.vehicle_view import FleetFacts, vehicle_view
from pipelines.steps.wear_told import wear_groups
from pipelines.workspace import Workspace
from wearlab import __version__
from wearlab.charts.words import day_words, measure_words, month_words, position_words
from wearlab.config import Settings
from wearlab.pack.order import count_states, crossings_by_month, worst
from wearlab.pack.page import write_page
from wearlab.pack.view import FileRow, FleetRow, MonthView, OpenQuestion, PartState, Unsaid, VehicleView
from wearlab.records import State
from wearlab.store.database import Database
from wearlab.store.queries import files, open_questions, vehicles


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
    told(f"  drawing {len(view.vehicles)} vehicles")
    page = write_page(view, place.reports / name / "index.html")
    return {
        "html": str(page),
        "pdf": None,
        "xlsx": None,
        "attention": [attention_row(item, as_of) for item in view.attention],
    }


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
        attention=attention(rows, settings, latest_states(fleet.wear), fleet.as_of),
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
        worst_part=_named(pressing) if pressing else "",
        next_p10=soonest.date_p10 if soonest else None,
        next_p50=soonest.date_p50 if soonest else None,
        next_p90=soonest.date_p90 if soonest else None,
        retest_by=min(retests, default=None),
    )


def _named(state: PartState) -> str:
    """The part behind a vehicle's state; a vehicle is steady only in what was tested."""
    if state.state == State.STEADY:
        return f"in {measure_words(state.measure)}, {state.protocol}"
    return position_words(state.position)


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
        ("book", _entered(horizons.book_chance, horizons.book_leave, f"within {horizons.book_days} days")),
        ("watch", _entered(horizons.watch_chance, horizons.watch_leave, f"within {horizons.watch_days} days")),
        ("past limit", _entered(horizons.past_chance, horizons.past_leave, "by now, with the last reading past it")),
        ("stale", f"a test older than {horizons.stale_days} days never counts as steady"),
        ("visit interval", f"{visits.every_days} days"),
        (
            "forecast",
            "first passage of the level of the wear model, a simple line where it has no answer; dates are 10, 50 "
            "and 90 % points, widened or narrowed by what the newest look back on hidden tests found "
            "(wearlab hindsight); without one as the model has them",
        ),
    ]
    pairs += [
        (f"limit: {rule.name}", f"{rule.kind} {_figure(settings, rule.name)} ({rule.source})")
        for rule in settings.limits
    ]
    return tuple(pairs)


def _entered(chance: float, leave: float, when: str) -> str:
    return f"{chance:.0%} chance of being past the limit {when}; left below {leave:.0%}"


def _figure(settings: Settings, name: str) -> str:
    rule = next(rule for rule in settings.limits if rule.name == name)
    if rule.value is None:
        return ", ".join(f"{limit:g} at {rpm:g} rpm" for rpm, limit in rule.speeds)
    over = f" in {rule.over_s:g} s" if rule.over_s else ""
    since = f", from {day_words(rule.valid_from)}" if rule.valid_from else ""
    return f"{rule.value:g} {rule.unit or ''}{over}{since}".strip()

"""The monthly pack: every stale step is run, the view is built from the store, pages and files are written."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Callable, Collection
from concurrent.futures import Executor
from datetime import date
from typing import Any

from pipelines.steps.attention import attention, attention_row
from pipelines.steps.fleet_facts import gather_fleet
from pipelines.steps.month_about import about_page
from pipelines.steps.month_files import PDF, WORKBOOK, printed_vehicles, write_month_pdf, write_month_workbook
from pipelines.steps.month_first import first_page
from pipelines.steps.month_fleet import fleet_page
from pipelines.steps.month_pictures import signal_pictures
from pipelines.steps.part_states import latest_states
from pipelines.steps.parts import PartsTold, parts_told
from pipelines.steps.plan import plan_told
from pipelines.steps.plan_schedule import scheduled
from pipelines.steps.plan_told import PlanTold
from pipelines.steps.plan_view import plan_view
from pipelines.steps.signals import SignalsTold, signals_of
from pipelines.steps.vehicle_view import FleetFacts, vehicle_line, vehicle_states, vehicle_view
from pipelines.steps.visit import last_tests
from pipelines.steps.wear_told import wear_groups
from pipelines.workspace import Workspace
from wearlab import __version__
from wearlab.charts.words import day_words, measure_words, month_words, position_words
from wearlab.config import Settings
from wearlab.language import _, _n, localised, msg, percent
from wearlab.pack.links import page_names
from wearlab.pack.order import worst
from wearlab.pack.pack_view import EVERY_PAGE, PackView, asked_for, is_pressing
from wearlab.pack.pdf import PdfMade, pdf_can_be_made
from wearlab.pack.site import drawers, write_pack
from wearlab.pack.view import FleetRow, MonthView, PartState, VehicleView
from wearlab.records import NoAnswer, State
from wearlab.store.database import Database
from wearlab.store.queries import vehicles


def end_of_month(year: int, month: int) -> date:
    """The last day of a month."""
    return date(year, month, monthrange(year, month)[1])


def write_month(
    place: Workspace, name: str, as_of: date, *, say: Callable[[str], None] | None = None
) -> dict[str, Any]:
    """Write the pack into `reports/NAME` as of a day; return its files and what needs attention."""
    told = say or (lambda text: None)

    def learning(text: str) -> None:
        # of the learning only where a group begins, not every pass of its fit
        if text.endswith(": reading"):
            told(f"  learning: {text}")

    plan = plan_told(place, as_of, say=learning)
    parts = parts_told(place, as_of, months=plan.months, schedule=scheduled(plan), say=learning)
    folder = place.reports / name
    paper: list[PdfMade | NoAnswer] = []
    with drawers(plan.vehicles) as pool:
        with place.open() as db:
            fleet = gather_fleet(db, place, as_of, say=learning)
            signals = signals_of(db, fleet.run, as_of)
            view = pack_view(db, place, fleet, plan, parts, signals, told, pool)
        told(f"  drawing {len(view.shown)} vehicles")
        names = page_names(one.vehicle for one in view.shown)
        printed = printed_vehicles(view, names)

        def others() -> None:
            # while the pages that are not printed are still being drawn
            write_month_workbook(view, plan_view(plan, parts), signals, folder)
            paper.append(write_month_pdf(view, folder, names, told))

        written = write_pack(view, folder, told, pool=pool, first=printed, meanwhile=others)
    (made,) = paper
    return {
        "html": str(written.first),
        "pdf": None if isinstance(made, NoAnswer) else str(folder / PDF),
        "no_pdf": made.reason if isinstance(made, NoAnswer) else None,
        "xlsx": str(folder / WORKBOOK),
        "attention": [attention_row(item, as_of) for item in view.month.attention],
    }


def pack_view(
    db: Database,
    place: Workspace,
    fleet: FleetFacts,
    plan: PlanTold,
    parts: PartsTold,
    signals: SignalsTold,
    say: Callable[[str], None],
    pool: Executor | None = None,
) -> PackView:
    """Build all of a pack as of the fleet's day; a `pool` of `drawers` draws its charts."""
    first = first_page(db, place, fleet, plan, parts, signals)
    month = month_view(db, place.settings, fleet, asked_for(first), say)
    others = (*(((msg("PDF"), PDF),) if pdf_can_be_made() else ()), (msg("workbook"), WORKBOOK))
    return PackView(
        month=month,
        first=first,
        fleet=fleet_page(db, fleet),
        about=about_page(db, place, fleet, month.settings),
        pictures=signal_pictures(db, place.settings, signals, say, pool),
        others=others,
    )


def month_view(
    db: Database, settings: Settings, fleet: FleetFacts, asked: Collection[str | None], say: Callable[[str], None]
) -> MonthView:
    """Build the view of the whole fleet as of the fleet's day.

    A vehicle without a page, which only a large fleet has, is gathered no further than its lines in tables need it;
    those `asked` for have one whatever their state.
    """
    known = vehicles(db, fleet.as_of)
    newest, tested = latest_states(fleet.wear), last_tests(db, fleet.as_of)
    views = []
    for count, row in enumerate(known, start=1):
        states = vehicle_states(fleet, row["vehicle"], newest)
        pressing = worst(states)
        if len(known) <= EVERY_PAGE or row["vehicle"] in asked or (pressing and is_pressing(pressing.state)):
            views.append(vehicle_view(db, fleet, row, states))
        else:
            views.append(vehicle_line(row, states, tested.get(row["vehicle"])))
        if count % 25 == 0 or count == len(known):
            say(f"  {count} of {len(known)} vehicles")
    rows = [row for name in sorted(fleet.forecasts) for row in fleet.forecasts[name]]
    return MonthView(
        title=month_words(fleet.as_of),
        as_of=fleet.as_of,
        workspace=settings.name,
        version=__version__,
        attention=attention(rows, settings, newest, fleet.as_of),
        fleet=tuple(fleet_row(view) for view in views),
        vehicles=tuple(views),
        wear=wear_groups(db, fleet.run),
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
        return _("in {measure}, {protocol}", measure=measure_words(state.measure), protocol=state.protocol)
    return position_words(state.position)


def _settings(settings: Settings) -> tuple[tuple[str, str], ...]:
    horizons, visits = settings.horizons, settings.visits
    pairs = [
        (_("book"), _entered(horizons.book_chance, horizons.book_leave, horizons.book_days)),
        (_("watch"), _entered(horizons.watch_chance, horizons.watch_leave, horizons.watch_days)),
        (_("past limit"), _entered(horizons.past_chance, horizons.past_leave, None)),
        (
            _("stale"),
            _n(
                "a test older than {n} day never counts as steady",
                "a test older than {n} days never counts as steady",
                horizons.stale_days,
            ),
        ),
        (_("visit interval"), _n("{n} day", "{n} days", visits.every_days)),
        (
            _("forecast"),
            _(
                "first passage of the level of the wear model, a simple line where it has no answer; dates are 10, 50 "
                "and 90 % points, widened or narrowed by what the newest look back on hidden tests found "
                "(wearlab hindsight); without one as the model has them"
            ),
        ),
    ]
    pairs += [
        (_("limit: {name}", name=rule.name), f"{rule.kind} {_figure(settings, rule.name)} ({rule.source})")
        for rule in settings.limits
    ]
    return tuple(pairs)


def _entered(chance: float, leave: float, days: int | None) -> str:
    """From which chance of being past the limit a state is told, and below which it is left again."""
    ends = {"chance": percent(chance), "leave": percent(leave)}
    if days is None:
        return _(
            "{chance} chance of being past the limit by now, with the last reading past it; left below {leave}", **ends
        )
    return _n(
        "{chance} chance of being past the limit within {n} day; left below {leave}",
        "{chance} chance of being past the limit within {n} days; left below {leave}",
        days,
        **ends,
    )


def _figure(settings: Settings, name: str) -> str:
    rule = next(rule for rule in settings.limits if rule.name == name)
    if rule.value is None:
        speeds = ((localised(f"{limit:g}"), localised(f"{rpm:g}")) for rpm, limit in rule.speeds)
        return ", ".join(_("{limit} at {speed} rpm", limit=limit, speed=speed) for limit, speed in speeds)
    figure = f"{localised(f'{rule.value:g}')} {rule.unit or ''}".strip()
    if rule.over_s:
        figure = _("{figure} in {duration} s", figure=figure, duration=localised(f"{rule.over_s:g}"))
    if rule.valid_from:
        return _("{figure}, from {day}", figure=figure, day=day_words(rule.valid_from))
    return figure

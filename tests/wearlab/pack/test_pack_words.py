"""What a pack says of states, bookings and the wear model is told in the spoken language, and data stays data."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date

from bracketed import brackets, untold
from wearlab.charts.fleet_series import CrossingMonth, RigOffset, Spread, StateMonth, WearCohort, WearMonth
from wearlab.charts.rig_months import RigFigure
from wearlab.charts.series import LINE, StateCount
from wearlab.language import speaking
from wearlab.pack.answers import booking_answers, next_tests
from wearlab.pack.booking import Booking, short_day
from wearlab.pack.fleet_page import WearSection
from wearlab.pack.fleet_pictures import crossings_table, rigs_table, states_table, wear_figure, wear_table
from wearlab.pack.page_words import between, grounds, identity, span, table_summary
from wearlab.pack.pictures import Table, readings_table
from wearlab.pack.state_columns import shown_table
from wearlab.pack.state_tables import state_tables
from wearlab.pack.view import MonthView, PartState
from wearlab.pack.wear import WearEffect
from wearlab.pack.wear_words import (
    effect_tables,
    figures,
    gross_heading,
    gross_sentence,
    notes_of,
    rate_words,
    scale_words,
)
from wearlab.records import State

NOW = date(2026, 10, 31)

#: names, units, protocols, sources and sentences that are told where they are made
DATA = (
    "K01", "MK", "ml/min", "km", "sd", "warm idle", "crank 15 s", "rise to 1,000 bar", "van", "six cylinder truck",
    "four-cylinder van", "farm round", "depot tank", "north depot", "east depot", "river depot", "Lake", "Mill", "no",
    "workshop manual of the engine, invented", "The slope cannot be told from zero yet", "told so", "a cause",
    "one reading a visit: visit and reading error are told as one", "assumed", "before", "from", "rail pressure",
    "Weighed by forecasts of held-back readings", "weighed", "One", "no reading of this group may be used",
)  # fmt: skip


def part(position: str, state: State, **more: object) -> PartState:
    told = PartState(
        position, "P", "return_flow", "warm idle", "ml/min", state.value, 5, 20.5, 19.0, 22.0, 18.0, 24.0, 9.0, 11.0,
        "", "wear model", 1.2, 0.9, 1.5, "ml/min per 10,000 km".removesuffix(" per 10,000 km"), 40.0, "above",
        "warm idle", 2, cause="a cause", retest_why="told so",
    )  # fmt: skip
    return replace(told, **more)  # type: ignore[arg-type]


LATER = {
    "past": 0.001, "within_90": 0.02, "within_365": 0.62, "date_p10": date(2027, 3, 9), "date_p50": date(2027, 9, 1),
    "date_p90": date(2028, 5, 10), "odometer_p50_km": 341_600.0,
}  # fmt: skip
SOON = {
    "past": 0.3, "within_90": 0.7, "date_p10": date(2026, 9, 1), "date_p50": date(2026, 11, 25),
    "date_p90": date(2027, 5, 1),
}  # fmt: skip
STATES = (
    part("1", State.PAST_LIMIT, **SOON, retest_by=date(2026, 9, 1)),
    part("2", State.BOOK, **SOON, odometer_p50_km=301_000.0, retest_by=NOW),
    part("3", State.WATCH, **LATER, retest_by=date(2027, 9, 1), outside=2, rate_no_answer="told so"),
    part("4", State.TEST_AGAIN, beyond=1, no_answer="told so"),
    part("5", State.STEADY, within_365=0.02, past=0.001, date_p50=date(2029, 1, 1)),
    part("6", State.STEADY),
    part("7", State.NO_ANSWER, no_answer="told so", level=None, method="", level_low=None, level_high=None),
    part("8", State.NO_LIMIT, limit=None),
    part("pump", State.NO_LIMIT, limit=None, measure="pump_peak", unit="bar"),
    part("9", State.BOOK, **LATER, method=LINE, beyond=3, reference="300 bar, 60"),
    part("set", State.WATCH, **LATER, unit="%", part="", direction="below"),
)


def shown(table: Table) -> list[str]:
    return [*table.headers, *(text for row in table.rows for text in row)]


def states_told(states: Iterable[PartState]) -> list[str]:
    told = []
    for table in state_tables(states):
        columns = shown_table(table, NOW)
        told += [table.title, table.figures, table.basis, table_summary(table), *table.limits, *table.remarks]
        told += [text for column in columns.columns for text in (column.head, *column.cells)]
        told += columns.once
    return told


def test_states_and_what_to_do_are_messages(october: MonthView) -> None:
    with brackets():
        told = [*states_told(STATES), *booking_answers(STATES, NOW), *next_tests(STATES, NOW)]
        told += grounds(october.attention)
        for one in STATES:
            booked = Booking.of_part(one, NOW)
            told += [booked.booking, booked.booking_short, booked.sure, booked.sure_short, booked.sentence]
            told += [booked.told(point) for point in range(3)]
        for vehicle in october.vehicles:
            told += [text for name, text in identity(vehicle) if name != "⟦also called⟧"]
            told += [name for name, text in identity(vehicle)]
            told += [*states_told(vehicle.states), *booking_answers(vehicle.states, NOW)]
    # three letters of a month stand in tables
    months = ("Sep", "Nov", "Mar", "May", "Feb", "Oct", "Jan")
    assert untold(told, (*DATA, *months)) == set()
    assert len(told) > 200


def test_readings_of_a_vehicle_are_messages(october: MonthView) -> None:
    history = october.vehicles[0].history
    assert history is not None
    with brackets():
        idle = [one for one in history.series if one.protocol == "crank 15 s"]
        doubted = replace(idle[0].points[0], doubt="left out of the fit", quality="low_battery")
        told = shown(readings_table([replace(idle[0], points=(doubted, *idle[0].points[1:])), *idle[1:]]))
    assert untold(told, DATA) == set()


def test_the_wear_model_is_told_in_messages(october: MonthView) -> None:
    group, silent = october.wear
    more = replace(
        group, scale_note="", status="not converged", eased=2,
        effects=(
            *group.effects, WearEffect("spread", "reading error", 0.3, 0.2, 0.4, "%"),
            WearEffect("factor", "season", 1.2, 0.2, 2.4, "%"), WearEffect("rate", "", 0.1),
        ),
        scale_weights=(("straight line", 0.6), ("logarithm", 0.4)),
    )  # fmt: skip
    with brackets():
        told = [scale_words(one) for one in (group, silent, more, replace(more, scale_weights=()))]
        told += [gross_heading(group), *(gross_sentence(one, group.unit) for one in group.gross), *notes_of(more)]
        for table in (*effect_tables(group), *effect_tables(more)):
            told += [table.title, table.note, table.rest]
            told += [text for row in table.rows for text in (row.name, row.estimate, row.between, row.note)]
    assert untold(told, (*DATA, "per")) == set()


def fleet_tables() -> list[Table]:
    def cohort(depot: str) -> WearCohort:
        spread = Spread(1200, 10.5, 7.0, 8.5, 12.0, 15.0)
        told = tuple(WearMonth(date(2026, k, 1), spread, Spread(3, 0.012) if k > 1 else None) for k in (1, 2))
        return WearCohort("return_flow", "warm idle", "van", depot, "ml/min", "ml/min", "300 bar", told)

    counts = tuple(StateCount(state.value, 1200) for state in State)
    day = date(2026, 10, 1)
    offset = RigOffset("return_flow", "warm idle", "K01", "from 2026-01-01", day, day, 1200, -2.5, -3.0, -2.0)
    section = WearSection("van", "", cohort(""), (cohort("Lake"), cohort("")))
    return [
        wear_table(section), states_table([StateMonth(day, day, counts)]),
        crossings_table([CrossingMonth(day, 1.5, 0, 3)]),
        rigs_table(RigFigure("van", (offset, replace(offset, base=True, low=None)))),
        Table(wear_figure(section).lines, ()),
    ]  # fmt: skip


def test_tables_of_the_fleet_are_messages() -> None:
    with brackets():
        told = [text for table in fleet_tables() for text in shown(table)]
    assert untold(told, DATA) == set()


def test_figures_follow_the_locale(october: MonthView) -> None:
    with speaking("en", "de_DE"):
        assert figures(1234.6, None, 0.5) == ("1.235", "–", "0")
        assert rate_words(0.31, 0.42, 0.53) == ("0,420", "0,310 to 0,530")
        assert span(41.0, 52.34) == "41,0 to 52,3"
        told = [text for table in fleet_tables() for text in shown(table)]
        assert {"1.200", "10,5 (7,0 to 15,0)", "−3,0 to −2,0", "1,5", "10,5, 0,012 (1.200)"} <= set(told)
        rows = [row for table in effect_tables(october.wear[0]) for row in table.rows]
        assert ("+6,2 %", "+1,1 to +11,6") in [(row.estimate, row.between) for row in rows]
        assert gross_sentence(october.wear[0].gross[0], "ml/min").endswith("88,0 ml/min, 7,4 sd above what the other "
            "readings lead to expect, not counted")  # fmt: skip
    assert between(41.0, 52.34) == "(41.0\u00a0to\u00a052.3)"


def test_short_days_are_three_letters_and_near_ones_have_their_day() -> None:
    assert short_day(date(2026, 11, 5), NOW) == "5 Nov 2026"
    assert short_day(date(2027, 9, 5), NOW) == "Sep 2027"

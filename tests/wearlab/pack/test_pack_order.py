"""What a pack shows put in order: parts by state, limits said once, figures of an interval, readings as a table."""

from __future__ import annotations

from datetime import date

from wearlab.pack.order import count_states, mark, sort_attention, urgency, worst
from wearlab.pack.page_words import grounds
from wearlab.pack.pictures import readings_table
from wearlab.pack.view import Attention, MonthView, PartState
from wearlab.pack.wear_words import figures, rate_words
from wearlab.records import State


def test_limits_and_conditions_are_said_once_for_all_parts(october: MonthView) -> None:
    # three parts are judged by one limit, under one set of conditions
    assert grounds(october.attention) == (
        "return flow, warm idle, at most 45 ml/min: warm idle, version 2; workshop manual of the engine, invented",
        "return flow, warm idle: levels are told under 300 bar, 60 °C",
    )


def test_figures_of_an_interval_have_the_decimals_of_its_value() -> None:
    assert figures(0.119, -0.00686, 0.229) == ("0.119", "-0.007", "0.229")
    assert figures(1.15, 1.1, 1.2) == ("1.15", "1.10", "1.20")
    assert figures(-0.0136, -0.218, 0.191) == ("-0.014", "-0.218", "0.191")
    assert figures(1234.6, None) == ("1,235", "–")
    assert figures(0.0) == ("0",)
    assert rate_words(None, 0.5, None) == ("0.500", "")


def test_data_tables_hold_every_reading(october: MonthView) -> None:
    history = october.vehicles[0].history
    assert history is not None
    crank = [series for series in history.series if series.protocol == "crank 15 s"]
    table = readings_table(crank)
    assert table.headers == ("date", "odometer", "injector 1", "injector 2", "injector 3", "injector 4")
    assert len(table.rows) == 9
    assert table.rows[-1][3] == "at least 60.0"
    assert not any("–" in row[2:] for row in table.rows)


def test_attention_is_sorted_by_state_then_date() -> None:
    def item(state: str, middle: date | None, vehicle: str = "K1") -> Attention:
        return Attention(vehicle, "1", "p", state, "return_flow", "idle", "why", date_p50=middle)

    late, soon = date(2028, 1, 1), date(2027, 1, 1)
    items = [
        item("watch", soon),
        item("book", None),
        item("book", late),
        item("past limit", None),
        item("book", soon),
    ]
    assert [(one.state, one.date_p50) for one in sort_attention(items)] == [
        ("past limit", None), ("book", soon), ("book", late), ("book", None), ("watch", soon),
    ]  # fmt: skip


def test_counts() -> None:
    assert {count.state: count.parts for count in count_states(["book", "book", "steady"])} == {
        **dict.fromkeys((state.value for state in State), 0), "book": 2, "steady": 1,
    }  # fmt: skip


def test_unknown_states_have_a_mark_and_come_last() -> None:
    assert mark(None) == "·"
    assert urgency(None) > max(urgency(state) for state in State)


def test_a_test_without_a_limit_never_hides_a_state_that_has_one() -> None:
    def part(state: str) -> PartState:
        return PartState("1", "P1", "return_flow", "warm idle", "ml/min", state, 3)

    assert worst([]) is None
    assert worst([part("no limit"), part("no limit")]) == part("no limit")
    assert worst([part("no limit"), part("steady")]) == part("steady")
    assert worst([part("steady"), part("watch"), part("no limit")]) == part("watch")

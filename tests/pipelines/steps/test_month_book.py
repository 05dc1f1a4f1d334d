"""What is booked, month by month, and what presses without a visit; figures by hand."""

from __future__ import annotations

from datetime import date

import pytest

from month_example import by_vehicle, forecast
from pipelines.steps.month_book import book_months, months_ahead, not_booked, window_end
from plan_example import AS_OF, FIRST, NEXT, example, line, visit
from wearlab.plan.crossing_law import Spread
from wearlab.records import NoAnswer


@pytest.mark.parametrize(
    ("day", "months", "end"),
    [
        (date(2026, 10, 31), ((2026, 11), (2026, 12), (2027, 1)), date(2027, 1, 31)),
        (date(2026, 10, 15), ((2026, 10), (2026, 11), (2026, 12)), date(2026, 12, 31)),
        (date(2027, 11, 30), ((2027, 12), (2028, 1), (2028, 2)), date(2028, 2, 29)),
    ],
)
def test_the_months_run_from_the_day_after(day: date, months: tuple[tuple[int, int], ...], end: date) -> None:
    assert tuple((one.year, one.month) for one in months_ahead(day)) == months
    assert window_end(day) == end


def test_a_visit_tells_its_most_pressing_part_and_a_month_its_sum() -> None:
    rows = by_vehicle(
        forecast(state="watch", position="pump", part="V12/pump", unit="bar", measure="pump_peak"),
        forecast(state="book"),
        forecast(vehicle="V07", position="2", state="past limit", date_p10=date(2026, 6, 1), date_p50=date(2026, 7, 1),
                 date_p90=date(2026, 8, 1)),
    )  # fmt: skip
    november, december, january = book_months(example(), rows)
    (row,) = november.rows
    assert (row.vehicle, row.day, row.visit, row.state) == ("V12", FIRST, "in the diary", "book")
    assert row.work == "replace injector 3; test the pump"
    assert row.when == "between March and July 2027, most likely May 2027"
    assert row.reason == "Chance of being past the limit on 12 November 2026: 6 in 10."
    assert [part.position for part in row.parts] == ["3", "pump"]
    assert row.parts[0].level == "25.4 ml/min (23.1 to 27.9)"
    assert row.parts[0].rule == "van idle, at most 28 ml/min (version 2)"
    assert row.cost_words == "861 crowns"
    assert november.sentence == (
        "1 visit, 1 part to replace, 1 whose test decides, 861 crowns of work, 2.2 h in the bay."
    )
    (late,) = december.rows
    assert (late.visit, late.cost, late.cost_words) == ("call it in", None, "not known")
    assert late.when == "past already, since about July 2026"
    assert (january.title, january.rows, january.sentence) == ("January 2027", (), "Nothing is to be replaced.")


def test_waiting_adds_up_over_the_parts_of_a_visit() -> None:
    two = (
        line(km_if_left=Spread(5000.0, 1000.0, 9000.0), cost_if_left=Spread(200.0, 60.0, 500.0)),
        line(position="1", km_if_left=Spread(3000.0, 0.0, 5000.0), cost_if_left=Spread(100.0, 40.0, 300.0)),
    )
    plan = example(lines=two, visits=(visit(replace=("3", "1"), test=()),))
    (row,) = book_months(plan, by_vehicle(forecast()))[0].rows
    assert row.waiting == (
        "Left until 20 May 2027, the next visit: about 8,000 (1,000 to 14,000) km past the limit, and road failures "
        "for 300 (100 to 800) crowns (2 parts together)."
    )
    assert row.parts[1].state is None
    assert row.parts[1].when == ""


def test_a_visit_on_the_day_itself_is_in_the_first_month() -> None:
    plan = example(lines=(line(day=AS_OF),), visits=(visit(day=AS_OF, test=()),))
    assert [len(month.rows) for month in book_months(plan, {})] == [1, 0, 0]


def test_what_presses_without_a_visit_says_why() -> None:
    gone = {"state": "past limit", "date_p10": date(2026, 6, 1), "date_p50": date(2026, 7, 1)}
    rows = by_vehicle(
        forecast(state="book"),  # the first visit replaces it
        forecast(position="1", state="steady"),
        forecast(vehicle="V07", position="2", **gone),
        forecast(vehicle="V03", position="4", **gone),
        forecast(vehicle="V09", position="2", state="book"),
        forecast(vehicle="V09", position="set", state="book"),
    )
    late = example(lines=(line(), line(vehicle="V07", position="2", day=NEXT, why_now="only visit", past_then=0.995)))
    found = {(one.vehicle, one.position): one.why for one in not_booked(late, rows)}
    assert found == {
        ("V03", "4"): "The vehicle is not planned: it leaves before its next visit.",
        ("V07", "2"): (
            "The plan deals with it on 20 May 2027; chance of being past the limit then: over 99 in 100. The only "
            "known visit by which a new part can be there."
        ),
        ("V09", "2"): (
            "Of the ways that the rules leave, the best one leaves it as it is for the 6 months of the plan."
        ),
        ("V09", "set"): (
            "The limit is one of several injectors together: the plan replaces single parts by their own limits."
        ),
    }
    none = example(schedule=NoAnswer("the solver stopped"), lines=(), visits=(), left_out=())
    assert {one.why for one in not_booked(none, rows)} == {"No plan: the solver stopped."}

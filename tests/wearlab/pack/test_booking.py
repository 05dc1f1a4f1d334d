"""When to book and how sure that is, in words, tables and on a line of months."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as st

from wearlab.charts.words import position_words
from wearlab.pack.answers import booking_answers, next_tests
from wearlab.pack.booking import Booking, about_day, short_day
from wearlab.pack.pack_view import Head, VehicleSheet
from wearlab.pack.pages import vehicle_html
from wearlab.pack.view import MonthView, PartState

NOW = date(2026, 10, 31)


def part(position: str = "3", state: str = "watch", **more: object) -> PartState:
    told = PartState(position, f"P{position}", "return_flow", "warm idle", "ml/min", state, 5, limit=40.0)
    return replace(told, **more)  # type: ignore[arg-type]


def booked(state: str = "watch", **more: object) -> Booking:
    return Booking.of_part(part(state=state, **more), NOW)


AHEAD = {
    "past": 0.001,
    "within_30": 0.004,
    "within_90": 0.02,
    "within_180": 0.2,
    "within_365": 0.62,
    "date_p05": date(2027, 2, 20),
    "date_p10": date(2027, 3, 9),
    "date_p50": date(2027, 9, 1),
    "date_p90": date(2028, 5, 10),
    "odometer_p10_km": 318_400.0,
    "odometer_p50_km": 341_600.0,
    "odometer_p90_km": 377_000.0,
}
SOON = {
    "past": 0.3,
    "within_90": 0.7,
    "date_p10": date(2026, 9, 1),
    "date_p50": date(2026, 11, 25),
    "date_p90": date(2027, 5, 1),
}


def test_work_is_booked_before_the_chance_is_one_in_ten() -> None:
    told = booked(**AHEAD)
    # 9 March is told as a month, and the last month that ends before it is February
    assert told.book_by == date(2027, 2, 28)
    assert told.law is not None
    assert told.law.chance_by(date(2027, 2, 28)) < 0.1
    assert (told.booking, told.booking_short) == ("end of February 2027", "Feb 2027")
    assert told.sentence == (
        "book by the end of February 2027; chance of being past the limit: 6 in 10 by end of October 2027; "
        "most likely in September 2027 at about 342,000 km"
    )
    assert told.sure_short == "6 in 10 by Oct 2027"
    assert [told.told(k) for k in range(3)] == ["Mar 2027", "Sep 2027", "May 2028"]


def test_a_day_within_three_months_is_told_as_a_day() -> None:
    near = booked(**(AHEAD | {"date_p10": date(2026, 12, 20), "within_90": 0.2}))
    assert near.booking == "20 December 2026"
    assert near.sentence.startswith(
        "book by 20 December 2026; chance of being past the limit: 2 in 10 by end of January 2027"
    )
    assert about_day(date(2027, 1, 31), NOW) == "31 January 2027"
    assert about_day(date(2027, 2, 1), NOW) == "February 2027"
    assert (short_day(date(2027, 1, 31), NOW), short_day(date(2027, 2, 1), NOW)) == ("31 Jan 2027", "Feb 2027")


def test_what_is_late_is_booked_now() -> None:
    told = booked("book", **SOON)
    assert told.booking == "now"
    assert told.sentence == (
        "book now; chance of being past the limit: 3 in 10 by now, 7 in 10 by end of January 2027; "
        "most likely on 25 November 2026"
    )
    assert [told.told(k) for k in range(3)] == ["by now", "25 Nov 2026", "May 2027"]
    gone = booked("past limit", past=0.97)
    assert gone.sentence == "book now; chance of being past the limit: 49 in 50 by now"
    assert gone.sure_short == "49 in 50 by now"


def test_nothing_is_booked_that_is_steady_or_has_no_date() -> None:
    steady = booked("steady", **(AHEAD | {"within_365": 0.02, "date_p05": None, "date_p10": date(2030, 1, 1)}))
    assert (steady.booking, steady.book_by) == ("", None)
    assert booked("no answer").advice == "no date can be told"
    assert [booked("steady").told(k) for k in range(3)] == ["–", "–", "–"]
    assert booked("steady", date_p10=date(2034, 1, 1)).told(1) == "later"


def test_the_fan_is_a_line_of_months() -> None:
    #                                NDJFMAMJJASO (from October 2026 on: O N D J F M ...)
    assert booked(**AHEAD).fan(24) == ".....------O--------...."
    assert booked(**(AHEAD | {"date_p90": None})).fan(14) == ".....------O->"
    assert booked(**(AHEAD | {"date_p90": date(2028, 5, 1)})).fan(12) == ".....------O"
    assert booked("book", **SOON).fan(10) == "<O------.."
    assert booked("book", **(SOON | {"date_p50": date(2026, 10, 2)})).fan(10) == "O-------.."
    assert booked(date_p10=date(2031, 1, 1)).fan(12) == "." * 12
    assert booked("no answer").fan(12) == "." * 12


days = st.integers(-400, 3000).map(lambda n: NOW + timedelta(days=n))


@given(st.lists(days, min_size=3, max_size=3).map(sorted), st.integers(0, 3), st.integers(1, 40))
def test_a_fan_has_one_sign_a_month_and_at_most_one_middle(told: list[date], unknown: int, months: int) -> None:
    dates: list[date | None] = [*told[: 3 - unknown], *[None] * unknown]
    names = ("date_p10", "date_p50", "date_p90")
    fan = booked(**dict(zip(names, dates, strict=True))).fan(months)
    assert len(fan) == months
    assert re.fullmatch(r"\.*<?-*O?-*>?\.*", fan)


def test_answers_put_what_is_pressing_first_and_join_the_rest() -> None:
    calm = {"past": 0.0, "within_365": 0.013, "date_p10": date(2031, 1, 1), "date_p50": date(2034, 1, 1)}
    states = [
        part("4", "steady", **calm),
        part("1", "steady", **(calm | {"within_365": 0.004})),
        part("3", "watch", **AHEAD),
        part("2", "book", **SOON),
        part("5", "test again", cause="the last test is 460 days old, older than 450 days"),
        part("6", "no answer", no_answer="fewer than 3 readings (left out: 2 beyond the scale)"),
        replace(part("1", "no limit"), protocol="crank 15 s"),
        replace(part("2", "no limit"), protocol="crank 15 s"),
    ]
    told = booking_answers(states, NOW)
    assert [text[:11] for text in told[:4]] == ["Injector 2 ", "Injector 5 ", "Injector 3 ", "Injector 6 "]
    assert told[1] == (
        "Injector 5 (return flow, warm idle): test before anything is booked; "
        "the last test is 460 days old, older than 450 days."
    )
    assert told[3] == "Injector 6 (return flow, warm idle): no answer: fewer than 3 readings."
    assert told[4] == (
        "Injectors 1 and 4 (return flow, warm idle): steady in warm idle, nothing to book; chance of being past the "
        "limit by October 2027: at most 1 in 100."
    )
    assert told[5] == "No limit is configured for return flow, crank 15 s: nothing can be booked by these."
    assert len(told) == 6


def test_a_past_limit_is_said_first() -> None:
    (text,) = booking_answers([part("2", "past limit", past=0.96)], NOW)
    assert text == (
        "Injector 2 (return flow, warm idle): past its limit; book now; chance of being past the limit: 19 in 20 by "
        "now."
    )


def test_a_rule_about_the_set_is_told_apart_and_asks_for_no_second_test() -> None:
    watched = part("4", "book", retest_by=NOW, retest_why="a test tells which", rule="van idle", **SOON)
    of_set = part("4", "steady", retest_by=date(2026, 8, 1), retest_why="the usual interval", rule="times the lowest")
    of_set = replace(of_set, unit="times")
    told = booking_answers([of_set, watched], NOW)
    assert told[0].startswith("Injector 4 (return flow, warm idle): book now")
    assert told[1].startswith('Injector 4 (return flow, warm idle, rule "times the lowest"): steady')
    assert next_tests([of_set, watched], NOW) == ("Injector 4 (return flow, warm idle): test now; a test tells which.",)


def test_the_next_test_is_told_once_for_parts_alike() -> None:
    usual = {"retest_why": "the usual interval after the last test"}
    states = [
        part("1", retest_by=date(2027, 6, 12), **usual),
        part("2", retest_by=date(2027, 6, 12), **usual),
        replace(part("pump", retest_by=date(2027, 6, 12), **usual), measure="pump_rise", protocol="bench"),
        part("3", retest_by=NOW, retest_why="a new test settles what the last one left open"),
        part("4", retest_by=date(2026, 8, 1), **usual),
        part("5", retest_why="the part is past its limit: another test would change nothing"),
    ]
    assert next_tests(states, NOW) == (
        "Injector 4 (return flow, warm idle): the test is overdue since 1 August 2026; the usual interval after the "
        "last test.",
        "Injector 3 (return flow, warm idle): test now; a new test settles what the last one left open.",
        "Injectors 1 and 2 (return flow, warm idle); pump (pump rise, bench): test by June 2027; the usual interval "
        "after the last test.",
    )


def test_a_vehicles_page_says_when_to_book_and_what_changed(october: MonthView) -> None:
    watched = part(
        "3", "watch", **AHEAD, retest_by=date(2027, 6, 12), retest_why="the usual interval after the last test",
        changed="watch after steady on 2026-09-30: a new test on 2026-10-12", note="the vehicle leaves on 2027-05-01",
    )  # fmt: skip
    head = Head("Milk round", "October 2026", NOW, "0.1.0")
    html = vehicle_html(VehicleSheet(head, replace(october.vehicles[0], states=(watched,))))
    text = " ".join(re.sub(r"<[^>]+>", " ", html).split())
    for words in (
        "book by the end of February 2027; chance of being past the limit: 6 in 10 by end of October 2027; most likely",
        "njector 3: watch after steady on 30 September 2026: a new test on 12 October 2026",
        "njector 3: the vehicle leaves on 1 May 2027",
    ):
        assert words in text


def test_a_bank_is_named_as_one() -> None:
    assert [position_words(name) for name in ("bank 1", "set", "pump", "2")] == [
        "bank 1",
        "whole set",
        "pump",
        "injector 2",
    ]

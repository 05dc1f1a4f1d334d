"""When one more test would change what is done."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlab.config import Horizons, Visits
from wearlab.forecast.calendar import CalendarForecast
from wearlab.forecast.date_law import law_of
from wearlab.forecast.retest import Retest, retest
from wearlab.records import State

NOW = date(2026, 10, 31)
VISITS = Visits(every_days=365, every_km=30_000)
LIMITS = Horizons()


def after(days: int) -> date:
    return NOW + timedelta(days=days)


RISK = "the chance of having passed the limit"
LAST = after(-100)
DUE = after(265)


def early(days: int, **more: date) -> CalendarForecast:
    """The limit is passed with 1 chance in 10 by that many days."""
    return CalendarForecast(date_p10=after(days), date_p50=after(days + 300), **more)  # type: ignore[arg-type]


def asked(forecast: CalendarForecast, state: State = State.STEADY, km_per_day: float | None = None) -> Retest:
    return retest(LAST, NOW, VISITS, LIMITS, state=state, forecast=forecast, km_per_day=km_per_day)


def test_a_crossing_far_away_leaves_the_usual_interval() -> None:
    told = asked(early(2000))
    assert told.by == DUE
    assert "stays below 1 in 10 beyond the visit after it" in told.why
    # 30,000 km at 100 km a day are 300 days
    assert asked(early(2000), km_per_day=100).by == after(200)
    # without a law nothing is claimed of the chance
    silent = asked(CalendarForecast(no_answer="the level moves away"))
    assert silent == Retest(DUE, "the usual interval after the last test")


def test_the_last_visit_before_the_chance_is_one_that_matters() -> None:
    told = asked(early(400))
    assert told.by == DUE
    assert told.why.endswith(f"left out, {RISK} reaches 1 in 10 before the visit after it")


def test_a_planned_visit_that_comes_first_is_used() -> None:
    told = asked(early(200, next_visit=after(120)), State.WATCH)
    assert told == Retest(after(120), f"the last planned visit before {RISK} reaches 1 in 10")
    # a visit long before a crossing far away tells nothing that the usual one would not
    assert asked(early(2000, next_visit=after(120))).by == DUE


def test_a_visit_planned_a_little_later_takes_the_place_of_the_interval() -> None:
    assert asked(early(2000, next_visit=after(300))).by == after(300)
    # by then the last test would be stale: 450 days after it
    assert asked(early(2000, next_visit=after(400))).by == DUE


def test_without_a_visit_in_time_a_day_of_its_own() -> None:
    told = asked(early(80, next_visit=after(120)), State.WATCH)
    assert told == Retest(after(80), f"{RISK} reaches 1 in 10 then, before the next visit")
    told = asked(replace(early(-30), past=0.31), State.BOOK)
    assert told.by == NOW
    assert "is 3 in 10 by now" in told.why


def test_states_that_decide_alone() -> None:
    assert asked(early(-30), State.PAST_LIMIT).by is None
    assert asked(early(-30), State.NO_LIMIT).by is None
    assert asked(early(900), State.TEST_AGAIN).by == NOW
    assert "left open" in asked(early(900), State.TEST_AGAIN).why
    stale = retest(after(-LIMITS.stale_days - 1), NOW, VISITS, LIMITS, state=State.TEST_AGAIN, forecast=early(900))
    assert (stale.by, stale.why) == (NOW, "the last test is too old to go by")
    nothing = retest(None, NOW, VISITS, LIMITS, state=State.NO_ANSWER, forecast=CalendarForecast())
    assert nothing.by == NOW
    overdue = retest(after(-500), NOW, Visits(), LIMITS, state=State.STEADY, forecast=early(2000))
    assert overdue.by == after(-135)


def test_the_threshold_is_the_users() -> None:
    told = replace(early(80), within_30=0.02)
    careful = Horizons(watch_chance=0.02, watch_leave=0.01)
    assert retest(LAST, NOW, VISITS, careful, state=State.WATCH, forecast=told).by == after(30)


@given(
    st.integers(1, 3000),
    st.none() | st.integers(0, 700),
    st.sampled_from([State.STEADY, State.WATCH, State.BOOK]),
)
def test_no_test_is_later_than_the_chance_or_stale(edge: int, visit: int | None, state: State) -> None:
    forecast = early(edge) if visit is None else early(edge, next_visit=after(visit))
    told = asked(forecast, state)
    assert told.by is not None
    assert told.why
    law = law_of(forecast, NOW)
    assert law is not None
    assert law.chance_by(told.by - timedelta(days=1)) < LIMITS.watch_chance
    assert told.by <= LAST + timedelta(days=LIMITS.stale_days)


@pytest.mark.parametrize("state", list(State))
def test_every_answer_has_a_reason(state: State) -> None:
    assert asked(early(100), state).why

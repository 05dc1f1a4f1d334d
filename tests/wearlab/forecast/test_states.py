"""States and the next test, rule by rule."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlab.config import Horizons, Visits
from wearlab.forecast.calendar import CalendarForecast
from wearlab.forecast.states import PartEvidence, level_past, part_state, reading_past, retest_by
from wearlab.records import State
from wearlab.wear.line import Interval

NOW = date(2026, 10, 1)
HORIZONS = Horizons(book_days=90, watch_days=365, stale_days=450)


def after(days: int) -> date:
    return NOW + timedelta(days=days)


GOOD = PartEvidence(
    limit=40.0,
    direction="above",
    readings=5,
    last_test=after(-100),
    last_level=25.0,
    last_bound=None,
    level=Interval(24.0, 22.0, 26.0, 0.9),
    forecast=CalendarForecast(after(800), after(1200), after(2500)),
)
PAST = Interval(45.0, 42.0, 48.0, 0.9)
ASTRIDE = Interval(39.0, 36.0, 42.0, 0.9)


def state(evidence: PartEvidence) -> State:
    return part_state(evidence, HORIZONS, NOW).state


def test_far_from_the_limit_is_steady() -> None:
    assert state(GOOD) is State.STEADY


def test_past_the_limit_needs_the_reading_and_the_level() -> None:
    assert state(replace(GOOD, last_level=44.0, level=PAST)) is State.PAST_LIMIT
    for evidence, words in (
        (replace(GOOD, last_level=44.0, level=ASTRIDE), "level is not surely"),
        (replace(GOOD, last_level=38.0, level=PAST), "last reading is not"),
        (replace(GOOD, last_level=44.0, level=None, readings=1), "only reading"),
        (replace(GOOD, last_level=44.0, level=None, readings=2), "level is not surely"),
    ):
        answer = part_state(evidence, HORIZONS, NOW)
        assert answer.state is State.TEST_AGAIN
        assert words in answer.cause


def test_a_falling_measure_fails_below_its_limit() -> None:
    low = Interval(920, 900, 950, 0.9)
    pump = replace(GOOD, direction="below", limit=1000.0, last_level=900.0, level=low)
    assert state(pump) is State.PAST_LIMIT
    assert state(replace(pump, last_level=1200.0, level=Interval(1200, 1150, 1250, 0.9))) is State.STEADY


def test_a_reading_beyond_the_scale_may_leave_its_side_open() -> None:
    assert state(replace(GOOD, last_level=39.0, last_bound="at_least")) is State.TEST_AGAIN
    assert state(replace(GOOD, last_level=44.0, last_bound="at_least", level=PAST)) is State.PAST_LIMIT
    limiter = replace(GOOD, direction="below", limit=1000.0, last_level=1500.0, last_bound="at_least")
    assert state(replace(limiter, level=Interval(1500, 1450, 1550, 0.9))) is State.STEADY


@pytest.mark.parametrize(
    ("level", "bound", "direction", "past"),
    [
        (41, None, "above", True),
        (40, None, "above", False),
        (41, "at_least", "above", True),
        (40, "at_least", "above", None),
        (39, "at_most", "above", False),
        (41, "at_most", "above", None),
        (39, None, "below", True),
        (40, None, "below", False),
        (41, "at_least", "below", False),
        (39, "at_least", "below", None),
        (39, "at_most", "below", True),
        (41, "at_most", "below", None),
    ],
)
def test_which_side_a_reading_lies_on(level: float, bound: str | None, direction: str, past: bool | None) -> None:
    assert reading_past(level, bound, 40, direction) is past  # type: ignore[arg-type]


def test_which_side_a_level_lies_on() -> None:
    assert level_past(PAST, 40, "above") is True
    assert level_past(PAST, 40, "below") is False
    assert level_past(ASTRIDE, 40, "above") is None
    assert level_past(ASTRIDE, 40, "below") is None


@pytest.mark.parametrize(
    ("early", "middle", "expected"),
    [
        (10, 90, State.BOOK),
        (10, 91, State.WATCH),
        (365, 900, State.WATCH),
        (366, 900, State.STEADY),
        (-30, -5, State.BOOK),
        (200, None, State.WATCH),
        (None, None, State.STEADY),
    ],
)
def test_dates_make_states(early: int | None, middle: int | None, expected: State) -> None:
    dates = [None if days is None else after(days) for days in (early, middle)]
    answer = part_state(replace(GOOD, forecast=CalendarForecast(dates[0], dates[1])), HORIZONS, NOW)
    assert answer.state is expected
    if middle == -5:
        assert "seems to have passed" in answer.cause


def test_a_stale_test_is_never_steady() -> None:
    assert state(replace(GOOD, last_test=after(-450))) is State.STEADY
    answer = part_state(replace(GOOD, last_test=after(-451)), HORIZONS, NOW)
    assert answer.state is State.TEST_AGAIN
    assert "451 days old" in answer.cause


def test_no_limit_and_no_reading() -> None:
    assert state(replace(GOOD, limit=None)) is State.NO_LIMIT
    assert state(replace(GOOD, readings=0, last_test=None, last_level=None)) is State.NO_ANSWER


def test_without_a_line_the_reason_is_the_answer() -> None:
    reason = "a line needs at least 3 readings, there are 2"
    answer = part_state(
        replace(GOOD, readings=2, level=None, forecast=CalendarForecast(no_answer=reason)), HORIZONS, NOW
    )
    assert (answer.state, answer.cause) == (State.NO_ANSWER, reason)


def test_a_level_that_moves_away_is_steady_only_on_the_good_side() -> None:
    away = CalendarForecast(no_answer="the level moves away from the limit")
    assert state(replace(GOOD, forecast=away)) is State.STEADY
    assert state(replace(GOOD, forecast=away, level=ASTRIDE, last_level=38.0)) is State.TEST_AGAIN


def test_without_usage_no_state_is_claimed() -> None:
    blind = CalendarForecast(odometer_p50_km=270_000.0, no_dates="no believable odometer reading")
    answer = part_state(replace(GOOD, forecast=blind), HORIZONS, NOW)
    assert (answer.state, answer.cause) == (State.NO_ANSWER, "no believable odometer reading")


def test_a_change_of_state_is_told_when_the_earlier_one_is_known() -> None:
    assert part_state(GOOD, HORIZONS, NOW).changed is None
    assert part_state(GOOD, HORIZONS, NOW, State.STEADY).changed is False
    assert part_state(GOOD, HORIZONS, NOW, State.WATCH).changed is True


def test_next_test() -> None:
    visits = Visits(every_days=365, every_km=30_000)
    last = after(-100)
    assert retest_by(last, NOW, visits, state=State.STEADY) == last + timedelta(days=365)
    # 30,000 km at 100 km a day are 300 days
    assert retest_by(last, NOW, visits, state=State.STEADY, km_per_day=100) == last + timedelta(days=300)
    assert retest_by(last, NOW, visits, state=State.WATCH, date_p10=after(50)) == after(50)
    assert retest_by(last, NOW, visits, state=State.BOOK, date_p10=after(-50)) == NOW
    assert retest_by(after(-500), NOW, visits, state=State.STEADY) == after(-135)
    assert retest_by(last, NOW, visits, state=State.TEST_AGAIN) == NOW
    assert retest_by(last, NOW, visits, state=State.PAST_LIMIT) is None
    assert retest_by(None, NOW, visits, state=State.NO_ANSWER) == NOW


levels = st.floats(0, 80).map(lambda value: round(value, 1))
maybe_day = st.none() | st.integers(-500, 4000).map(after)


@given(
    levels,
    st.sampled_from([None, "at_least", "at_most"]),
    st.none() | st.tuples(levels, levels, levels).map(sorted),
    st.tuples(maybe_day, maybe_day),
    st.integers(0, 900),
    st.sampled_from(["above", "below"]),
)
def test_steady_is_never_said_of_a_stale_test_or_a_part_past_its_limit(
    last: float,
    bound: str | None,
    ends: list[float] | None,
    days: tuple[date | None, date | None],
    age: int,
    direction: str,
) -> None:
    evidence = PartEvidence(
        limit=40.0,
        direction=direction,  # type: ignore[arg-type]
        readings=4,
        last_test=after(-age),
        last_level=last,
        last_bound=bound,
        level=None if ends is None else Interval(ends[1], ends[0], ends[2], 0.9),
        forecast=CalendarForecast(*days),
    )
    answer = part_state(evidence, HORIZONS, NOW)
    assert answer.cause
    if answer.state is State.STEADY:
        assert age <= HORIZONS.stale_days
        assert reading_past(last, bound, 40.0, evidence.direction) is False
        assert days[1] is None or days[1] > after(90)
    if answer.state is State.PAST_LIMIT:
        assert ends is not None
        assert (ends[0] > 40) if direction == "above" else (ends[2] < 40)


def test_a_pump_at_its_limiter_is_steady_and_a_low_bound_is_not() -> None:
    at_limiter = PartEvidence(
        limit=1200.0,
        direction="below",
        readings=6,
        last_test=after(-60),
        last_level=1600.0,
        last_bound="at_least",
        level=None,
        forecast=CalendarForecast(no_answer="a line needs at least 3 readings, there are 0"),
    )
    assert state(at_limiter) is State.STEADY
    assert state(replace(at_limiter, last_level=1000.0)) is State.TEST_AGAIN  # anything above 1000: open
    assert state(replace(at_limiter, last_test=after(-500))) is State.TEST_AGAIN

"""States and the next test, rule by rule."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlab.config import Horizons
from wearlab.forecast.calendar import CalendarForecast
from wearlab.forecast.states import PartEvidence, level_past, part_state, reading_past
from wearlab.records import State
from wearlab.wear.line import Interval

NOW = date(2026, 10, 1)
HORIZONS = Horizons()
ORDER = (State.STEADY, State.WATCH, State.BOOK)


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
        assert "within 90 days" in answer.cause


def chanced(past: float | None, book: float, watch: float) -> CalendarForecast:
    return CalendarForecast(past=past, book_chance=book, watch_chance=watch)


@pytest.mark.parametrize(
    ("told", "expected", "words"),
    [
        (chanced(0.01, 0.49, 0.8), State.WATCH, "8 in 10 that the level passes the limit within 365 days"),
        (chanced(0.01, 0.5, 0.8), State.BOOK, "5 in 10 that the level passes the limit within 90 days"),
        (chanced(0.6, 0.8, 0.9), State.BOOK, "6 in 10 that the level is past the limit by now"),
        (chanced(0.0, 0.0, 0.1), State.WATCH, "1 in 10"),
        (chanced(0.0, 0.0, 0.02), State.STEADY, "warm idle: 1 in 50 of passing the limit within 365 days"),
    ],
)
def test_chances_make_states(told: CalendarForecast, expected: State, words: str) -> None:
    # dates that say otherwise do not count where chances are told
    dated = replace(told, date_p10=after(1), date_p50=after(2))
    answer = part_state(replace(GOOD, forecast=dated, protocol="warm idle"), HORIZONS, NOW)
    assert answer.state is expected
    assert words in answer.cause


def test_the_thresholds_are_the_users() -> None:
    told = replace(GOOD, forecast=chanced(0.0, 0.25, 0.3))
    assert part_state(told, Horizons(book_chance=0.2, book_leave=0.1), NOW).state is State.BOOK
    assert part_state(told, Horizons(watch_chance=0.4, watch_leave=0.3), NOW).state is State.STEADY


def test_past_the_limit_by_chance() -> None:
    """A reading past the limit is not enough: the level must be so with a chance of 0.95, or have been and keep 0.8."""
    reading = replace(GOOD, last_level=44.0, level=ASTRIDE)
    for chance, before, expected in (
        (0.96, None, State.PAST_LIMIT),
        (0.9, None, State.TEST_AGAIN),
        (0.9, State.PAST_LIMIT, State.PAST_LIMIT),
        (0.79, State.PAST_LIMIT, State.TEST_AGAIN),
    ):
        evidence = replace(reading, forecast=chanced(chance, 0.99, 0.99))
        assert part_state(evidence, HORIZONS, NOW, before).state is expected
    assert "6 in 10" in part_state(replace(reading, forecast=chanced(0.6, 0.9, 0.9)), HORIZONS, NOW).cause


@pytest.mark.parametrize(
    ("state", "book", "watch"),
    [(State.BOOK, (0.51, 0.45, 0.41, 0.39), (0.9,) * 4), (State.WATCH, (0.0,) * 4, (0.11, 0.07, 0.051, 0.049))],
)
def test_a_state_is_left_at_a_lower_chance_than_it_is_entered(
    state: State, book: tuple[float, ...], watch: tuple[float, ...]
) -> None:
    def run(order: int) -> list[State]:
        told, last = [], None
        for b, w in list(zip(book, watch, strict=True))[::order]:
            last = part_state(replace(GOOD, forecast=chanced(0.0, b, w)), HORIZONS, NOW, last).state
            told.append(last)
        return told

    milder = ORDER[ORDER.index(state) - 1]
    assert run(1) == [state, state, state, milder]  # on the way down it stays
    assert run(-1) == [milder, milder, milder, state]  # on the way up it waits


@pytest.mark.parametrize(
    ("before", "told", "expected"),
    [
        # one threshold was passed by a graver state too: it is left at the lower chance all the same
        (State.PAST_LIMIT, chanced(0.3, 0.42, 0.9), State.BOOK),
        (State.PAST_LIMIT, chanced(0.3, 0.39, 0.9), State.WATCH),
        (State.BOOK, chanced(0.0, 0.2, 0.06), State.WATCH),
        (State.PAST_LIMIT, chanced(0.0, 0.0, 0.06), State.WATCH),
        (State.BOOK, chanced(0.0, 0.0, 0.04), State.STEADY),
        # a milder state passed none of them
        (State.WATCH, chanced(0.0, 0.42, 0.9), State.WATCH),
        (State.STEADY, chanced(0.0, 0.0, 0.06), State.STEADY),
        (State.TEST_AGAIN, chanced(0.0, 0.42, 0.9), State.WATCH),
    ],
)
def test_a_graver_state_is_remembered_by_the_milder_ones(
    before: State, told: CalendarForecast, expected: State
) -> None:
    assert part_state(replace(GOOD, forecast=told), HORIZONS, NOW, before).state is expected


@given(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1), st.floats(0, 0.3), st.sampled_from([None, *ORDER]))
def test_more_wear_never_makes_a_state_milder(
    past: float, book: float, watch: float, more: float, before: State | None
) -> None:
    low, middle, high = sorted((past, book, watch))
    told = [
        part_state(
            replace(GOOD, forecast=chanced(*(min(chance + add, 1.0) for chance in (low, middle, high)))),
            HORIZONS,
            NOW,
            before,
        ).state
        for add in (0.0, more)
    ]
    assert ORDER.index(told[0]) <= ORDER.index(told[1])


@given(st.lists(st.floats(0.405, 0.495), min_size=2, max_size=8), st.booleans())
def test_a_chance_that_wavers_between_the_two_thresholds_changes_nothing(chances: list[float], booked: bool) -> None:
    last = State.BOOK if booked else State.WATCH
    for chance in chances:
        told = part_state(replace(GOOD, forecast=chanced(0.0, chance, 0.9)), HORIZONS, NOW, last).state
        assert told is last


def test_a_part_whose_vehicle_leaves_says_so() -> None:
    leaves = replace(chanced(0.0, 0.2, 0.7), leaves_first=True)
    assert "the vehicle leaves before" in part_state(replace(GOOD, forecast=leaves), HORIZONS, NOW).cause


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
        protocol="crank 15 s",
    )
    answer = part_state(evidence, HORIZONS, NOW)
    assert answer.cause
    if answer.state is State.STEADY:
        assert age <= HORIZONS.stale_days
        assert reading_past(last, bound, 40.0, evidence.direction) is False
        assert days[1] is None or days[1] > after(90)
        assert answer.cause.startswith("crank 15 s")
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

"""One word for the state of a part in one measure and protocol, with its cause, and when to test it next.

The rules, first that applies (thresholds: `config.Horizons`):

1. `no limit`: no limit is configured.
2. `no answer`: there is no reading.
3. `past limit`: the last reading is past the limit, and the level's interval wholly past it.
4. `test again`: only one of these two is past; or the last reading is beyond the tube or gauge, so that its side of the
   limit is unknown.
5. `book`: the middle date lies within `book_days`, or behind.
6. `watch`: the early date lies within `watch_days`.
7. `test again`: the last test is older than `stale_days`, or the level cannot be told from the limit.
8. `steady`: the forecast is later than that, or the level moves away from the limit on the good side, or there is no
   line and the last reading is beyond the scale on the good side (a pump at the limiter).
9. `no answer`: there is neither a line nor a pace; the reason says which.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from wearlab.config import Horizons, Visits
from wearlab.forecast.calendar import CalendarForecast
from wearlab.records import Bound, State
from wearlab.wear.line import Direction, Interval


@dataclass(frozen=True, slots=True)
class PartEvidence:
    """What is known of a part: its limit, last reading, level and forecast.

    `level` is the level's interval at the last test, None without a line; `readings` counts those of the
    life.
    """

    limit: float | None
    direction: Direction
    readings: int
    last_test: date | None
    last_level: float | None
    last_bound: str | None
    level: Interval | None
    forecast: CalendarForecast


@dataclass(frozen=True, slots=True)
class StateAnswer:
    """A state, its cause as one sentence without a full stop, and whether it differs from the state before.

    `changed` is None when no earlier state was given.
    """

    state: State
    cause: str
    changed: bool | None = None


def reading_past(level: float, bound: str | None, limit: float, direction: Direction) -> bool | None:
    """Return whether a reading lies on the failing side of the limit; None if its bound leaves that open."""
    if direction == "above":
        if bound == Bound.AT_MOST:
            return False if level <= limit else None
        return level > limit or (None if bound == Bound.AT_LEAST else False)
    if bound == Bound.AT_LEAST:
        return False if level >= limit else None
    return level < limit or (None if bound == Bound.AT_MOST else False)


def level_past(level: Interval, limit: float, direction: Direction) -> bool | None:
    """Return whether the whole interval of a level is past the limit, or short of it (False), else None."""
    low, high = (level.low, level.high) if direction == "above" else (-level.high, -level.low)
    edge = limit if direction == "above" else -limit
    if low > edge:
        return True
    return False if high < edge else None


def part_state(evidence: PartEvidence, horizons: Horizons, as_of: date, previous: State | None = None) -> StateAnswer:
    """Return the state of a part as of a day."""
    state, cause = _state(evidence, horizons, as_of)
    return StateAnswer(state, cause, None if previous is None else state != previous)


def retest_by(
    last_test: date | None,
    as_of: date,
    visits: Visits,
    *,
    state: State,
    date_p10: date | None = None,
    km_per_day: float | None = None,
) -> date | None:
    """Return the day by which a part should be tested again; a day behind means that the test is overdue.

    The earlier of: the visit interval after the last test (`every_days`, or `every_km` at the vehicle's
    pace), and the early date of the crossing, at soonest today. "test again" asks for today; past the limit
    another test decides nothing, so there is none.
    """
    if state == State.PAST_LIMIT:
        return None
    if last_test is None or state == State.TEST_AGAIN:
        return as_of
    days = float(visits.every_days)
    if visits.every_km is not None and km_per_day is not None and km_per_day > 0:
        days = min(days, visits.every_km / km_per_day)
    due = last_test + timedelta(days=int(days))
    return due if date_p10 is None else min(due, max(date_p10, as_of))


def _state(evidence: PartEvidence, horizons: Horizons, as_of: date) -> tuple[State, str]:
    if evidence.readings == 0 or evidence.last_test is None or evidence.last_level is None:
        return State.NO_ANSWER, "there is no reading of this part"
    if evidence.limit is None:
        return State.NO_LIMIT, "no limit is configured for this measure and protocol"
    past = reading_past(evidence.last_level, evidence.last_bound, evidence.limit, evidence.direction)
    level = None
    if evidence.level is not None:
        level = level_past(evidence.level, evidence.limit, evidence.direction)
    judged = _against_limit(evidence, past, level)
    if judged is not None:
        return judged
    ahead = _ahead(evidence.forecast, horizons, as_of)
    if ahead is not None:
        return ahead
    age = (as_of - evidence.last_test).days
    if age > horizons.stale_days:
        return State.TEST_AGAIN, f"the last test is {age} days old, older than {horizons.stale_days} days"
    if evidence.level is not None and level is None:
        return State.TEST_AGAIN, "the readings do not tell the level from the limit"
    return _at_rest(evidence, level, horizons)


def _against_limit(evidence: PartEvidence, past: bool | None, level: bool | None) -> tuple[State, str] | None:
    if past is None:
        return State.TEST_AGAIN, "the last reading is beyond its scale and may lie on either side"
    if past and level:
        return State.PAST_LIMIT, "the last reading and the whole interval of the level are past the limit"
    if past and evidence.readings == 1:
        return State.TEST_AGAIN, "the only reading is past the limit: a second one decides"
    if past:
        return State.TEST_AGAIN, "the last reading is past the limit, the level is not surely so"
    if level:
        return State.TEST_AGAIN, "the level is past the limit, the last reading is not"
    return None


def _ahead(forecast: CalendarForecast, horizons: Horizons, as_of: date) -> tuple[State, str] | None:
    early, middle = forecast.date_p10, forecast.date_p50
    if middle is not None and middle <= as_of + timedelta(days=horizons.book_days):
        verb = "is expected to pass" if middle > as_of else "seems to have passed"
        return State.BOOK, f"the level {verb} the limit about {middle.isoformat()}"
    if early is not None and early <= as_of + timedelta(days=horizons.watch_days):
        return State.WATCH, f"the level may pass the limit from {early.isoformat()} on"
    return None


def _at_rest(evidence: PartEvidence, level: bool | None, horizons: Horizons) -> tuple[State, str]:
    forecast = evidence.forecast
    if forecast.no_answer is not None:
        # what is not past though its bound is open can only be beyond the scale on the good side
        if evidence.level is None and evidence.last_bound is not None:
            return State.STEADY, "the last reading is beyond the scale, on the good side of the limit"
        if level is False:
            return State.STEADY, f"the level is short of the limit; no crossing: {forecast.no_answer}"
        return State.NO_ANSWER, forecast.no_answer
    if forecast.no_dates is not None:
        return State.NO_ANSWER, forecast.no_dates
    return State.STEADY, f"no crossing expected within {horizons.watch_days} days"

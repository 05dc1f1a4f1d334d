"""One word for the state of a part in one measure and protocol, with its cause.

The rules, first that applies (thresholds: `config.Horizons`). Chances are those of the level having passed the limit; a
state is entered at its chance and, when the part was in that state or a graver one before, left only below a lower one:

1. `no answer`: there is no reading.
2. `no limit`: no limit is configured.
3. `past limit`: the last reading is past the limit, and so is the level with `past_chance` by now.
4. `test again`: the last reading is past and the level not surely so; or the level was wholly past at the last test and
   the reading was not; or the last reading is beyond the tube or gauge, so that its side of the limit is unknown.
5. `book`: passed within `book_days` with `book_chance`.
6. `watch`: passed within `watch_days` with `watch_chance`.
7. `test again`: the last test is older than `stale_days`; or no chance can be told, nor the level from the limit.
8. `steady`: the chance is smaller than that, or the level moves away from the limit on the good side, or there is no
   line and the last reading is beyond the scale on the good side (a pump at the limiter). It is said of one protocol.
9. `no answer`: there is neither a line nor a pace; the reason says which.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from wearlab.config import Horizons
from wearlab.forecast.calendar import CalendarForecast
from wearlab.forecast.chance_words import chance_words
from wearlab.forecast.date_law import law_of
from wearlab.language import _, msg
from wearlab.records import Bound, State
from wearlab.wear.line import Direction, Interval

#: states in which a threshold that was passed stays passed until the lower one is reached
_BOOKED = (State.BOOK, State.PAST_LIMIT)
_WATCHED = (State.WATCH, *_BOOKED)

_LEFT_OUT = msg("left out: {readings}")

# quantiles and chances come from one search, which is exact to about this
_SAME = 1e-6


@dataclass(frozen=True, slots=True)
class PartEvidence:
    """What is known of a part: its limit, last reading, level and forecast.

    `level` is the level's interval at the last test, None without a line; `readings` counts those of the
    life; `protocol` is the one that the part was tested in.
    """

    limit: float | None
    direction: Direction
    readings: int
    last_test: date | None
    last_level: float | None
    last_bound: str | None
    level: Interval | None
    forecast: CalendarForecast
    protocol: str = ""


@dataclass(frozen=True, slots=True)
class StateAnswer:
    """A state and its cause as one sentence without a full stop."""

    state: State
    cause: str


@dataclass(frozen=True, slots=True)
class Chances:
    """Chances of passage by now, within the days of booking and within those of watching; None if untold."""

    past: float | None
    book: float | None
    watch: float | None


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


def with_left_out(reason: str, readings: Sequence[str]) -> str:
    """Return why there is no answer, and which readings were left out ("3 beyond the scale") where there are any."""
    return f"{reason} ({_(_LEFT_OUT, readings=', '.join(readings))})" if readings else reason


def without_left_out(reason: str) -> str:
    """Return why there is no answer as it is said of many parts: not how many readings of this one were left out."""
    return reason.partition(f" ({_(_LEFT_OUT).partition('{')[0]}")[0]


def part_state(evidence: PartEvidence, horizons: Horizons, as_of: date, previous: State | None = None) -> StateAnswer:
    """Return the state of a part as of a day.

    `previous` is its state before, given only where that still holds as a memory: the same part, unrepaired, against
    the same wording of the limit.
    """
    return StateAnswer(*_state(evidence, horizons, as_of, previous))


def chances(forecast: CalendarForecast, horizons: Horizons, as_of: date) -> Chances:
    """Return the chances that decide; where a forecast gives dates only, they are read between these."""
    past, book, watch = forecast.past, forecast.book_chance, forecast.watch_chance
    law = None if book is not None and watch is not None else law_of(forecast, as_of)
    if law is not None:
        book = law.chance_by(as_of + timedelta(days=horizons.book_days)) if book is None else book
        watch = law.chance_by(as_of + timedelta(days=horizons.watch_days)) if watch is None else watch
    return Chances(past, book, watch)


def _state(evidence: PartEvidence, horizons: Horizons, as_of: date, previous: State | None) -> tuple[State, str]:
    if evidence.readings == 0 or evidence.last_test is None or evidence.last_level is None:
        return State.NO_ANSWER, _("there is no reading of this part")
    if evidence.limit is None:
        return State.NO_LIMIT, _("no limit is configured for this measure and protocol")
    past = reading_past(evidence.last_level, evidence.last_bound, evidence.limit, evidence.direction)
    level = None
    if evidence.level is not None:
        level = level_past(evidence.level, evidence.limit, evidence.direction)
    told = chances(evidence.forecast, horizons, as_of)
    judged = _against_limit(evidence, past, level, told, horizons, previous)
    if judged is not None:
        return judged
    ahead = _ahead(evidence.forecast, told, horizons, previous)
    if ahead is not None:
        return ahead
    age = (as_of - evidence.last_test).days
    if age > horizons.stale_days:
        told_age = _("the last test is {age} days old, older than {most} days", age=age, most=horizons.stale_days)
        return State.TEST_AGAIN, told_age
    if evidence.level is not None and level is None and told.watch is None:
        return State.TEST_AGAIN, _("the readings do not tell the level from the limit")
    return _at_rest(evidence, level, told, horizons)


def _against_limit(
    evidence: PartEvidence,
    past: bool | None,
    level: bool | None,
    told: Chances,
    horizons: Horizons,
    previous: State | None,
) -> tuple[State, str] | None:
    if past is None:
        return State.TEST_AGAIN, _("the last reading is beyond its scale and may lie on either side")
    if not past:
        return (State.TEST_AGAIN, _("the level is past the limit, the last reading is not")) if level else None
    if told.past is None:
        sure, why = level is True, _("the last reading and the whole interval of the level are past the limit")
    else:
        sure = _reached(told.past, horizons.past_chance, horizons.past_leave, previous == State.PAST_LIMIT)
        why = _("the last reading is past the limit, and {chance} that the level is", chance=chance_words(told.past))
    if sure:
        return State.PAST_LIMIT, why
    if evidence.readings == 1:
        return State.TEST_AGAIN, _("the only reading is past the limit: a second one decides")
    unsure = "" if told.past is None else f": {chance_words(told.past)}"
    return State.TEST_AGAIN, _("the last reading is past the limit, the level is not surely so") + unsure


def _ahead(
    forecast: CalendarForecast, told: Chances, horizons: Horizons, previous: State | None
) -> tuple[State, str] | None:
    book, watch = told.book, told.watch
    leaves = "; " + _("the vehicle leaves before the most likely date") if forecast.leaves_first else ""
    if book is not None and _reached(book, horizons.book_chance, horizons.book_leave, previous in _BOOKED):
        if told.past is not None and told.past >= horizons.book_chance:
            why = _("{chance} that the level is past the limit by now", chance=chance_words(told.past))
            return State.BOOK, why + leaves
        return State.BOOK, _within(book, horizons.book_days, leaves)
    if watch is not None and _reached(watch, horizons.watch_chance, horizons.watch_leave, previous in _WATCHED):
        return State.WATCH, _within(watch, horizons.watch_days, leaves)
    return None


def _within(chance: float, days: int, leaves: str) -> str:
    told = _("{chance} that the level passes the limit within {n} days", chance=chance_words(chance), n=days)
    return told + leaves


def _reached(chance: float, enter: float, leave: float, inside: bool) -> bool:
    return chance >= (leave if inside else enter) - _SAME


def _at_rest(evidence: PartEvidence, level: bool | None, told: Chances, horizons: Horizons) -> tuple[State, str]:
    forecast = evidence.forecast
    named = f"{evidence.protocol}: " if evidence.protocol else ""
    if forecast.no_answer is not None:
        # what is not past though its bound is open can only be beyond the scale on the good side
        if evidence.level is None and evidence.last_bound is not None:
            return State.STEADY, named + _("the last reading is beyond the scale, on the good side of the limit")
        if level is False:
            why = _("the level is short of the limit; no crossing: {reason}", reason=forecast.no_answer)
            return State.STEADY, named + why
        return State.NO_ANSWER, forecast.no_answer
    if forecast.no_dates is not None:
        return State.NO_ANSWER, forecast.no_dates
    days = horizons.watch_days
    if told.watch is None:
        return State.STEADY, named + _("no crossing expected within {n} days", n=days)
    chance = chance_words(told.watch)
    return State.STEADY, named + _("{chance} of passing the limit within {n} days", chance=chance, n=days)

"""What a reader asks of a vehicle first, as sentences: when should this be booked, how sure is that, when to test."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from functools import reduce

from wearlab.charts.words import dated, measure_words, month_words
from wearlab.forecast.chance_words import chance_words
from wearlab.forecast.states import without_left_out
from wearlab.language import _
from wearlab.pack.booking import Booking, about_day
from wearlab.pack.order import urgency
from wearlab.pack.pictures import position_order
from wearlab.pack.state_tables import positions_words
from wearlab.pack.view import PartState
from wearlab.records import LEVEL_UNIT, Measure, State

#: steady parts are told with the chance within these days
_AHEAD = 365


def booking_answers(states: Iterable[PartState], as_of: date) -> tuple[str, ...]:
    """Return when to book, most pressing first: a sentence a part to act on, one a measure for what can wait."""
    told: list[str] = []
    unlimited: dict[str, None] = {}
    quiet: dict[tuple[State, str, str], list[PartState]] = {}
    for item in sorted(states, key=lambda one: (urgency(one.state), one.date_p50 or date.max)):
        state = State(item.state)
        if state in (State.PAST_LIMIT, State.BOOK, State.WATCH):
            part, advice = _first([item]), Booking.of_part(item, as_of).sentence
            if state == State.PAST_LIMIT:
                told.append(_("{part}: past its limit; {advice}.", part=part, advice=advice))
            else:
                told.append(f"{part}: {advice}.")
        elif state == State.TEST_AGAIN:
            cause = dated(item.cause)
            told.append(_("{part}: test before anything is booked; {cause}.", part=_first([item]), cause=cause))
        elif state == State.NO_LIMIT:
            unlimited[f"{measure_words(item.measure)}, {item.protocol}"] = None
        else:
            # how many readings were left out stands in the remarks
            reason = without_left_out(item.no_answer or item.cause) if state == State.NO_ANSWER else ""
            quiet.setdefault((state, _of(item), reason), []).append(item)
    told += [f"{_first(items)}: {_calm(state, items, reason, as_of)}." for (state, _, reason), items in quiet.items()]
    if unlimited:
        tests = reduce(lambda first, last: _("{first} or {last}", first=first, last=last), unlimited)
        told.append(_("No limit is configured for {tests}: nothing can be booked by these.", tests=tests))
    return tuple(told)


def next_tests(states: Iterable[PartState], as_of: date) -> tuple[str, ...]:
    """Return by when to test again and why, soonest first, parts with the same answer in one sentence."""
    # one test answers every limit of a part: of several dates the most pressing is told
    soonest: dict[tuple[str, str, str], PartState] = {}
    for item in sorted(states, key=lambda one: (max(one.retest_by or date.max, as_of), urgency(one.state))):
        if item.retest_by is not None and item.retest_why:
            soonest.setdefault((item.position, item.measure, item.protocol), item)
    found: dict[tuple[date, str], dict[str, list[PartState]]] = {}
    for item in soonest.values():
        assert item.retest_by is not None
        found.setdefault((item.retest_by, item.retest_why), {}).setdefault(_of(item), []).append(item)
    told = []
    for (by, why), alike in sorted(found.items(), key=lambda pair: pair[0]):
        parts = _upper("; ".join(_subject(items) for items in alike.values()))
        if by == as_of:
            told.append(_("{parts}: test now; {why}.", parts=parts, why=why))
            continue
        day = about_day(by, as_of)
        if by < as_of:
            told.append(_("{parts}: the test is overdue since {day}; {why}.", parts=parts, day=day, why=why))
        else:
            told.append(_("{parts}: test by {day}; {why}.", parts=parts, day=day, why=why))
    return tuple(told)


def _subject(items: list[PartState]) -> str:
    words = positions_words(sorted((item.position for item in items), key=position_order))
    return f"{words} ({_of(items[0])})"


def _of(item: PartState) -> str:
    """Measure, protocol and, where it does not judge the part's own level, the rule."""
    own = item.rule is None or item.unit == LEVEL_UNIT[Measure(item.measure)]
    test = f"{measure_words(item.measure)}, {item.protocol}"
    return test if own else _('{test}, rule "{rule}"', test=test, rule=item.rule)


def _first(items: list[PartState]) -> str:
    """The subject at the beginning of a sentence."""
    return _upper(_subject(items))


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _calm(state: State, items: list[PartState], reason: str, as_of: date) -> str:
    if state == State.NO_ANSWER:
        return _("no answer: {reason}", reason=reason)
    end, protocol = as_of + timedelta(days=_AHEAD), items[0].protocol
    laws = [law for item in items if (law := Booking.of_part(item, as_of).law) is not None]
    if not laws:
        return _("steady in {protocol}, nothing to book", protocol=protocol)
    chance = max(law.chance_by(end) for law in laws)
    words = chance_words(chance)
    if len(items) > 1 and chance >= 0.005:
        words = _("at most {chance}", chance=words)
    return _(
        "steady in {protocol}, nothing to book; chance of being past the limit by {month}: {chance}",
        protocol=protocol,
        month=month_words(end),
        chance=words,
    )

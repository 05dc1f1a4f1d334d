"""When one more test would change what is done with a part.

A test that comes while the chance of having passed the limit is still small changes nothing that the next visit would
not tell as well; one that comes after it has grown is late. So a part is tested at the last visit before the chance
reaches `Horizons.watch_chance`, at a day of its own when no visit comes before that, and else at the usual interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from wearlab.config import Horizons, Visits
from wearlab.forecast.calendar import CalendarForecast
from wearlab.forecast.chance_words import chance_words
from wearlab.forecast.date_law import law_of
from wearlab.language import _
from wearlab.records import State


@dataclass(frozen=True, slots=True)
class Retest:
    """The day by which to test again (behind: overdue; None: no test is needed), and why, without a full stop."""

    by: date | None
    why: str


def retest(
    last_test: date | None,
    as_of: date,
    visits: Visits,
    horizons: Horizons,
    *,
    state: State,
    forecast: CalendarForecast,
    km_per_day: float | None = None,
) -> Retest:
    """Return when a part should be tested again.

    Parameters
    ----------
    last_test
        Day of the last test that could be used, None if there is none.
    visits
        The usual interval; `every_km` counts at the vehicle's pace, `km_per_day`, where that is known.
    state
        Past the limit and without a limit another test decides nothing; "test again" asks for today.
    forecast
        Its dates and chances, and the next planned visit. A planned visit takes the place of the interval, unless
        the last test would be stale by then (`Horizons.stale_days`).
    """
    if state == State.PAST_LIMIT:
        return Retest(None, _("the part is past its limit: another test would change nothing"))
    if state == State.NO_LIMIT:
        return Retest(None, _("no limit waits for a test"))
    if last_test is None:
        return Retest(as_of, _("no test of this part can be used yet"))
    if state == State.TEST_AGAIN:
        if as_of - last_test > timedelta(days=horizons.stale_days):
            return Retest(as_of, _("the last test is too old to go by"))
        return Retest(as_of, _("a new test settles what the last one left open"))
    interval = _interval(visits, km_per_day)
    due, word = last_test + interval, _("the usual interval after the last test")
    visit = forecast.next_visit
    if visit is not None and due < visit <= last_test + timedelta(days=horizons.stale_days):
        due, word = visit, _("the next planned visit")
    law = law_of(forecast, as_of)
    edge = None if law is None else law.day_at(horizons.watch_chance)
    if law is None:
        return Retest(due, word)
    if edge is None or edge >= due:
        return Retest(due, f"{word}; {_after(edge, max(due, as_of) + interval, horizons)}")
    risk = chance_words(horizons.watch_chance)
    if visit is not None and as_of <= visit <= edge:
        why = _("the last planned visit before the chance of having passed the limit reaches {chance}", chance=risk)
        return Retest(visit, why)
    if edge <= as_of:
        told = chance_words(law.chance_by(as_of))
        why = _("the chance of having passed the limit is {chance} by now, and a test tells which", chance=told)
        return Retest(as_of, why)
    why = _("the chance of having passed the limit reaches {chance} then, before the next visit", chance=risk)
    return Retest(edge, why)


def _interval(visits: Visits, km_per_day: float | None) -> timedelta:
    days = float(visits.every_days)
    if visits.every_km is not None and km_per_day is not None and km_per_day > 0:
        days = min(days, visits.every_km / km_per_day)
    return timedelta(days=max(int(days), 1))


def _after(edge: date | None, following: date, horizons: Horizons) -> str:
    """What a test left out at this visit would mean by the following one."""
    chance = chance_words(horizons.watch_chance)
    if edge is not None and edge <= following:
        return _(
            "left out, the chance of having passed the limit reaches {chance} before the visit after it", chance=chance
        )
    return _("the chance of passing the limit stays below {chance} beyond the visit after it", chance=chance)

"""The answer to the first question about a forecast: when should this be booked, and how sure is that?

Dates are told without more precision than they have: as a day within three months, else as a month.
"""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from wearlab.charts.words import day_words, km_words, month_words, short_day_words, short_month_words
from wearlab.forecast.chance_words import chance_words
from wearlab.forecast.date_law import DateLaw
from wearlab.language import _, msg
from wearlab.pack.view import PartState
from wearlab.records import State

#: a date nearer than this is told as a day
NEAR_DAYS = 92

#: booked by the day at which the limit is passed with this chance
BOOK_BY = 0.1

#: chances told beside a date: within a quarter, else (when that is next to nothing) within a year
_LOOKS = (90, 365)
_NOTHING = 0.095
# a chance of today that is told beside it
_NOTED = 0.05
# who is that likely past the limit by now is not told of the months to come
_CERTAIN = 0.9 - 1e-9

#: months of the text fan
MONTHS = 24

#: what the signs of the fan say
FAN_WORDS = msg("one sign a month from this one on; - between early and late, O most likely, < begun before, > goes on")

_DATES = ("date_p10", "date_p50", "date_p90")


@dataclass(frozen=True, slots=True)
class Booking:
    """Dates and odometers (km) of the 10, 50 and 90 % points of a crossing, and the law between them; None: untold."""

    as_of: date
    state: State
    dates: tuple[date | None, date | None, date | None]
    odometers: tuple[float | None, float | None, float | None]
    past: float | None
    law: DateLaw | None

    @classmethod
    def of_row(cls, row: Mapping[str, Any], as_of: date) -> Booking:
        """Return the booking of a row of the forecast table."""
        return cls._of(row.get, lambda point: row.get(f"odometer_{point}"), as_of)

    @classmethod
    def of_part(cls, part: PartState, as_of: date) -> Booking:
        """Return the booking of a part as the page knows it."""
        return cls._of(lambda name: getattr(part, name), lambda point: getattr(part, f"odometer_{point}_km"), as_of)

    @classmethod
    def _of(cls, value: Callable[[str], Any], odometer: Callable[[str], Any], as_of: date) -> Booking:
        early, middle, late = (value(name) for name in _DATES)
        return cls(
            as_of=as_of,
            state=State(value("state")),
            dates=(early, middle, late),
            odometers=(odometer("p10"), odometer("p50"), odometer("p90")),
            past=value("past"),
            law=DateLaw.of(value, as_of),
        )

    @property
    def book_by(self) -> date | None:
        """The day by which work should be booked: today where it is late already, None where nothing is to be booked.

        Beyond three months it is the end of the last month before the chance reaches `BOOK_BY`.
        """
        if self.state == State.PAST_LIMIT:
            return self.as_of
        if self.state not in (State.BOOK, State.WATCH) or self.law is None:
            return None
        day = self.law.day_at(BOOK_BY)
        if day is None:
            return None
        day = max(day, self.as_of)
        return day if _near(day, self.as_of) else max(_month_end_before(day), self.as_of)

    @property
    def booking(self) -> str:
        """When to book, in words: "now", "12 January 2027", "end of February 2027"; empty where nothing is to be."""
        day = self.book_by
        if day is None:
            return ""
        if day <= self.as_of:
            return _("now")
        return day_words(day) if _near(day, self.as_of) else _("end of {month}", month=month_words(day))

    @property
    def booking_short(self) -> str:
        """The same for a table, a month meaning its end: "now", "12 Jan 2027", "Feb 2027"."""
        day = self.book_by
        return "" if day is None else _("now") if day <= self.as_of else short_day(day, self.as_of)

    @property
    def sure(self) -> str:
        """How sure: the chance of being past the limit by the end of a month; empty where no chance can be told."""
        found = self._look()
        if found is None:
            return ""
        return _("{chance} by end of {month}", chance=chance_words(found[1]), month=month_words(found[0]))

    @property
    def sure_short(self) -> str:
        """The same for a table, a month meaning its end; "9 in 10 by now" where that says enough."""
        if self._sure_now:
            return _("{chance} by now", chance=chance_words(self.by_now))
        found = self._look()
        if found is None:
            return ""
        return _("{chance} by {month}", chance=chance_words(found[1]), month=short_month_words(found[0]))

    @property
    def by_now(self) -> float:
        """The chance of being past the limit on the day of the forecast; 0 where none can be told."""
        if self.past is not None:
            return self.past
        return 0.0 if self.law is None else self.law.chance_by(self.as_of)

    @property
    def _sure_now(self) -> bool:
        return self.by_now >= _CERTAIN

    def _look(self) -> tuple[date, float] | None:
        """A month's end and the chance by then: within a quarter, or within a year when that is next to nothing."""
        if self.law is None:
            return None
        quarter, year = (_month_end(self.as_of + timedelta(days=days - 15)) for days in _LOOKS)
        soon = self.law.chance_by(quarter)
        return (quarter, soon) if soon >= _NOTHING else (year, self.law.chance_by(year))

    def told(self, point: int) -> str:
        """The early (0), middle (1) or late (2) date for a table; "later" where it lies beyond what is told."""
        day = self.dates[point]
        if day is None:
            return "–" if all(one is None for one in self.dates) else _("later")
        return _("by now") if day <= self.as_of else short_day(day, self.as_of)

    @property
    def advice(self) -> str:
        """When to book and how sure that is, as a sentence without its subject and full stop."""
        by = self.book_by
        if by is None:
            if not self.sure:
                return _("no date can be told")
            return _("nothing to book; chance of being past the limit: {chance}", chance=self.sure)
        now = by <= self.as_of
        chances = [_("{chance} by now", chance=chance_words(self.by_now))] if now and self.by_now >= _NOTED else []
        if self.sure and not self._sure_now:
            chances.append(self.sure)
        if now:
            start = _("book now")
        elif _near(by, self.as_of):
            start = _("book by {day}", day=day_words(by))
        else:
            start = _("book by the end of {month}", month=month_words(by))
        if not chances:
            return start
        return _("{advice}; chance of being past the limit: {chances}", advice=start, chances=", ".join(chances))

    @property
    def sentence(self) -> str:
        """The advice and the most likely date and odometer."""
        middle = self.dates[1]
        if self.book_by is None or middle is None or middle <= self.as_of:
            return self.advice
        return f"{self.advice}; {self._likely(middle)}"

    def _likely(self, middle: date) -> str:
        km, when = self.odometers[1], about_day(middle, self.as_of)
        if km is None:
            return (
                _("most likely on {day}", day=when)
                if _near(middle, self.as_of)
                else _("most likely in {month}", month=when)
            )
        far = km_words(km, about=True)
        if _near(middle, self.as_of):
            return _("most likely on {day} at about {distance}", day=when, distance=far)
        return _("most likely in {month} at about {distance}", month=when, distance=far)

    def fan(self, months: int = MONTHS) -> str:
        """The crossing on a line of months from this one on: `-` between early and late, `O` most likely.

        `<` at its beginning: the early date is behind; `>` at its end: the late one lies beyond, or is not told.
        """
        early, middle, late = (None if day is None else _months(self.as_of, day) for day in self.dates)
        begin = middle if early is None else early
        if begin is None or begin >= months:
            return "." * months
        end = months if late is None else late
        signs = ["-" if begin <= month <= end else "." for month in range(months)]
        if begin < 0:
            signs[0] = "<"
        if end >= months:
            signs[-1] = ">"
        if middle is not None and middle < months:
            signs[max(middle, 0)] = "O"
        return "".join(signs)


def about_day(day: date, as_of: date) -> str:
    """Return a day as precisely as a forecast deserves: "12 January 2027" within three months, else "May 2027"."""
    return day_words(day) if _near(day, as_of) else month_words(day)


def short_day(day: date, as_of: date) -> str:
    """Return the same for a table: "12 Jan 2027", "May 2027"."""
    return short_day_words(day) if _near(day, as_of) else short_month_words(day)


def _near(day: date, as_of: date) -> bool:
    return abs((day - as_of).days) <= NEAR_DAYS


def _months(first: date, day: date) -> int:
    return (day.year - first.year) * 12 + day.month - first.month


def _month_end(day: date) -> date:
    return date(day.year, day.month, monthrange(day.year, day.month)[1])


def _month_end_before(day: date) -> date:
    end = _month_end(day)
    return end if end == day else date(day.year, day.month, 1) - timedelta(days=1)

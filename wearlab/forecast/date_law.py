"""The law of a crossing on the calendar, between the dates and chances that a forecast gives.

Chances are read between the known points along straight lines of the probit against the logarithm of the days from the
forecast on, in which a passage is nearly straight: between the 5, 10, 50, 90 and 95 % dates and the chances by given
days what is read is off by 0.03 at most (inverse Gaussian laws from 200 to 4,000 days, shapes from 0.02 to 0.8),
enough to tell "3 in 10 by the end of February".
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from math import copysign, expm1, log1p
from statistics import NormalDist
from typing import Any

from wearlab.forecast.calendar import CalendarForecast

_NORMAL = NormalDist()

#: dates of a forecast and the chances they stand for
QUANTILES = (("date_p05", 0.05), ("date_p10", 0.1), ("date_p50", 0.5), ("date_p90", 0.9), ("date_p95", 0.95))
#: chances of a forecast and the days after `as_of` they stand for
SPANS = (("past", 0), ("within_30", 30), ("within_90", 90), ("within_180", 180), ("within_365", 365))

# days from which on the logarithm takes over
_BEND = 30.0
# a chance outside these has no probit to speak of
_LEAST, _MOST = 1e-6, 1.0 - 1e-6
# where the chance of today is not told and the first date lies ahead, it is taken as next to nothing
_UNTOLD = 1e-4


@dataclass(frozen=True, slots=True)
class DateLaw:
    """Days (ordinals, rising) and the chance that the limit is passed by each, never falling; `today`: an ordinal."""

    days: tuple[int, ...]
    chances: tuple[float, ...]
    today: int

    @classmethod
    def of(cls, value: Callable[[str], Any], as_of: date) -> DateLaw | None:
        """Return the law behind a forecast, None when it tells no date and no chance.

        Parameters
        ----------
        value
            Gives what the forecast says under a name of `QUANTILES` and `SPANS` (and `next_visit`,
            `before_visit`), or None: a row of the forecast table, or a `CalendarForecast`.
        as_of
            Day of the forecast.
        """
        today = as_of.toordinal()
        points = [(day.toordinal(), chance) for name, chance in QUANTILES if (day := value(name)) is not None]
        points += [(today + span, chance) for name, span in SPANS if (chance := value(name)) is not None]
        visit, before = value("next_visit"), value("before_visit")
        if visit is not None and before is not None:
            points.append((visit.toordinal(), before))
        if not points:
            return None
        points.sort()
        if value("past") is None and points[0][0] > today:
            points.insert(0, (today, min(_UNTOLD, points[0][1])))
        days: list[int] = []
        chances: list[float] = []
        highest = 0.0
        for day, chance in points:
            highest = max(highest, chance)
            if days and days[-1] == day:
                chances[-1] = highest
            else:
                days.append(day)
                chances.append(highest)
        return cls(tuple(days), tuple(chances), today)

    def chance_by(self, day: date) -> float:
        """Return the chance that the limit is passed by a day.

        Before the first point nothing is told, which reads 0; after the last one it is that of the last at least.
        """
        at = day.toordinal()
        place = bisect_right(self.days, at)
        if place == 0:
            return 0.0
        if place == len(self.days) or self.days[place - 1] == at:
            return self.chances[place - 1]
        low, high = _probit(self.chances[place - 1]), _probit(self.chances[place])
        first, last = (_run(day - self.today) for day in self.days[place - 1 : place + 1])
        share = (_run(at - self.today) - first) / (last - first)
        told = _NORMAL.cdf(low + share * (high - low))
        return min(max(told, self.chances[place - 1]), self.chances[place])

    def day_at(self, chance: float) -> date | None:
        """Return the first day by which the limit is passed with a chance; None if it never is, as far as is told.

        A chance that is reached before the first point gives that point.
        """
        place = bisect_left(self.chances, chance - 1e-9)
        if place == len(self.chances):
            return None
        if place == 0:
            return date.fromordinal(self.days[0])
        low, high = _probit(self.chances[place - 1]), _probit(self.chances[place])
        share = 1.0 if high <= low else min(max((_probit(chance) - low) / (high - low), 0.0), 1.0)
        first, last = (_run(day - self.today) for day in self.days[place - 1 : place + 1])
        run = first + share * (last - first)
        ahead = copysign(_BEND * expm1(abs(run)), run)
        return date.fromordinal(self.today) + timedelta(days=round(ahead))


def _run(ahead: int) -> float:
    """The logarithm of days ahead, straight near today; negative for days behind."""
    return copysign(log1p(abs(ahead) / _BEND), ahead)


def law_of(forecast: CalendarForecast, as_of: date) -> DateLaw | None:
    """Return the law behind a forecast."""
    return DateLaw.of(lambda name: getattr(forecast, name), as_of)


def _probit(chance: float) -> float:
    return _NORMAL.inv_cdf(min(max(chance, _LEAST), _MOST))

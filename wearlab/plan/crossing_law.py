"""The day on which a limit is passed, as a law read from one row of a forecast, and the kilometres driven beyond it.

A forecast tells dates at given chances and chances by given days. Between these points the chance is read along a
monotone cubic (Fritsch & Carlson 1980) of its probit over log(1 + days / 30), in which a passage is nearly straight;
beyond the last point along the straight line of the last two, and such days are named (`extrapolates`). With the pace
taken as known, the kilometres driven beyond the limit from day a to day b, given the day T of passage, are
pace (b - max(T, a)), and so their mean is pace times the integral of the chance from a to b.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator
from scipy.special import ndtr, ndtri

from wearlab.errors import InputError
from wearlab.forecast.date_law import DateLaw

Array = NDArray[np.float64]

#: days from which on the logarithm takes over
_BEND = 30.0
#: a chance outside these has no probit to speak of
_LEAST, _MOST = 1e-6, 1.0 - 1e-6
#: points nearer to each other than this share of their distance from today, and than this in the probit of the chance,
#: are one: dates are whole days
_NEAR, _ALIKE = 0.04, 0.5
#: days ahead beyond which nothing is asked
LAST_DAY = 3652


@dataclass(frozen=True, slots=True)
class Spread:
    """A mean and the ends of its 90 % interval."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, eq=False)
class CrossingLaw:
    """The chance that a limit is passed, by days from `as_of`.

    `places` (G,) are rising values of log(1 + days / 30), none below 0, `probits` (G,) the chances there, never
    falling. `told_until` is the last day from `as_of` that the forecast speaks of.
    """

    as_of: date
    places: Array
    probits: Array
    told_until: int
    #: the probit between the places, made once: a law is asked for its chances over and over
    _curve: PchipInterpolator | None = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Draw the curve through the places."""
        curve = PchipInterpolator(self.places, self.probits) if self.places.size > 1 else None
        object.__setattr__(self, "_curve", curve)

    @classmethod
    def of(cls, value: Callable[[str], Any], as_of: date) -> CrossingLaw | None:
        """Return the law behind a forecast, None when it tells no date and no chance.

        `value` gives what the forecast says under a name, or None: the `get` of a row of the forecast table.
        """
        told = DateLaw.of(value, as_of)
        if told is None:
            return None
        ahead = np.array(told.days, dtype=np.float64) - told.today
        chance = np.array(told.chances)
        passed = float(chance[ahead <= 0].max(initial=0.0))
        return cls.through(ahead, chance, as_of, now=max(passed, float(told.chance_by(as_of))))

    @classmethod
    def through(cls, days: ArrayLike, chances: ArrayLike, as_of: date, *, now: float = 0.0) -> CrossingLaw:
        """Return the law through chances (G,) by days from `as_of` (G,); `now` is the chance of being past today.

        Raises
        ------
        InputError
            The lists do not fit together, or a chance lies outside 0 to 1.
        """
        ahead, chance = np.atleast_1d(np.asarray(days, float)), np.atleast_1d(np.asarray(chances, float))
        if ahead.shape != chance.shape or not np.isfinite(ahead).all():
            raise InputError("days and chances are of one length, the days finite")
        if not ((chance >= 0) & (chance <= 1)).all() or not 0 <= now <= 1:
            raise InputError("a chance lies between 0 and 1")
        order = np.argsort(ahead, kind="stable")
        ahead, chance = ahead[order], chance[order]
        last = int(max(ahead[-1], 0.0)) if ahead.size else 0
        kept_days, kept = [0.0], [_probit(now)]
        for day, told in zip(ahead[ahead > 0].tolist(), chance[ahead > 0].tolist(), strict=True):
            here, apart = max(_probit(told), kept[-1]), day - kept_days[-1]
            if apart < _NEAR * day and here - kept[-1] < _ALIKE and len(kept) > 1:
                kept_days[-1], kept[-1] = day - apart / 2, (here + kept[-1]) / 2
            elif apart == 0:
                kept[-1] = here
            else:
                kept_days.append(day)
                kept.append(here)
        places = np.log1p(np.array(kept_days) / _BEND)
        return cls(as_of, places, np.array(kept), last)

    def chances(self, days: ArrayLike) -> Array:
        """Return the chance of passage by days from `as_of`, of the shape given; 0 before today's first day."""
        asked = np.asarray(days, dtype=np.float64)
        x = np.log1p(np.maximum(asked, 0.0) / _BEND)
        if self._curve is None:
            told = np.full(x.shape, ndtr(self.probits[0]))
        else:
            inside = self._curve(np.minimum(x, self.places[-1]))
            slope = (self.probits[-1] - self.probits[-2]) / (self.places[-1] - self.places[-2])
            told = ndtr(inside + slope * np.maximum(x - self.places[-1], 0.0))
        told = np.where(told <= 2 * _LEAST, 0.0, told)
        return np.asarray(np.where(asked < 0, 0.0, told), dtype=np.float64)

    def table(self, last: int) -> Array:
        """Return the chance by each day 0 to `last` from `as_of` (last + 1,)."""
        return self.chances(np.arange(last + 1))

    def chance_by(self, day: date) -> float:
        """Return the chance that the limit is passed by a day; before `as_of` it is 0."""
        return float(self.chances((day - self.as_of).days))

    def chance_between(self, first: date, last: date) -> float:
        """Return the chance that the limit is passed after `first` and by `last`."""
        return max(self.chance_by(last) - self.chance_by(first), 0.0)

    def extrapolates(self, day: date) -> bool:
        """Return whether the forecast tells nothing of a day, so that its chance is drawn on from the last points."""
        return (day - self.as_of).days > self.told_until

    def day_at(self, chance: float) -> float:
        """Return the days from `as_of` by which the limit is passed with a chance; 0 if it is by now, else infinite."""
        goal = float(ndtri(chance))
        if self.probits[0] >= goal:
            return 0.0
        low, high = 0.0, float(LAST_DAY)
        if float(self.chances(high)) < chance:
            return float("inf")
        while high - low > 0.25:
            middle = (low + high) / 2
            low, high = (middle, high) if float(self.chances(middle)) < chance else (low, middle)
        return high

    def quantile(self, chance: float) -> date | None:
        """Return the first day by which the limit is passed with a chance; None if not within ten years."""
        day = self.day_at(chance)
        if not np.isfinite(day):
            return None
        near = max(int(day) - 1, 0)
        reached = np.flatnonzero(self.chances(near + np.arange(4)) >= chance - 1e-9)
        return date.fromordinal(self.as_of.toordinal() + near + int(reached[0]))

    def km_beyond(self, first: date, last: date, km_a_day: float) -> Spread:
        """Return the kilometres driven beyond the limit from one day to another.

        The interval is that of the day of passage: 5 and 95 % of the kilometres. The pace is taken as known.
        """
        a, b = max((first - self.as_of).days, 0), (last - self.as_of).days
        if b <= a:
            return Spread(0.0, 0.0, 0.0)
        days = beyond(self.table(b), a, b)
        early, late = self.day_at(0.05), self.day_at(0.95)
        ends = [max(b - max(day, a), 0.0) for day in (late, early)]
        return Spread(km_a_day * days, km_a_day * ends[0], km_a_day * ends[1])


def beyond(table: Array, first: int, last: int) -> float:
    """Return the expected days past the limit from day `first` to day `last`, by the trapezoid rule.

    `table` (T,) holds the chance by each day, T > last.
    """
    return float(np.trapezoid(table[first : last + 1])) if last > first else 0.0


def _probit(chance: float) -> float:
    return float(ndtri(min(max(chance, _LEAST), _MOST)))

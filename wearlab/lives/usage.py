"""How far a vehicle goes a day, with an interval, and what that says of dates and distances.

The pace is the median of the slopes of all pairs of readings a month apart or more, over the last year
where that year tells enough, else over all. Its interval is not the error of that median but how much the
pace really differs from quarter to quarter: what the vehicle will do next is as uncertain as what it did
before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from math import expm1, isfinite, log, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtrit

from wearlab.errors import InputError
from wearlab.lives.odometer import day_number, day_numbers
from wearlab.lives.outlook import Outlook
from wearlab.lives.pace import slopes_of_pairs
from wearlab.records import NoAnswer

#: Coverage of the pace's interval: its ends are the 10 and 90 % points.
COVERAGE = 0.8

#: Half width of the interval while fewer than three quarters are known (common practice, no source: 30 %).
ASSUMED_SPREAD = 0.30

#: The interval is never narrower than this to each side (common practice, no source: 5 %).
LEAST_SPREAD = 0.05

_QUARTER = 91
#: quarters further back say little about the vehicle's present duty
_QUARTERS = 12
#: a parked vehicle may still be moved about the yard
PARKED_KM = 50.0


@dataclass(frozen=True, slots=True)
class Usage:
    """A vehicle's pace as of a day. Distances are true distances in km.

    `km_per_day_low` and `km_per_day_high` are 10 and 90 % points. `basis` says what the pace rests on. A
    parked vehicle has pace 0 and, as its upper end, the pace it had before. `outlook` is the law of the distance from
    the last reading on; where there is none the pace is one unknown number with this interval.
    """

    as_of: date
    km_per_day: float
    km_per_day_low: float
    km_per_day_high: float
    distance_now_km: float
    last_day: date
    last_distance_km: float
    parked: bool
    readings: int
    basis: str
    outlook: Outlook | None = None

    def outlook_of(self) -> Outlook:
        """Return the law of the distance from the last reading on; without one of its own, that of the interval."""
        if self.outlook is not None:
            return self.outlook
        if self.parked:
            return Outlook(0.0)
        z = float(ndtri(0.5 + COVERAGE / 2))
        sd = (self.km_per_day_high - self.km_per_day_low) / (2 * z)
        if self.km_per_day_low > 0:
            # of the pace whose logarithm is normal with these ends
            sd = self.km_per_day * sqrt(expm1((log(self.km_per_day_high / self.km_per_day_low) / (2 * z)) ** 2))
        if not self.km_per_day > 0:
            return Outlook(0.0)
        # the pace stands in the middle of its law, whose mean lies above it
        wide = sqrt(1.0 + (sd / self.km_per_day) ** 2)
        return Outlook(self.km_per_day * wide, var_steady=(sd * wide) ** 2)

    def ahead(self, days: float) -> tuple[float, float]:
        """Return mean and standard deviation of the distance, km, driven beyond `distance_now_km` in `days` from today.

        The deviation is not 0 at once where the last reading is not of today: how far the vehicle has come by now is
        not known then. A parked vehicle drives nothing.
        """
        outlook, gap = self.outlook_of(), (self.as_of - self.last_day).days
        mean, sd = outlook.distance(float(gap + days))
        return float(mean) - (self.distance_now_km - self.last_distance_km), float(sd)

    def distance_on(self, day: date) -> float:
        """Return the distance expected on a day after the last reading; before it, the pace backwards."""
        return self.last_distance_km + self.km_per_day * (day - self.last_day).days

    def day_at(self, distance_km: float) -> date | None:
        """Return the day on which a distance is expected, None if never or beyond the calendar."""
        return day_after(self.as_of, distance_km - self.distance_now_km, self.km_per_day)


def usage(
    days: Sequence[date] | NDArray[np.datetime64],
    distance_km: ArrayLike,
    as_of: date,
    *,
    recent_days: int = 365,
    parked_days: int = 120,
) -> Usage | NoAnswer:
    """Return the pace of one vehicle from n readings of its true distance (odometer log and visits together).

    Parameters
    ----------
    days, distance_km
        In any order; NaN distances and readings after `as_of` are left out.
    recent_days
        The last year, or what counts as one; used alone when it holds pairs half of it apart.
    parked_days
        A vehicle without distance over this many days up to its last reading is parked.

    Raises
    ------
    InputError
        The inputs are not of one length.
    """
    when, distance = day_numbers(days), np.asarray(distance_km, dtype=np.float64)
    if distance.shape != when.shape:
        raise InputError(f"every distance needs its day: {when.size} days, {distance.size} distances")
    today = day_number(as_of)
    known = np.isfinite(distance) & (when <= today)
    if not known.any():
        return NoAnswer(f"no believable odometer reading up to {as_of.isoformat()}")
    order = np.lexsort((distance[known], when[known]))
    when, distance = when[known][order], distance[known][order]
    recent = when >= today - recent_days
    slopes, basis = np.zeros(0), "the last year"
    if recent.any() and when[recent][-1] - when[recent][0] >= recent_days / 2:
        slopes = slopes_of_pairs(when[recent], distance[recent])
    if not slopes.size:
        slopes, basis = slopes_of_pairs(when, distance), "all readings"
    if not slopes.size:
        return NoAnswer("the odometer readings lie less than 30 days apart, so usage cannot be told")
    rate = max(float(np.median(slopes)), 0.0)
    low, high = _interval(rate, _quarters(when, distance))
    parked = _parked(when, distance, today, parked_days)
    if parked:
        rate, low, high, basis = 0.0, 0.0, max(rate, high), f"no distance in {parked_days} days"
    last = float(distance[-1])
    return Usage(
        as_of=as_of,
        km_per_day=rate,
        km_per_day_low=low,
        km_per_day_high=high,
        distance_now_km=last + rate * (today - int(when[-1])),
        last_day=as_of - timedelta(days=today - int(when[-1])),
        last_distance_km=last,
        parked=parked,
        readings=int(when.size),
        basis=basis,
    )


def day_after(start: date, km: float, km_per_day: float) -> date | None:
    """Return the day when `km` more (fewer, if negative) are driven; None if never or off the calendar."""
    if not isfinite(km) or km_per_day <= 0:
        return start if km == 0 else None
    days = km / km_per_day
    if not -start.toordinal() < days < date.max.toordinal() - start.toordinal():
        return None
    return start + timedelta(days=round(days))


def _quarters(when: NDArray[np.int64], distance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the pace of each full quarter up to the last reading, newest first, that holds a reading."""
    edges = when[-1] - _QUARTER * np.arange(_QUARTERS + 1)
    edges = edges[edges >= when[0]]
    at = np.interp(edges, when, distance)
    paces = (at[:-1] - at[1:]) / _QUARTER
    # a quarter inside one long gap between readings repeats its neighbour and proves nothing
    holds = [bool(((when > early) & (when <= late)).any()) for late, early in pairwise(edges)]
    kept: NDArray[np.float64] = paces[np.array(holds, dtype=bool)]
    return kept


def _interval(rate: float, quarters: NDArray[np.float64]) -> tuple[float, float]:
    """Return the 10 and 90 % points of the next stretch's pace."""
    n = quarters.size
    reach = ASSUMED_SPREAD * rate
    if n >= 3:
        t = float(stdtrit(n - 1, 0.5 + COVERAGE / 2))
        reach = t * float(np.std(quarters, ddof=1)) * sqrt(1 + 1 / n)
    reach = max(reach, LEAST_SPREAD * rate)
    return max(rate - reach, 0.0), rate + reach


def _parked(when: NDArray[np.int64], distance: NDArray[np.float64], today: int, days: int) -> bool:
    """Whether the readings show a standstill over `days`, seen not longer ago than that."""
    if today - when[-1] > days:
        return False
    start = int(np.searchsorted(when, when[-1] - days, side="right")) - 1
    return start >= 0 and bool(distance[-1] - distance[start] <= PARKED_KM)

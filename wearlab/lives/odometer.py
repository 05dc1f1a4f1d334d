"""True distance of a vehicle from what its odometers showed.

Odometers are typed by hand: a digit too many, a code for "unknown", a value of the day before; and meters
are replaced, with or without a note. The readings are explained at the least cost: leaving one out costs 1,
a meter change that nobody wrote down costs 2.5 and needs what follows to be consistent, so one wild value
never unsettles the rest. A reading left out has no distance and a reason; it is never corrected unasked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import nan

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError
from wearlab.language import _
from wearlab.lives.meter import Reading, explain, fault, is_sentinel
from wearlab.lives.pace import pace

#: Reason of a reading whose distance stands.
GOOD = ""

_EPOCH = date(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class MeterChange:
    """A meter was replaced: the old one's last value and the new one's first, None when not written."""

    day: date
    before_km: float | None = None
    after_km: float | None = None


@dataclass(frozen=True, slots=True)
class Distance:
    """Every reading's true distance; all arrays and `reason` have the shape of the input.

    `reason` is empty where the distance stands, else "missing", "negative", "sentinel", "tenfold",
    "rollback", "too high", "stuck" or "no usage" (behind a meter change that cannot be bridged): the
    distance is then NaN. `uncertain` marks distances behind a meter change that was bridged by the
    vehicle's usage. `suggestion_km` is what a slipped digit would have been, NaN elsewhere.
    `meter_offset_km` is true distance less what today's meter shows. `days` are days since 1970-01-01.
    """

    days: NDArray[np.int64]
    distance_km: NDArray[np.float64]
    reason: tuple[str, ...]
    uncertain: NDArray[np.bool_]
    suggestion_km: NDArray[np.float64]
    meter_offset_km: float
    notes: tuple[str, ...]

    def at(self, day: date) -> float:
        """Return the distance on a day between two known readings, by proportion; NaN outside them."""
        known = np.isfinite(self.distance_km)
        if not known.any():
            return nan
        order = np.lexsort((self.distance_km[known], self.days[known]))
        days, distance = self.days[known][order], self.distance_km[known][order]
        number = day_number(day)
        if not days[0] <= number <= days[-1]:
            return nan
        return float(np.interp(number, days, distance))

    def shown(self, distance_km: float) -> float:
        """Return what today's meter shows at a true distance."""
        return distance_km - self.meter_offset_km


def true_distance(
    days: Sequence[date] | NDArray[np.datetime64],
    odometer_km: ArrayLike,
    changes: Sequence[MeterChange] = (),
    *,
    fuelled: ArrayLike | None = None,
) -> Distance:
    """Return the true distance at every odometer reading of one vehicle.

    Parameters
    ----------
    days, odometer_km
        Day and odometer of n readings in any order, NaN where no odometer was written.
    changes
        Meter changes that were recorded. With both values the distance runs on exactly; a missing value is
        bridged by the vehicle's usage over the days around the change and what follows is marked uncertain.
    fuelled
        True where fuel was taken at that reading, shape (n,). Only with it can a stuck meter be told from a
        parked vehicle.

    Raises
    ------
    InputError
        The inputs are not of one length.
    """
    when = day_numbers(days)
    shown = np.asarray(odometer_km, dtype=np.float64)
    n = when.size
    fuel = np.zeros(n, dtype=bool) if fuelled is None else np.asarray(fuelled, dtype=bool)
    if shown.shape != (n,) or fuel.shape != (n,):
        raise InputError(f"every odometer reading needs its day: {n} days, {shown.size} readings")
    reason = [GOOD] * n
    notes: list[str] = []
    readings: list[Reading] = []
    written = [(day_number(change.day), change.before_km, change.after_km) for change in changes]
    sentinels = is_sentinel(when, shown, written)
    for k in range(n):
        if not np.isfinite(shown[k]):
            reason[k] = "missing"
        elif shown[k] < 0:
            reason[k] = "negative"
        elif sentinels[k]:
            reason[k] = "sentinel"
        else:
            readings.append(Reading(int(when[k]), float(shown[k]), k))
    spans = explain(readings, written)
    distance, uncertain = np.full(n, nan), np.zeros(n, dtype=bool)
    suggestion = np.full(n, nan)
    offset, doubtful = 0.0, False
    kept = [(reading.day, reading.km, i) for i, span in enumerate(spans) for reading in span.kept]
    # the pace is asked for only where something must be bridged, judged or found stuck
    plain = len(spans) < 2 and len(kept) == len(readings) and not fuel.any()
    rate = nan if plain else pace([row[0] for row in kept], [row[1] for row in kept], [row[2] for row in kept])
    for i, span in enumerate(spans):
        if i:
            last, first = spans[i - 1].kept[-1], span.kept[0]
            stated = last.change == first.change >= 0
            offset += last.km - first.km + _driven(last, first, rate)
            doubtful |= not stated
            if not span.recorded:
                notes.append(
                    _(
                        "the meter went from {before} km to {after} km between {last} and {first} without a recorded "
                        "meter change",
                        before=f"{last.km:.0f}",
                        after=f"{first.km:.0f}",
                        last=day_of(last.day),
                        first=day_of(first.day),
                    )
                )
        for reading in span.kept:
            if reading.index >= 0:
                distance[reading.index] = reading.km + offset
                uncertain[reading.index] = doubtful
                if np.isnan(offset):
                    reason[reading.index] = "no usage"
        for reading, before, after in span.left_out():
            if reading.index >= 0:
                reason[reading.index], suggestion[reading.index] = fault(reading, before, after, rate)
    for k in _stuck(when, distance, fuel, rate):
        distance[k], reason[k] = nan, "stuck"
    if "stuck" in reason:
        notes.append(_("the meter stood still while fuel was taken: distances after it are too short"))
    return Distance(when, distance, tuple(reason), uncertain, suggestion, offset, tuple(notes))


def day_number(day: date) -> int:
    """Return the days since 1970-01-01."""
    return (day - _EPOCH).days


def day_of(number: int | np.int64) -> date:
    """Return the day that lies so many days after 1970-01-01."""
    return _EPOCH + timedelta(days=int(number))


def day_numbers(days: Sequence[date] | NDArray[np.datetime64]) -> NDArray[np.int64]:
    """Return the days since 1970-01-01 of dates or of a datetime64 array, shape (n,)."""
    if isinstance(days, np.ndarray) and np.issubdtype(days.dtype, np.datetime64):
        return days.astype("datetime64[D]").astype(np.int64)
    return np.array([day_number(day) for day in days], dtype=np.int64)


def _driven(last: Reading, first: Reading, rate: float) -> float:
    """Return the distance driven from the last reading of a meter to the first of the next, by usage."""
    days = first.day - last.day
    return rate * days if days else 0.0


def _stuck(when: NDArray[np.int64], distance: NDArray[np.float64], fuel: NDArray[np.bool_], rate: float) -> list[int]:
    """Return readings of a meter that stood still while fuel was taken three times and 1000 km were due."""
    known = np.flatnonzero(np.isfinite(distance))
    known = known[np.lexsort((distance[known], when[known]))]
    out: list[int] = []
    start = 0
    for stop in range(1, known.size + 1):
        if stop < known.size and distance[known[stop]] == distance[known[start]]:
            continue
        run = known[start:stop]
        due = rate * float(when[run[-1]] - when[run[0]])
        if len({int(when[k]) for k in run if fuel[k]}) >= 3 and due >= 1000:
            out += [int(k) for k in run[1:]]
        start = stop
    return out

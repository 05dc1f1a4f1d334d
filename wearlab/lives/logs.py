"""The odometer readings of many vehicles side by side, and the stretches between readings that tell of the pace."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.errors import InputError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Shortest stretch of days that is told apart from the next one.
QUARTER = 91

#: As many stretches back: further ones say little about the vehicle's present duty.
MOST = 12

#: A stretch shorter than this says more about the day of the week than about usage.
FEWEST_DAYS = 30

#: room for the days of one vehicle in a key made of vehicle and day
_ROOM = 1 << 22


@dataclass(frozen=True, slots=True, eq=False)
class Logs:
    """Readings of V vehicles in the order of vehicle and day.

    `key` (N,) is vehicle * room + day, `distance` (N,) true km, never falling within a vehicle; `first` and `count`
    (V,) say where a vehicle's readings lie.
    """

    key: Ints
    distance: Array
    first: Ints
    count: Ints

    @classmethod
    def of(cls, days: Sequence[Ints], distance_km: Sequence[Array], until: int) -> Logs:
        """Put the readings of all vehicles up to a day together; what has no distance is left out.

        Raises
        ------
        InputError
            A vehicle's inputs are not of one length.
        """
        sizes = [len(one) for one in days]
        if sizes != [len(one) for one in distance_km]:
            raise InputError("every distance needs its day")
        if not sizes:
            none = np.zeros(0, dtype=np.int64)
            return cls(none, np.zeros(0), none, none)
        vehicle = np.repeat(np.arange(len(sizes)), sizes)
        day = np.concatenate([np.asarray(one, dtype=np.int64) for one in days])
        distance = np.concatenate([np.asarray(one, dtype=np.float64) for one in distance_km])
        good = np.isfinite(distance) & (day <= until) & (day > until - _ROOM // 2)
        key, distance = vehicle[good] * _ROOM + (day[good] - until + _ROOM // 2), distance[good]
        if (np.diff(key) < 0).any():
            order = np.lexsort((distance, key))
            key, distance = key[order], distance[order]
        edges = np.searchsorted(key, np.arange(len(sizes) + 1) * _ROOM)
        # a distance never falls: what was explained so by halves does not count backwards
        distance = np.maximum.accumulate(distance + (key // _ROOM) * 1e9) - (key // _ROOM) * 1e9
        return cls(key, distance, edges[:-1], np.diff(edges))

    def at_or_before(self, age: Array, vehicle: Ints) -> Ints:
        """Return the place of each vehicle's last reading that is `age` days old or older; -1 where there is none."""
        wanted = vehicle * _ROOM + (_ROOM // 2 - np.floor(age).astype(np.int64))
        place = np.searchsorted(self.key, wanted, side="right") - 1
        return np.where(place >= self.first[vehicle], place, -1)

    def age(self, place: Ints) -> Array:
        """Return how many days before the last day allowed the readings at some places were taken."""
        return np.asarray(_ROOM // 2 - self.key[place] % _ROOM, dtype=np.float64)

    def distance_at(self, age: Array, vehicle: Ints) -> Array:
        """Return the distance at ages by proportion between readings; NaN outside a vehicle's readings."""
        before = self.at_or_before(age, vehicle)
        last = self.first[vehicle] + self.count[vehicle] - 1
        after = np.minimum(before + 1, last)
        good = (before >= 0) & (self.age(last) <= age)
        a, b = np.maximum(before, 0), np.where(good, after, 0)
        span = self.age(a) - self.age(b)
        share = np.where(span > 0, (self.age(a) - age) / np.where(span > 0, span, 1.0), 0.0)
        return np.where(good, self.distance[a] + share * (self.distance[b] - self.distance[a]), np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Up to M stretches between readings of V vehicles, newest first; all (V, M).

    `late` and `early` are ages in days of their ends, `km` the distance driven; `good` false: there is no such stretch.
    """

    late: Array
    early: Array
    km: Array
    good: NDArray[np.bool_]

    @property
    def days(self) -> Array:
        """Length of the stretches, 1 where there is none."""
        return np.where(self.good, self.early - self.late, 1.0)


def stretches(logs: Logs) -> Stretches:
    """Return each vehicle's stretches of a quarter or more from reading to reading, back from its last reading.

    A gap between readings is one long stretch; what is left at the beginning counts if it is a month or more.
    """
    vehicles = np.flatnonzero(logs.count > 0)
    size = logs.count.size
    late, early, km = (np.zeros((size, MOST)) for _ in range(3))
    good = np.zeros((size, MOST), dtype=np.bool_)
    here = logs.first[vehicles] + logs.count[vehicles] - 1
    for number in range(MOST):
        there = logs.at_or_before(logs.age(here) + QUARTER, vehicles)
        oldest = logs.first[vehicles]
        there = np.where(there >= 0, there, oldest)
        days = logs.age(there) - logs.age(here)
        told = days >= FEWEST_DAYS
        rows = vehicles[told]
        late[rows, number], early[rows, number] = logs.age(here[told]), logs.age(there[told])
        km[rows, number] = logs.distance[here[told]] - logs.distance[there[told]]
        good[rows, number] = True
        vehicles, here = rows, there[told]
        if not vehicles.size:
            break
    return Stretches(late, early, km, good)

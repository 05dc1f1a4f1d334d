"""How far every part was driven short of its limit and past it, by the levels that a run found.

Distances are counted part by part: a vehicle with four injectors drives four kilometres of injectors in one. A part's
level goes straight from test to test; after its last test, and before its first, it goes on at the rate that the run
found for it. A vehicle is followed from its first record to its last meter reading: what failed before left no trace,
and what was driven after is not known.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby
from math import isfinite, nan
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipelines.steps.failure_margins import Margin, Split, level_series, margins, own_rules, split
from pipelines.steps.lives import MeterHistory
from pipelines.steps.part_lives import INJECTOR, watched_from
from wearlab.config import Settings
from wearlab.lives.odometer import day_number
from wearlab.records import PUMP, SET
from wearlab.store.database import Database
from wearlab.store.queries import vehicles


class Road(NamedTuple):
    """True distance of a vehicle by day; before the first reading and after the last it stands still."""

    days: NDArray[np.float64]
    km: NDArray[np.float64]

    @classmethod
    def of(cls, meter: MeterHistory, as_of: date) -> Road | None:
        """Those of its readings up to a day that stand; None without any."""
        days, km = meter.distance.days, meter.distance.distance_km
        kept = np.flatnonzero(np.isfinite(km) & (days <= day_number(as_of)))
        if not kept.size:
            return None
        order = kept[np.lexsort((km[kept], days[kept]))]
        return cls(days[order].astype(np.float64), km[order])

    def at(self, day: date) -> float:
        """Return the distance on a day."""
        return float(np.interp(day_number(day), self.days, self.km))


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay of a part in one place; `to_day` None: it still sits there. `order` is that of the vehicle's history.

    `offset_km` is the distance of the part's life less the vehicle's true distance; NaN where that is not known.
    """

    vehicle: str
    position: str
    from_day: date
    to_day: date | None
    order: int
    offset_km: float
    margins: tuple[Margin, ...]


@dataclass(frozen=True, slots=True)
class DrivenParts:
    """All stays by vehicle, what they add up to by family and kind of part, and the family of every vehicle."""

    stays: Mapping[str, tuple[Stay, ...]]
    km: Mapping[tuple[str, str], Split]
    families: Mapping[str, str]
    roads: Mapping[str, Road]

    def seated(self, vehicle: str, position: str, day: date) -> tuple[Stay, ...]:
        """Return what sat in a place on a day; `set` stands for all injectors.

        A part that was taken out that day is the one that sat there.
        """
        first: dict[str, Stay] = {}
        for one in self.stays.get(vehicle, ()):
            meant = one.position == position or (position == SET and one.position not in (PUMP, SET))
            if meant and one.from_day <= day and (one.to_day is None or one.to_day >= day):
                first.setdefault(one.position, one)
        return tuple(first.values())

    def past(self, stays: Sequence[Stay], day: date, distance_km: float | None) -> bool | None:
        """Return whether any of some stays was past a limit on a day; None where nobody can say.

        `distance_km` is the vehicle's true distance if it was written down, else it is that of the day.
        """
        told: list[bool | None] = []
        for one in stays:
            road = self.roads.get(one.vehicle)
            km = distance_km if distance_km is not None else nan if road is None else road.at(day)
            at = km + one.offset_km
            known = isfinite(at) and bool(one.margins)
            told.append(any(margin.at(at) >= 0 for margin in one.margins) if known else None)
        if any(told):
            return True
        return None if not told or None in told else False


def driven_parts(
    db: Database, settings: Settings, run: int, as_of: date, meters: Mapping[str, MeterHistory]
) -> DrivenParts:
    """Follow all injectors and pumps up to a day with the levels of a run, against the limits in force that day."""
    register = {row["vehicle"]: row for row in vehicles(db, as_of)}
    families = {name: str(row["family"] or "") for name, row in register.items()}
    cylinders = {name: row["cylinders"] or _usual(settings, families[name]) for name, row in register.items()}
    roads = {name: road for name, meter in meters.items() if (road := Road.of(meter, as_of)) is not None}
    rules = own_rules(settings, as_of)
    series = level_series(db, run, as_of, rules)
    watched = watched_from(db, as_of)
    stays: dict[str, list[Stay]] = defaultdict(list)
    sums: dict[tuple[str, str], list[Split]] = defaultdict(list)
    for life in _lives(db, roads, as_of):
        for at, row in enumerate(life.rows):
            vehicle = row["vehicle"]
            told = [
                one
                for found in series.get((row["part"], row["life"]), ())
                for one in margins(
                    found,
                    life.km_on,
                    rules,
                    family=families.get(vehicle) or None,
                    cylinders=cylinders.get(vehicle),
                    part_number=row["part_number"],
                )
            ]
            stay = Stay(
                vehicle=vehicle,
                position=row["position"],
                from_day=row["from_date"],
                to_day=row["to_date"],
                order=row["from_order"],
                offset_km=life.offset_km[at],
                margins=tuple(told),
            )
            stays[vehicle].append(stay)
            if vehicle in roads and isfinite(stay.offset_km):
                since = max(stay.from_day, watched.get(vehicle, as_of))
                start, end = roads[vehicle].at(since), roads[vehicle].at(stay.to_day or as_of)
                kind = PUMP if stay.position == PUMP else INJECTOR
                km = split(stay.margins, start + stay.offset_km, end + stay.offset_km)
                sums[families.get(vehicle, ""), kind].append(km)
    ordered = {name: tuple(sorted(own, key=lambda one: (one.from_day, one.order))) for name, own in stays.items()}
    driven = {key: Split(sum(one.below for one in own), sum(one.beyond for one in own)) for key, own in sums.items()}
    return DrivenParts(ordered, driven, families, roads)


class _Life(NamedTuple):
    """The stays of one life, as rows of the store, with the distance of the life less that of the vehicle in each."""

    rows: tuple[dict[str, Any], ...]
    offset_km: tuple[float, ...]
    roads: Mapping[str, Road]

    def km_on(self, day: date) -> float:
        """Return the distance of the life on a day; NaN where its vehicle has no meter."""
        at = max((k for k, row in enumerate(self.rows) if row["from_date"] <= day), default=0)
        road = self.roads.get(self.rows[at]["vehicle"])
        return nan if road is None else road.at(day) + self.offset_km[at]


def _lives(db: Database, roads: Mapping[str, Road], as_of: date) -> list[_Life]:
    rows = db.records(
        "SELECT part, life, vehicle, position, from_date, "
        "CASE WHEN to_date <= ? THEN to_date END AS to_date, from_order, part_number FROM fitment "
        "WHERE position <> ? AND from_date <= ? ORDER BY part, life, from_date, from_order",
        [as_of, SET, as_of],
    )
    found = []
    for _, group in groupby(rows, key=lambda row: (row["part"], row["life"])):
        chain, offsets, gathered = tuple(group), [], 0.0
        for row in chain:
            road = roads.get(row["vehicle"])
            begun, ended = (nan, nan) if road is None else (road.at(row["from_date"]), road.at(row["to_date"] or as_of))
            offsets.append(gathered - begun)
            gathered += ended - begun
        found.append(_Life(chain, tuple(offsets), roads))
    return found


def _usual(settings: Settings, family: str) -> int | None:
    entry = settings.families.get(family)
    return None if entry is None else entry.cylinders

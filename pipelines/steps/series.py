"""The readings of every life as series: one part, one measure, one protocol."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from math import isfinite, nan
from typing import Any

from wearlab.language import _, msg
from wearlab.limit_settings import LimitRule
from wearlab.records import Measure, Use
from wearlab.store.database import Database
from wearlab.study.facts import AsTested
from wearlab.study.limit_conditions import misses

#: a starved pump looks like a worn one: without a word on the supply such a reading starts no forecast
_ON_SUPPLY = (Measure.PUMP_PEAK, Measure.PUMP_RISE)


@dataclass(frozen=True, slots=True)
class SeriesPoint:
    """One reading of a life with the conditions it was taken under."""

    day: date
    level: float
    bound: str | None
    resolution: float | None
    quality: str
    used: bool
    distance_km: float | None
    exposure_km: float | None
    odometer_km: float | None
    conditions: AsTested
    reason: str | None

    @property
    def measured(self) -> bool:
        """Whether this is a number a line may use: no bound, not doubted, at a known exposure."""
        return self.used and self.bound is None and self.exposure_km is not None


@dataclass(frozen=True, slots=True)
class LifeSeries:
    """One life of one part in one measure and protocol, in the order of its readings."""

    vehicle: str
    position: str
    part: str
    life: int
    measure: str
    protocol: str
    current: bool
    points: tuple[SeriesPoint, ...] = field(repr=False)

    @property
    def last_test(self) -> date:
        """Day of the last reading."""
        return self.points[-1].day

    def trend(self, rule: LimitRule | None) -> Trend:
        """Means per day of the readings that a line for this limit may use.

        Readings known to be taken outside the limit's own conditions are left out and counted; what was not
        recorded is not held against a reading, but it makes a test weak.
        """
        days: dict[date, list[SeriesPoint]] = {}
        left_out = beyond = unplaced = unsupplied = 0
        for point in self.points:
            if not point.used:
                continue
            if rule is not None and misses(rule, point.conditions):
                left_out += 1
            elif (
                self.measure in _ON_SUPPLY and point.conditions.supply_bar is None and not point.conditions.supply_note
            ):
                unsupplied += 1
            elif point.bound is not None:
                beyond += 1
            elif point.exposure_km is None:
                unplaced += 1
            else:
                days.setdefault(point.day, []).append(point)
        exposure, level, resolution = [], [], []
        for day in sorted(days):
            group = days[day]
            exposure.append(sum(p.exposure_km or 0.0 for p in group) / len(group))
            level.append(sum(p.level for p in group) / len(group))
            resolution.append(max((p.resolution or 0.0) for p in group))
        return Trend(
            tuple(sorted(days)), tuple(exposure), tuple(level), max(resolution, default=0.0),
            left_out, beyond, unplaced, unsupplied,
        )  # fmt: skip

    @property
    def offset_km(self) -> float:
        """True distance of the present vehicle less the part's exposure; NaN when neither is known."""
        for point in reversed(self.points):
            if point.distance_km is not None and point.exposure_km is not None:
                return point.distance_km - point.exposure_km
        return nan


#: so many readings of a pump that nothing was recorded of the supply of
NO_SUPPLY = msg("{n} with nothing recorded of the fuel supply: pump or supply, check supply first")


@dataclass(frozen=True, slots=True)
class Trend:
    """What a line is fitted to, and what was left out: (days, exposure km, mean level), equal lengths."""

    days: tuple[date, ...]
    exposure_km: tuple[float, ...]
    level: tuple[float, ...]
    resolution: float
    outside_conditions: int
    beyond_scale: int
    without_distance: int
    without_supply: int

    def left_out(self) -> list[str]:
        """Say which readings were left out, for a part that cannot be answered for."""
        told = [
            (self.outside_conditions, msg("{n} outside the limit's test conditions")),
            (self.beyond_scale, msg("{n} beyond the scale")),
            (self.without_distance, msg("{n} without a usable odometer")),
            (self.without_supply, NO_SUPPLY),
        ]
        return [_(text, n=count) for count, text in told if count]


def life_series(
    db: Database,
    until: date,
    vehicle: str | None = None,
    group: tuple[str, str] | None = None,
    parts: Sequence[str] | None = None,
) -> list[LifeSeries]:
    """Every life's series up to a day; `vehicle`, `group` (measure, protocol) and `parts` narrow it down.

    A series carries the position where the part sits or last sat; `current` is false once it was taken out.
    """
    seats = {
        (part, home): (position, life, to_date is None or to_date > until)
        for home, position, part, life, to_date in db.rows(
            "SELECT vehicle, position, part, life, to_date FROM fitment WHERE from_date <= ? "
            "ORDER BY from_date, from_order",
            [until],
        )
    }
    measure, protocol = group or (None, None)
    named = None if parts is None else list(parts)
    rows = db.records(
        """
        SELECT r.vehicle, r.position, f.part, f.life, r.measure, r.protocol, r.tested_on, r.level, r.bound,
               r.resolution, r.value, r.quality, r.use, f.distance_km, f.exposure_km,
               t.odometer_km, t.driven, t.duration_s, t.rail_bar, t.speed_rpm, t.fuel_temp_c, t.battery_v,
               t.supply_bar, t.supply_note, t.volume_ml, t.reason
        FROM reading r JOIN test t USING (test_id)
        JOIN fitted f ON f.test_id = r.test_id AND f.position = r.position
        WHERE r.level IS NOT NULL AND r.tested_on <= ? AND (? IS NULL OR r.vehicle = ?) AND r.use <> 'share'
          AND (? IS NULL OR (r.measure = ? AND r.protocol = ?))
          AND (? IS NULL OR list_contains(?, f.part))
        ORDER BY r.vehicle, r.measure, r.protocol, f.part, f.life, r.tested_on, r.repeat, r.file_id, r.row_no
        """,
        [until, vehicle, vehicle, measure, measure, protocol, named, named],
    )
    groups: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in rows:
        key = (row["vehicle"], row["measure"], row["protocol"], row["part"], row["life"])
        groups.setdefault(key, []).append(row)
    made = []
    for (home, what, how, part, life), members in groups.items():
        position, present, seated = seats.get((part, home), (members[-1]["position"], life, False))
        current = seated and present == life
        points = tuple(_point(row) for row in members)
        made.append(LifeSeries(home, position, part, life, what, how, current, points))
    return made


def _point(row: dict[str, Any]) -> SeriesPoint:
    scale = row["level"] / row["value"] if row["value"] else 1.0
    resolution = row["resolution"]
    return SeriesPoint(
        day=row["tested_on"],
        level=row["level"],
        bound=row["bound"],
        resolution=None if resolution is None else resolution * scale,
        quality=row["quality"],
        used=row["use"] == Use.TREND,
        distance_km=row["distance_km"],
        exposure_km=row["exposure_km"],
        odometer_km=row["odometer_km"],
        conditions=AsTested(
            measure=row["measure"],
            protocol=row["protocol"],
            driven=row["driven"],
            duration_s=row["duration_s"],
            rail_bar=row["rail_bar"],
            speed_rpm=row["speed_rpm"],
            fuel_temp_c=row["fuel_temp_c"],
            battery_v=row["battery_v"],
            supply_bar=row["supply_bar"],
            supply_note=row["supply_note"],
            volume_ml=row["volume_ml"],
        ),
        reason=row["reason"],
    )


def finite(value: float) -> float | None:
    """A number for the store: None where it is not finite."""
    return float(value) if isfinite(value) else None

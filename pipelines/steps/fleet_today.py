"""The fleet as of a day: what every forecast rests on beside the wear model of its group."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from pipelines.steps.lives import MeterHistory
from pipelines.steps.plans import Plans
from wearlab.config import Settings
from wearlab.language import _
from wearlab.lives.fleet_usage import fleet_usage
from wearlab.lives.usage import Usage
from wearlab.records import NoAnswer

#: number under which a rule is kept, by its name and first day
Versions = Mapping[tuple[str, date | None], int]


@dataclass(frozen=True, slots=True, eq=False)
class FleetToday:
    """Meters, paces and plans of all vehicles, with the settings and the rules' versions.

    `cylinders` are the numbers that the register states for single vehicles; else those of the family count.
    """

    as_of: date
    settings: Settings
    versions: Versions
    meters: Mapping[str, MeterHistory]
    paces: Mapping[str, Usage | NoAnswer]
    plans: Plans = field(default_factory=Plans)
    cylinders: Mapping[str, int] = field(default_factory=dict)

    def pace(self, vehicle: str) -> Usage | NoAnswer:
        """Return a vehicle's pace, or why it is not known."""
        found = self.paces.get(vehicle)
        return NoAnswer(_("no odometer was recorded")) if found is None else found

    def meter_offset_km(self, vehicle: str) -> float:
        """Return true distance less what the vehicle's meter shows; NaN without a meter."""
        meter = self.meters.get(vehicle)
        return float("nan") if meter is None else float(meter.distance.meter_offset_km)

    def days_to_test(self, vehicle: str, age: float) -> float:
        """Return the days to the next planned visit; without one to a usual interval after a test `age` days ago."""
        visits, pace = self.settings.visits, self.pace(vehicle)
        visit = self.plans.next_visit.get(vehicle)
        if visit is not None:
            return float((visit - self.as_of).days)
        interval = float(visits.every_days)
        if visits.every_km is not None and isinstance(pace, Usage) and pace.km_per_day > 0:
            interval = min(interval, visits.every_km / pace.km_per_day)
        return max(interval - age, 0.0)


def vehicle_usage(
    meters: Mapping[str, MeterHistory], as_of: date, register: Sequence[dict[str, Any]] = ()
) -> dict[str, Usage | NoAnswer]:
    """Every vehicle's pace as of a day; `register` holds its lines, whose families and depots are told apart."""
    known = {row["vehicle"]: row for row in register}
    lines = [known.get(name, {}) for name in meters]
    return fleet_usage(
        list(meters),
        [meter.distance.days for meter in meters.values()],
        [meter.distance.distance_km for meter in meters.values()],
        as_of,
        family=[line.get("family") or "" for line in lines],
        depot=[line.get("depot") or "" for line in lines],
    )

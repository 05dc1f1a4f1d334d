"""How far a vehicle goes a day, with an interval, and what that says of distances to come; told by `fleet_usage`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import expm1, log, sqrt

from scipy.special import ndtri

from wearlab.lives.outlook import Outlook

#: Coverage of the pace's interval: its ends are the 10 and 90 % points.
COVERAGE = 0.8

#: The interval is never narrower than this to each side (common practice, no source: 5 %).
LEAST_SPREAD = 0.05

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

"""The truth of every injector and pump: level, rate, path and steps, on its own distance."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from pipelines.demo import scenario as sc
from pipelines.demo.vehicles import Vehicle
from wearlab.records import PUMP


@dataclass(frozen=True, slots=True)
class Life:
    """One part in one vehicle, from the day it was fitted to the day it was taken out.

    `wear` holds log units of wear at every point of the vehicle's track (shape of `track.km`), not counting
    `steps`; it is level + rate * distance since new + path. `rate` is log units per 10,000 km. `places` are
    the positions with the day each began.
    """

    vehicle: Vehicle
    serial: str
    origin: str  # original, new, rebuilt
    fitted: date
    fitted_km: float
    removed: date | None
    places: tuple[tuple[date, str], ...]
    rate_share: float  # rate over the family's rate
    rate: float
    wear: NDArray[np.float64]
    steps: tuple[tuple[date, float], ...] = ()

    @property
    def pump(self) -> bool:
        """Whether the part is a high-pressure pump."""
        return self.places[0][1] == PUMP

    def position(self, day: date) -> str:
        """Position on a day (the latest that began by then)."""
        begun = [place for start, place in self.places if start <= day]
        return begun[-1] if begun else self.places[0][1]

    def in_place(self, day: date) -> bool:
        """Whether the part was in the vehicle when a test was made that day: work follows the day's tests."""
        after_fitting = self.origin == "original" or day > self.fitted
        return after_fitting and (self.removed is None or day <= self.removed)

    def wear_at(self, day: date) -> float:
        """Log units of wear on a day, steps included."""
        along = float(np.interp(day.toordinal(), self.vehicle.track.days, self.wear))
        return along + sum(size for start, size in self.steps if day >= start)


def true_value(life: Life, measure: str, wear: float) -> float:
    """Level of a measure under the reference conditions: ml in 60 s, bar or s."""
    family = life.vehicle.family
    if measure == "return_flow":
        return family.idle_new_ml * float(np.exp(wear))
    if measure == "pump_peak":
        return family.peak_new_bar * float(np.exp(-wear))
    return family.rise_new_s * float(np.exp(sc.RISE_PER_PEAK * wear))


def limit_of(life: Life, measure: str) -> float:
    """The demo's limit for a measure of a part."""
    family = life.vehicle.family
    return {
        "return_flow": family.idle_limit_ml,
        "pump_peak": family.peak_limit_bar,
        "pump_rise": family.rise_limit_s,
    }[measure]


def first_crossing(life: Life, measure: str) -> tuple[date, float] | None:
    """Day and true kilometres at which the true level first passed its limit, followed to the horizon.

    The path is known at the track's points and taken as straight in between. None where it never passes.
    """
    track = life.vehicle.track
    begin = max(life.fitted, sc.START)
    end = life.removed or sc.HORIZON
    days = [begin.toordinal(), *(int(d) for d in track.days if begin.toordinal() < d < end.toordinal())]
    days += [start.toordinal() for start, _ in life.steps if begin < start < end] + [end.toordinal()]
    days = sorted(set(days))
    limit = limit_of(life, measure)
    sign = -1.0 if measure == "pump_peak" else 1.0
    past = [sign * (_level(life, measure, day) - limit) for day in days]
    if past[0] >= 0:
        return date.fromordinal(days[0]), track.at(date.fromordinal(days[0]))
    for nth in range(1, len(days)):
        if past[nth] >= 0:
            share = past[nth - 1] / (past[nth - 1] - past[nth])
            day = date.fromordinal(days[nth - 1] + int(np.ceil(share * (days[nth] - days[nth - 1]))))
            return day, track.at(day)
    return None


def _level(life: Life, measure: str, ordinal: int) -> float:
    return true_value(life, measure, life.wear_at(date.fromordinal(ordinal)))


def make_life(
    rng: np.random.Generator,
    vehicle: Vehicle,
    position: str,
    serial: str,
    *,
    vehicle_level: float,
    vehicle_rate: float,
    fitted: date | None = None,
    removed: date | None = None,
    origin: str = "original",
    share: float | None = None,
    steps: tuple[tuple[date, float], ...] = (),
) -> Life:
    """Draw one part's truth.

    `share` plants its rate as that multiple of the family's; a planted part's level stays near the usual.
    """
    pump = position == PUMP
    track = vehicle.track
    z = rng.standard_normal(2)
    level_sd = sc.PUMP_LEVEL_SD if pump else sc.PART_LEVEL_SD
    level = vehicle_level * (0.0 if pump else 1.0) + level_sd * float(z[0])
    rho = sc.LEVEL_RATE_CORRELATION
    bent = rho * float(z[0]) + float(np.sqrt(1 - rho**2)) * float(z[1])
    drawn = float(np.clip(1.0 + vehicle_rate + sc.PART_RATE_SD * bent, *sc.RATE_SHARE))
    if share is not None:
        level = float(np.clip(level, -0.08, 0.08))
    if origin == "rebuilt":
        level += 0.08
    rate_share = drawn if share is None else share
    rate = rate_share * (vehicle.family.pump_rate if pump else vehicle.family.idle_rate)
    fitted_km = 0.0 if fitted is None else track.at(fitted)
    own = np.maximum(track.km - fitted_km, 0.0) / 10_000.0
    sd = sc.PUMP_PATH_SD if pump else sc.PATH_SD
    path = np.cumsum(sd * np.sqrt(np.diff(own, prepend=0.0)) * rng.standard_normal(len(own)))
    return Life(
        vehicle=vehicle,
        serial=serial,
        origin=origin,
        fitted=vehicle.in_service if fitted is None else fitted,
        fitted_km=fitted_km,
        removed=removed,
        places=((vehicle.in_service if fitted is None else fitted, position),),
        rate_share=rate_share,
        rate=rate,
        wear=level + rate * own + path,
        steps=steps,
    )

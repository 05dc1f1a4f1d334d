"""The haulier's vehicles: how far each runs, when it fuels, when it is tested."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from pipelines.demo.scenario import AS_OF, DEPOT_USE, DEPOTS, FAMILIES, HORIZON, START, EngineFamily


@dataclass(frozen=True, slots=True)
class Track:
    """True kilometres since new at the start of every month (and on the last day); straight in between.

    `days`: ordinal days, shape (months,). `km`: kilometres, same shape, rising.
    """

    days: NDArray[np.float64]
    km: NDArray[np.float64]

    def at(self, day: date) -> float:
        """Kilometres on a day."""
        return float(np.interp(day.toordinal(), self.days, self.km))


@dataclass(frozen=True, slots=True)
class MeterChange:
    """A replaced odometer: true km, the old meter's last reading and the new meter's first."""

    day: date
    true_km: float
    before_km: int
    after_km: int


@dataclass(frozen=True, slots=True)
class Vehicle:
    """One vehicle. `visits` are the days of its tests, `fills` the days in its fuel-card log."""

    key: str
    index: int
    family: EngineFamily
    depot: str
    duty: str
    plate: str
    in_service: date
    track: Track
    visits: tuple[date, ...]
    fills: tuple[date, ...]


def shown_km(vehicle: Vehicle, day: date, change: MeterChange | None) -> int:
    """What the odometer shows on a day."""
    km = vehicle.track.at(day)
    if change is not None and day > change.day:
        return int(km - change.true_km + change.after_km)
    return int(km)


def make_vehicles(seed: int) -> tuple[Vehicle, ...]:
    """Return the vehicles, family by family, in the order of their numbers."""
    made: list[Vehicle] = []
    for family in FAMILIES:
        for number in range(1, family.per_depot * len(DEPOTS) + 1):
            made.append(_vehicle(seed, len(made), family, number))
    return tuple(made)


def _vehicle(seed: int, index: int, family: EngineFamily, number: int) -> Vehicle:
    rng = np.random.default_rng([seed, 1, index])
    depot = DEPOTS[(number - 1) % len(DEPOTS)]
    duty = list(family.duties)[(number // len(DEPOTS)) % len(family.duties)]
    yearly = family.duties[duty] * DEPOT_USE[depot] * float(np.exp(rng.normal(0.0, 0.06)))
    start_km = float(rng.uniform(*family.start_km))
    return Vehicle(
        key=f"{family.letter}{number:02d}",
        index=index,
        family=family,
        depot=depot,
        duty=duty,
        plate=f"MC {200 + 7 * index} {family.letter}{depot[0]}",
        in_service=START - timedelta(days=round(365.25 * start_km / yearly)),
        track=_track(rng, start_km, yearly),
        visits=_visits(rng),
        fills=_fills(rng),
    )


def _track(rng: np.random.Generator, start_km: float, yearly: float) -> Track:
    starts = [START]
    while starts[-1] < HORIZON:
        following = (starts[-1].replace(day=1) + timedelta(days=32)).replace(day=1)
        starts.append(min(following, HORIZON))
    days = np.array([day.toordinal() for day in starts], dtype=np.float64)
    # more milk in spring; a month off the road now and then
    months = np.array([day.month for day in starts[:-1]])
    season = 1.0 + 0.10 * np.cos(2 * np.pi * (months - 5) / 12)
    wobble = np.exp(rng.normal(0.0, 0.12, len(months)))
    idle = np.where(rng.random(len(months)) < 0.02, 0.3, 1.0)
    run = yearly / 365.25 * np.diff(days) * season * wobble * idle
    return Track(days, start_km + np.concatenate([[0.0], np.cumsum(run)]))


def _visits(rng: np.random.Generator) -> tuple[date, ...]:
    found: list[date] = []
    for year in range(START.year, AS_OF.year):
        count = int(rng.choice([1, 2, 3, 4], p=[0.12, 0.46, 0.29, 0.13]))
        first = date(year, START.month, 1)
        step = 365 / count
        for nth in range(count):
            day = first + timedelta(days=int(step * (nth + 0.5) + rng.uniform(-0.25, 0.25) * step))
            found.append(_working_day(day))
    return tuple(found)


def _working_day(day: date) -> date:
    """The day itself, or the last working day before a weekend or the turn of the year."""
    if (day.month, day.day) >= (12, 24) or (day.month, day.day) <= (1, 2):
        day -= timedelta(days=10)
    return day - timedelta(days=max(0, day.weekday() - 4))


def _fills(rng: np.random.Generator) -> tuple[date, ...]:
    months = [(y, m) for y in range(START.year, AS_OF.year + 1) for m in range(1, 13)]
    inside = [(y, m) for y, m in months if (START.year, START.month) <= (y, m) <= (AS_OF.year, AS_OF.month)]
    return tuple(date(y, m, int(rng.integers(1, 29))) for y, m in inside)


def make_deliveries(seed: int) -> dict[str, tuple[date, ...]]:
    """Days on which fuel was delivered to each depot, about every three weeks."""
    found: dict[str, tuple[date, ...]] = {}
    for number, depot in enumerate(DEPOTS):
        rng = np.random.default_rng([seed, 2, number])
        days: list[date] = []
        day = START + timedelta(days=int(rng.integers(2, 14)))
        while day <= AS_OF:
            days.append(_working_day(day))
            day += timedelta(days=int(rng.integers(18, 26)))
        found[depot] = tuple(days)
    return found

"""Fleets with one planted cause: what the study of planted causes draws."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

import numpy as np
from numpy.typing import NDArray

from studies.coverage import TRUE
from wearlab.wear.data import WearData
from wearlab.wear.fleet import simulated_fleet

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Kinds of causes, those that a vehicle shows by itself first.
KINDS = ("step", "vehicle", "wear", "fast wear", "reading", "visit", "rig")
#: Standard deviation of a reading, in ml/min, and sizes of causes in it; of the rig a share of the reading.
READING = float(np.hypot(TRUE.error, TRUE.visit))
SIZES = {"step": 4 * READING, "vehicle": 4 * READING, "reading": 5 * READING, "visit": 4 * READING}
RATE, DRIFT = 1.2e-4, 0.08
#: What each kind of faster wear adds, in rates of the family.
ADDED = {"wear": 1.0, "fast wear": 3.0}
PARTS, RIGS, DEPOTS = 4, 3, 4
YEAR, VISIT_DAYS, MONTH = 365, 182, 365.25 / 12


@dataclass(frozen=True, slots=True, eq=False)
class Tested:
    """A fleet up to its cut: per reading (N,) day, number of the vehicle's visit, rig, depot, place of the part."""

    data: WearData
    cut: int
    day: Ints
    turn: Ints
    rig: Ints
    depot: Ints
    place: Ints

    @property
    def visits_a_month(self) -> float:
        """Visits of the last year, a month."""
        recent = self.day > self.cut - YEAR
        return len(set(zip(self.data.vehicle[recent], self.turn[recent], strict=True))) / YEAR * MONTH


@dataclass(frozen=True, slots=True, eq=False)
class Planted:
    """A fleet with its cause: `change` (N,) of each reading, `size` as the cause is told, vehicle, part and visit."""

    data: WearData
    change: Floats
    size: float
    vehicle: int = -1
    part: int = -1
    visit: int = -1
    rig: int = -1
    day: int = -1


def fleet(seed: int) -> Tested:
    """The fleet of this seed, cut, before anything is planted."""
    rng = np.random.default_rng([seed, 0])
    vehicles = int(rng.integers(45, 81))
    truth = {**asdict(TRUE), "repeat": 0.0}
    data = simulated_fleet(
        rng, vehicles=vehicles, parts=PARTS, visits=(6, 9), missing=0.05, rate=RATE, periods=RIGS - 1, **truth
    ).data
    vehicle = np.asarray(data.vehicle, dtype=np.int64)
    first = rng.integers(0, YEAR, size=vehicles)
    day = first[vehicle] + np.round(data.exposure * 2 * VISIT_DAYS / 40_000).astype(np.int64)
    cut = int(rng.integers(1200, 1600))
    kept = day <= cut
    of_vehicle = np.unique(np.stack([vehicle, np.asarray(data.part, dtype=np.int64)]), axis=1)
    start = np.searchsorted(of_vehicle[0], np.arange(vehicles))
    place = np.searchsorted(of_vehicle[1], np.asarray(data.part)) - start[vehicle]
    assert data.period is not None
    return Tested(
        data=data.take(kept),
        cut=cut,
        day=day[kept],
        turn=np.asarray(data.visit, dtype=np.int64)[kept],
        rig=np.unique(data.period, return_inverse=True)[1].astype(np.int64)[kept],
        depot=vehicle[kept] % DEPOTS,
        place=place[kept].astype(np.int64),
    )


def planted(made: Tested, kind: str, seed: int) -> Planted:
    """The fleet with one cause of a kind."""
    rng = np.random.default_rng([seed, 1 + KINDS.index(kind)])
    data, y = made.data, np.asarray(made.data.y)
    if kind == "rig":
        rig, day = int(rng.integers(RIGS)), made.cut - YEAR
        change = np.where((made.rig == rig) & (made.day >= day), DRIFT * y, 0.0)
        return Planted(replace(data, y=y + change), change, DRIFT, rig=rig, day=day)
    newest = np.array([made.turn[data.vehicle == v].max() for v in range(int(data.vehicle.max()) + 1)])
    vehicle = int(rng.choice(np.flatnonzero(newest >= 5)))  # at least three visits came before
    own = data.vehicle == vehicle
    visit = int(newest[vehicle]) - 2
    if not (own & (made.turn == visit)).any():  # all its readings are missing
        visit = int(made.turn[own & (made.turn < visit)].max())
    part = int(rng.choice(np.asarray(data.part)[own & (made.turn == visit)]))
    mine, now, since = own & (data.part == part), made.turn == visit, made.turn >= visit
    if kind in ADDED:
        start = data.exposure[own & (made.turn < visit)].max()
        size = RATE * ADDED[kind]
        change = np.where(mine & since, size * (data.exposure - start), 0.0)
        return Planted(replace(data, y=y + change), change, size, vehicle, part, visit)
    where = {"step": mine & since, "vehicle": own & since, "reading": mine & now, "visit": own & now}[kind]
    size = SIZES[kind] * float(rng.choice([-1.0, 1.0]))
    change = np.where(where, size, 0.0)
    return Planted(replace(data, y=y + change), change, size, vehicle, part, visit)

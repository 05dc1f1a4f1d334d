"""Histories of simulated parts: who was on which vehicle, with what exposure, at every visit of a fleet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Histories:
    """Parts at visits; T visits in the order of vehicle and time, C = T * parts cells, visit by visit.

    Attributes
    ----------
    visit_vehicle, index, odometer : (T,) of each visit: vehicle, number of visits of the vehicle before it, odometer.
    visit, vehicle, life, former : (C,) visit and vehicle of a cell, the life that was tested, and the vehicle it
        was on before the present one (the present one itself, had it no other).
    exposure, gathered : (C,) since the life began (or its first visit, where unknown), and on the present vehicle.
    first_vehicle, unknown : (lives,) where each life began; whether its beginning is unknown.
    """

    visit_vehicle: Ints
    index: Ints
    odometer: Floats
    visit: Ints
    vehicle: Ints
    life: Ints
    former: Ints
    exposure: Floats
    gathered: Floats
    first_vehicle: Ints
    unknown: NDArray[np.bool_]

    @property
    def lives(self) -> int:
        """Number of lives, those without a visit counted too."""
        return int(self.first_vehicle.size)


def draw_histories(
    rng: np.random.Generator,
    *,
    vehicles: int,
    parts: int,
    visits: Ints,
    gap: float,
    gap_spread: float,
    replaced: float,
    moved: float,
    unknown: float,
) -> Histories:
    """Draw visits and lives; `visits` (vehicles,), shares as in `simulated_fleet`.

    Odometers start at 0 with new parts. Distances from visit to visit are gamma distributed.
    """
    visit_vehicle = np.repeat(np.arange(vehicles), visits)
    first = np.cumsum(visits) - visits
    index = np.arange(visit_vehicle.size) - first[visit_vehicle]
    gaps = _gaps(rng, visit_vehicle.size, gap, gap_spread)
    total = np.cumsum(gaps)
    odometer = total - (total - gaps)[first][visit_vehicle]

    def between(vehicle: NDArray[Any], visit: NDArray[Any]) -> Floats:
        """Return an odometer just before this visit of the vehicle, after the one before."""
        at = first[vehicle] + visit
        return np.asarray(odometer[at] - rng.uniform(0.1, 0.9, size=np.shape(at)) * gaps[at], dtype=np.float64)

    def any_visit_but_first(vehicle: NDArray[Any], most: NDArray[Any]) -> NDArray[Any]:
        return np.asarray(1 + np.floor(rng.random(np.shape(vehicle)) * (most - 1)), dtype=np.int64)

    never = int(visits.max()) + 1
    v = np.repeat(np.arange(vehicles), parts)
    # renewed parts
    renewed = (rng.random(v.size) < replaced) & (visits[v] > 1)
    renewed_at = np.full(v.size, never)
    renewed_at[renewed] = any_visit_but_first(v[renewed], visits[v[renewed]])
    changed = np.zeros(v.size)
    changed[renewed] = between(v[renewed], renewed_at[renewed])
    new_life = np.full(v.size, -1)
    new_life[renewed] = v.size + np.arange(int(renewed.sum()))
    # exchanged parts: vehicles in pairs, one place each, from the same visit on
    partner_place = np.full(v.size, -1)
    moved_at = np.full(v.size, never)
    pairs = rng.permutation(vehicles)[: 2 * min(round(moved * vehicles / 2), vehicles // 2)].reshape(-1, 2)
    pairs = pairs[visits[pairs].min(axis=1, initial=never) > 1]
    place = pairs * parts + rng.integers(0, parts, size=(len(pairs), 1))
    place = place[~renewed[place].any(axis=1)]
    if place.size:
        pairs = place // parts
        when = any_visit_but_first(pairs[:, 0], visits[pairs].min(axis=1))
        for one, two in ((0, 1), (1, 0)):
            partner_place[place[:, one]] = place[:, two]
            moved_at[place[:, one]] = when
            changed[place[:, one]] = between(pairs[:, one], when)

    visit = np.repeat(np.arange(visit_vehicle.size), parts)
    vehicle = visit_vehicle[visit]
    cell = vehicle * parts + np.tile(np.arange(parts), visit_vehicle.size)
    is_new = index[visit] >= renewed_at[cell]
    is_moved = index[visit] >= moved_at[cell]
    other = np.where(is_moved, partner_place[cell], cell)
    life = np.where(is_new, new_life[cell], other)
    gathered = odometer[visit] - np.where(is_new | is_moved, changed[cell], 0.0)
    exposure = gathered + np.where(is_moved, changed[other], 0.0)

    lives = v.size + int(renewed.sum())
    exchanged = np.zeros(lives, dtype=np.bool_)
    exchanged[: v.size] = partner_place >= 0
    late = (rng.random(lives) < unknown) & ~exchanged
    start = np.full(lives, np.inf)
    np.minimum.at(start, life, exposure)
    earlier = np.where(late[life], start[life], 0.0)
    return Histories(
        visit_vehicle=visit_vehicle,
        index=index,
        odometer=odometer,
        visit=visit,
        vehicle=vehicle,
        life=life,
        former=v[other],
        exposure=exposure - earlier,
        gathered=gathered - earlier,
        first_vehicle=np.concatenate([v, v[renewed]]),
        unknown=late,
    )


def _gaps(rng: np.random.Generator, size: int, mean: float, spread: float) -> Floats:
    """Return gamma distributed distances, all `mean` where the relative sd is 0."""
    if spread == 0:
        return np.full(size, mean)
    return np.asarray(rng.gamma(1 / spread**2, mean * spread**2, size=size), dtype=np.float64)

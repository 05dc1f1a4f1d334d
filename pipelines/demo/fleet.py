"""The fleet with its whole truth: vehicles, lives of parts, and the work done on them."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from datetime import date

import numpy as np

from pipelines.demo import scenario as sc
from pipelines.demo.parts import Life, make_life
from pipelines.demo.planted import Planted, plant
from pipelines.demo.vehicles import Vehicle, make_deliveries, make_vehicles
from wearlab.records import PUMP


@dataclass(frozen=True, slots=True)
class Fleet:
    """All that is true of the demo. `swapped` are the two cylinders of the swap."""

    seed: int
    vehicles: tuple[Vehicle, ...]
    lives: tuple[Life, ...]
    planted: Planted
    swapped: tuple[str, str]
    deliveries: dict[str, tuple[date, ...]]

    def vehicle(self, key: str) -> Vehicle:
        """The vehicle of a key."""
        return next(v for v in self.vehicles if v.key == key)

    def fitted(self, vehicle: Vehicle, day: date) -> dict[str, Life]:
        """Parts in a vehicle on a day of test, by position."""
        inside = [life for life in self.lives if life.vehicle is vehicle and life.in_place(day)]
        return {life.position(day): life for life in inside}


def make_fleet(seed: int) -> Fleet:
    """Draw the fleet's truth from a seed."""
    vehicles = make_vehicles(seed)
    deliveries = make_deliveries(seed)
    planted = plant(seed, vehicles, deliveries)
    lives = [life for vehicle in vehicles for life in _lives(seed, vehicle, planted)]
    swapped = _widest_pair([life for life in lives if life.vehicle.key == planted.swap_vehicle], planted.swap_day)
    return Fleet(
        seed=seed,
        vehicles=vehicles,
        lives=tuple(_with_swap(life, planted, swapped) for life in lives),
        planted=planted,
        swapped=swapped,
        deliveries=deliveries,
    )


def _lives(seed: int, vehicle: Vehicle, planted: Planted) -> list[Life]:
    rng = np.random.default_rng([seed, 4, vehicle.index])
    level = sc.VEHICLE_LEVEL_SD * float(rng.standard_normal())
    rate = sc.VEHICLE_RATE_SD * float(rng.standard_normal())
    step = ((planted.delivery, sc.CONTAMINATION_STEP),) if vehicle.key in planted.fuelled else ()
    made: list[Life] = []
    for nth, position in enumerate([*map(str, range(1, vehicle.family.cylinders + 1)), PUMP]):
        place = (vehicle.key, position)
        day, origin = planted.replaced.get(place, (None, ""))
        share = sc.FAST_FACTOR if place in planted.fast else sc.WEAK_FACTOR if place in planted.weak else None
        steps = () if position == PUMP else step
        kind = "P" if position == PUMP else "I"
        first = make_life(
            rng, vehicle, position, f"{kind}{vehicle.index + 1:02d}{nth + 1}-0",
            vehicle_level=level, vehicle_rate=rate, removed=day, share=share, steps=steps,
        )  # fmt: skip
        made.append(first)
        if day is not None:
            made.append(
                make_life(
                    rng, vehicle, position, f"{kind}{vehicle.index + 1:02d}{nth + 1}-1",
                    vehicle_level=level, vehicle_rate=rate, fitted=day, origin=origin,
                )
            )  # fmt: skip
    return made


def _widest_pair(lives: list[Life], day: date) -> tuple[str, str]:
    """The two cylinders whose levels lie farthest apart on a day: the pair a workshop would exchange."""
    injectors = sorted((life for life in lives if not life.pump), key=lambda life: life.wear_at(day))
    low, high = injectors[0].places[0][1], injectors[-1].places[0][1]
    return min(low, high), max(low, high)


def _with_swap(life: Life, planted: Planted, swapped: tuple[str, str]) -> Life:
    place = life.places[0][1]
    if life.vehicle.key != planted.swap_vehicle or place not in swapped:
        return life
    other = swapped[1] if place == swapped[0] else swapped[0]
    return dataclasses.replace(life, places=(*life.places, (planted.swap_day, other)))

"""Where the planted things go: which parts wear fast, what is replaced, who got the bad fuel."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from pipelines.demo import scenario as sc
from pipelines.demo.vehicles import MeterChange, Vehicle
from wearlab.records import PUMP

Place = tuple[str, str]  # vehicle key, position


@dataclass(frozen=True, slots=True)
class Planted:
    """All that is planted beside ordinary wear."""

    fast: frozenset[Place]
    weak: frozenset[Place]
    replaced: dict[Place, tuple[date, str]]  # day and origin of the new part
    swap_vehicle: str
    swap_day: date
    delivery: date
    fuelled: tuple[str, ...]  # vehicles that took the contaminated fuel
    meter_vehicle: str
    meter: MeterChange


def plant(seed: int, vehicles: tuple[Vehicle, ...], deliveries: dict[str, tuple[date, ...]]) -> Planted:
    """Choose places; every planted thing has vehicles of its own, so that effects stay apart."""
    rng = np.random.default_rng([seed, 3])
    delivery = min(deliveries[sc.CONTAMINATED_DEPOT], key=lambda day: abs((day - sc.CONTAMINATED_ABOUT).days))
    until = delivery + timedelta(days=sc.CONTAMINATED_DAYS)
    fuelled = tuple(
        v.key for v in vehicles if v.depot == sc.CONTAMINATED_DEPOT and any(delivery <= day < until for day in v.fills)
    )
    free = [v for v in vehicles if v.key not in fuelled]

    def take(found: list[Vehicle], count: int) -> list[Vehicle]:
        chosen = [found[int(n)] for n in rng.permutation(len(found))[:count]]
        if len(chosen) < count:
            raise ValueError("this seed gives no fleet with all planted things: choose another seed")
        for vehicle in chosen:
            free.remove(vehicle)
        return sorted(chosen, key=lambda v: v.index)

    fast: set[Place] = set()
    for letter, count in sc.FAST_INJECTORS.items():
        ripe = [v for v in free if v.family.letter == letter and _ripe(v)]
        fast |= {(v.key, str(rng.integers(1, v.family.cylinders + 1))) for v in take(ripe, count)}
    weak: set[Place] = set()
    for letter, count in sc.WEAK_PUMPS.items():
        ripe = [v for v in free if v.family.letter == letter and _weak_enough(v)]
        weak |= {(v.key, PUMP) for v in take(ripe, count)}

    replaced: dict[Place, tuple[date, str]] = {}
    eligible = [v for v in free if len(v.visits) >= 10]
    for nth, vehicle in enumerate(take(eligible, sc.REPLACED_INJECTORS + sc.REPLACED_PUMPS)):
        place = PUMP if nth < sc.REPLACED_PUMPS else str(rng.integers(1, vehicle.family.cylinders + 1))
        replaced[vehicle.key, place] = (
            _day_after_a_visit(rng, vehicle),
            "rebuilt" if nth % 4 == 2 else "new",
        )

    swap = take([v for v in free if v.depot == "North" and len(v.visits) >= 12], 1)[0]
    meter = take([v for v in free if v.depot == "Mill"], 1)[0]
    changed = meter.visits[len(meter.visits) // 2] + timedelta(days=20)
    true_km = meter.track.at(changed)
    return Planted(
        fast=frozenset(fast),
        weak=frozenset(weak),
        replaced=replaced,
        swap_vehicle=swap.key,
        swap_day=_day_after_a_visit(rng, swap),
        delivery=delivery,
        fuelled=fuelled,
        meter_vehicle=meter.key,
        meter=MeterChange(changed, true_km, int(true_km), 12),
    )


def _ripe(vehicle: Vehicle) -> bool:
    """Whether an injector at twice the family's rate stands near its limit at the end of the history."""
    family = vehicle.family
    wear = sc.FAST_FACTOR * family.idle_rate * vehicle.track.at(sc.AS_OF) / 10_000.0
    level = family.idle_new_ml * float(np.exp(wear)) / family.idle_limit_ml
    return 0.98 <= level <= 1.28 and len(vehicle.visits) >= 10


def _weak_enough(vehicle: Vehicle) -> bool:
    """Whether a weak pump stands near its limit at the end, and still builds the rise test's pressure."""
    family = vehicle.family
    wear = sc.WEAK_FACTOR * family.pump_rate * vehicle.track.at(sc.AS_OF) / 10_000.0
    peak = family.peak_new_bar * float(np.exp(-wear))
    return 0.95 <= peak / family.peak_limit_bar <= 1.05 and len(vehicle.visits) >= 10


def _day_after_a_visit(rng: np.random.Generator, vehicle: Vehicle) -> date:
    """The working day after one of the visits in the middle of the history."""
    count = len(vehicle.visits)
    day = vehicle.visits[int(rng.integers(count // 3, 2 * count // 3 + 1))] + timedelta(days=1)
    return day + timedelta(days=2 if day.weekday() == 5 else 0)

"""Slips of the pen that are planted: one value without its decimal comma, one row entered twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from pipelines.demo.fleet import Fleet
from pipelines.demo.visits import DemoTest

Spot = tuple[str, date, str, int, str]


@dataclass(frozen=True, slots=True)
class Slips:
    """The mistyped reading (what it was, what was written) and the reading whose row stands twice."""

    mistyped: Spot
    mistyped_value: float
    mistyped_text: str
    doubled: Spot

    def is_mistyped(self, test: DemoTest, place: str) -> bool:
        """Whether this reading is the mistyped one."""
        return self.mistyped == spot(test, place)

    def is_doubled(self, test: DemoTest, place: str) -> bool:
        """Whether this reading's row is entered twice."""
        return self.doubled == spot(test, place)


def spot(test: DemoTest, place: str) -> Spot:
    """Name of one reading."""
    return test.vehicle.key, test.day, test.kind, test.run, place


def make_slips(fleet: Fleet, tests: Sequence[DemoTest]) -> Slips:
    """Choose them among idle tests of vehicles on which nothing else is planted."""
    planted = fleet.planted
    busy = {key for key, _ in planted.fast | planted.weak | frozenset(planted.replaced)}
    busy |= {planted.swap_vehicle, planted.meter_vehicle, *planted.fuelled}
    rng = np.random.default_rng([fleet.seed, 8])
    calm = [test for test in tests if test.kind == "idle" and test.vehicle.key not in busy and not test.note]
    typed = [
        (test, place, shown.value)
        for test in calm
        if test.workshop == "North" and date(2021, 11, 1) <= test.day <= date(2022, 10, 31)
        for place, shown in test.readings.items()
        if 10 <= shown.value < 20 and shown.value % 1 == 0.5
    ]
    doubled = [
        (test, place)
        for test in calm
        if test.workshop == "Lake" and date(2024, 11, 1) <= test.day <= date(2025, 10, 31)
        for place in test.readings
    ]
    test, place, value = typed[int(rng.integers(len(typed)))]
    twice, its_place = doubled[int(rng.integers(len(doubled)))]
    return Slips(spot(test, place), value, f"{value * 10:.0f}", spot(twice, its_place))

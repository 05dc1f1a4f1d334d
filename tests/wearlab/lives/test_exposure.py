"""Exposure of a part: from the start of its life, over every vehicle it sat in."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from wearlab.lives.exposure import exposures
from wearlab.lives.fitments import follow
from workshop_history import DAY, a_test, some_work


def test_exposure_counts_from_the_start_of_the_life_and_moves_with_the_part() -> None:
    # V1 goes 1000 km a month from 50,000 km, V2 500 km a month from 80,000 km
    def distance_at(vehicle: str, when: date) -> float:
        months = (when - DAY).days / 30
        return 50_000 + 1000 * months if vehicle == "V1" else 80_000 + 500 * months

    tests = [a_test(4, "1"), a_test(10, "1", vehicle="V2"), a_test(10, "1")]
    works = [
        some_work(2, "replacement", "1", into="A1", origin="new"),
        some_work(6, "replacement", "1", out="A1", into="B1", origin="new"),
        some_work(8, "replacement", "1", vehicle="V2", into="A1", origin="used"),
    ]
    lives = follow(tests, works)
    found = exposures(lives, [distance_at(t.vehicle, t.day) for t in tests], distance_at)
    # A1: 2 months at V1 when first tested; 4 months there in all, then 2 months at V2; B1: 4 months at V1
    assert found.exposure_km == pytest.approx([2000, 5000, 4000])
    moved = next(f for f in found.fitments if f.part == "A1" and f.vehicle == "V2")
    assert moved.exposure_before_km == pytest.approx(4000)


def test_exposure_counts_from_the_first_test_when_the_start_has_no_distance() -> None:
    tests = [a_test(0), a_test(6), a_test(12), a_test(12, "2")]
    lives = follow(tests)
    found = exposures(lives, [np.nan, 70_000, 90_000, np.nan], lambda vehicle, when: float("nan"))
    assert found.exposure_km == pytest.approx([np.nan, 0, 20_000, np.nan], nan_ok=True)


def test_exposure_of_a_part_whose_earlier_distance_is_unknown_is_unknown() -> None:
    tests = [a_test(0, serial="A1"), a_test(12, vehicle="V2", serial="A1")]
    lives = follow(tests)
    found = exposures(lives, [np.nan, 90_000], lambda v, when: float("nan") if v == "V1" else 90_000.0)
    assert np.isnan(found.exposure_km).all()
    assert [f.exposure_before_km for f in found.fitments if f.vehicle == "V2"] == [None]

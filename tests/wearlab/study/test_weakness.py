"""What makes a test weak, each told with a remedy and a source."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from wearlab.config import Spread
from wearlab.study.facts import FamilyFacts, MeasuredSet, VisitFacts
from wearlab.study.weakness import weaknesses

FOUR = FamilyFacts("van", 4, "solenoid")
Maker = Callable[..., Any]


def _codes(*tests: MeasuredSet, family: FamilyFacts = FOUR, **visit: Any) -> list[str]:
    facts = {"odometer_km": 120_000.0, **visit}
    found = weaknesses(VisitFacts("V1", date(2026, 3, 1), tests, **facts), family, Spread())
    assert all(point.remedy and point.source and point.sentence.endswith(".") for point in found)
    return [point.code for point in found]


def _twice(test: MeasuredSet) -> MeasuredSet:
    again = tuple(replace(reading, repeat=2) for reading in test.readings)
    return replace(test, readings=test.readings + again)


def test_a_test_well_made_has_no_weakness(flows: Maker, pump: Maker) -> None:
    assert _codes(_twice(flows([14.0, 15.0, 16.0, 14.0], graduation=1.0)), _twice(pump(1300.0))) == []


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"fuel_temp_c": 12.0, "temp_kind": "return"}, "cold"),
        ({"fuel_temp_c": 55.0, "temp_kind": "coolant"}, "cold"),
        ({"fuel_temp_c": 72.0, "temp_kind": "tank"}, "hot"),
        ({"fuel_temp_c": None}, "no temperature"),
        ({"rail_bar": None}, "no pressure"),
        ({"duration_s": 15.0}, "short"),
        ({"duration_s": None}, "no duration"),
        ({"driven": None}, "unknown drive"),
    ],
)
def test_return_flow(flows: Maker, change: dict[str, Any], code: str) -> None:
    assert _codes(_twice(flows([20.0] * 4, **change))) == [code]


def test_warm_coolant_is_not_hot_fuel(flows: Maker) -> None:
    assert _codes(_twice(flows([20.0] * 4, fuel_temp_c=88.0, temp_kind="coolant"))) == []


def test_cranking(flows: Maker) -> None:
    cranked = {"driven": "crank", "protocol": "crank", "rail_bar": 400.0, "injectors_connected": False}
    good = {"speed_rpm": 200.0, "battery_v": 11.2}
    assert _codes(_twice(flows([20.0] * 4, **cranked, **good))) == []
    assert _codes(_twice(flows([20.0] * 4, **cranked, speed_rpm=95.0, battery_v=8.7))) == [
        "slow cranking",
        "low battery",
    ]
    assert _codes(_twice(flows([20.0] * 4, **cranked, speed_rpm=None, battery_v=None))) == [
        "no speed",
        "no battery",
    ]
    unsaid = {**cranked, "injectors_connected": None}
    assert _codes(_twice(flows([20.0] * 4, **unsaid, **good))) == ["connected?"]


def test_piezo_needs_a_held_return(flows: Maker) -> None:
    piezo = FamilyFacts("van", 4, "piezo servo")
    assert _codes(_twice(flows([20.0] * 4)), family=piezo) == ["piezo without back pressure"]
    assert _codes(_twice(flows([20.0] * 4, back_pressure_bar=1.0)), family=piezo) == ["piezo without back pressure"]
    assert _codes(_twice(flows([20.0] * 4, back_pressure_bar=10.0)), family=piezo) == []


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"supply_note": None}, "supply not recorded"),
        ({"supply_bar": None}, "supply not recorded"),
        ({"volume_ml": None}, "no volume"),
        ({"metering_valve": None}, "metering valve?"),
        ({"speed_rpm": 95.0}, "slow cranking"),
        ({"bound": "at_least"}, "at the limiter"),
    ],
)
def test_pump(pump: Maker, change: dict[str, Any], code: str) -> None:
    assert _codes(_twice(pump(1300.0, **change))) == [code]


def test_rise_without_its_pressure(pump: Maker) -> None:
    assert _codes(_twice(pump(1.4, "pump_rise", rise_to_bar=None))) == ["rise to?"]


def test_single_coarse_doubtful_and_repeats_apart(flows: Maker) -> None:
    assert _codes(flows([20.0] * 4)) == ["single"]
    assert _codes(_twice(flows([3.0, 20.0, 20.0, 20.0], graduation=1.0))) == ["coarse"]
    assert _codes(_twice(flows([20.0] * 4, quality={"2": "foam"}))) == ["doubtful"]
    test = flows([20.0] * 4)
    far = replace(test, readings=(*test.readings, replace(test.readings[0], value=30.0, repeat=2)))
    # 10 apart at a mean of 25 and 10 % each: 4 standard deviations, past the 2.8 of ISO 5725-6
    assert _codes(far) == ["repeats apart"]
    near = replace(test, readings=(*test.readings, replace(test.readings[0], value=24.0, repeat=2)))
    assert _codes(near) == []


def test_odometer(flows: Maker) -> None:
    test = _twice(flows([20.0] * 4))
    last = {"last_tested_on": date(2026, 2, 1), "last_odometer_km": 118_000.0}
    assert _codes(test, **last) == []
    assert _codes(test, **{**last, "odometer_km": 117_000.0}) == ["odometer"]
    assert _codes(test, **{**last, "odometer_km": 1_180_000.0}) == ["odometer"]
    assert _codes(test, odometer_km=None) == ["no odometer"]
    assert _codes(test, odometer_km=None, engine_hours=5100.0) == []

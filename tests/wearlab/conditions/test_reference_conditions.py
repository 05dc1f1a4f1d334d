"""What a group is compared under: the limit's conditions, else the median test, and kinds of temperature."""

from __future__ import annotations

import numpy as np
import pytest

from wearlab.conditions import Reference, reference_of
from wearlab.errors import InputError
from wearlab.limit_settings import Conditions, LimitRule
from wearlab.records import Measure

NAN = float("nan")


def test_median_test_without_a_limit() -> None:
    found = reference_of(
        None,
        rail_bar=[270.0, 280.0, 300.0, NAN],
        fuel_temp_c=[70.0, 68.0, None, 75.0],
        duration_s=[60.0, 60.0, 60.0, 30.0],
        measure=Measure.RETURN_FLOW,
    )
    assert (found.rail_bar, found.fuel_temp_c, found.speed_rpm) == (280.0, 70.0, None)
    assert found.rail is not None
    assert (found.rail.origin, found.rail.recorded, found.rail.typical) == ("median test", 3, 280.0)
    assert found.words() == "280 bar (median test), temperature 70 degC (median test), 60 s"
    assert found.tests == 4


def test_what_is_stated_with_the_limit_comes_first() -> None:
    rule = LimitRule(
        name="return flow, warm idle",
        measure=Measure.RETURN_FLOW,
        kind="most",
        value=25.0,
        unit="ml/min",
        conditions=Conditions(rail_bar=(260.0, 300.0), fuel_temp_c=(35.0, 55.0), duration_s=60.0),
        source="invented for this test",
    )
    found = reference_of(
        rule.conditions, rail_bar=[250.0] * 6, fuel_temp_c=[50.0, 52, 54, 56, 58, 60], temp_kind=["return"] * 6
    )
    assert (found.rail_bar, found.fuel_temp_c, found.duration_s) == (280.0, 45.0, 60.0)
    assert found.temperature is not None
    assert found.temperature.typical == 55.0
    assert found.temperature.spread == pytest.approx(np.std([50, 52, 54, 56, 58, 60], ddof=1))
    assert not found.temperature.spread_assumed
    assert found.words() == "280 bar (limit), return temperature 45 degC (limit), 60 s"


def test_no_condition_is_built_in() -> None:
    found = reference_of(None, rail_bar=[NAN, NAN], fuel_temp_c=None, measure=Measure.RETURN_FLOW)
    assert (found.rail, found.temperature, found.speed) == (None, None, None)
    assert found.words() == "as measured, no conditions known"
    assert [note.split(":")[0] for note in found.notes] == ["rail pressure", "fuel temperature"]
    assert Reference().words() == "as measured, no conditions known"


def test_stated_but_recorded_by_nobody() -> None:
    found = reference_of(Conditions(fuel_temp_c=(38.0, 42.0)))
    assert found.fuel_temp_c == 40.0
    assert found.temperature is not None
    assert found.temperature.recorded == 0
    assert np.isnan(found.temperature.typical)
    assert (found.temperature.spread, found.temperature.spread_assumed) == (10.0, True)
    assert found.temp_kind is None


def test_spread_is_assumed_until_five_tests_tell() -> None:
    few = reference_of(None, rail_bar=[200.0, 300.0, 400.0, 300.0]).rail
    many = reference_of(None, rail_bar=[200.0, 300.0, 400.0, 300.0, 250.0]).rail
    assert few is not None
    assert many is not None
    assert (few.spread, few.spread_assumed) == (0.10, True)
    assert many.spread == pytest.approx(np.std(np.log([200, 300, 400, 300, 250]), ddof=1))
    assert not many.spread_assumed


def test_only_one_kind_of_temperature_makes_the_reference() -> None:
    temps = [20.0, 22.0, 24.0, 60.0, 80.0, 85.0]
    kinds = ["tank", "tank", "tank", "return", "coolant", "coolant"]
    found = reference_of(None, fuel_temp_c=temps, temp_kind=kinds, measure=Measure.RETURN_FLOW)
    assert (found.fuel_temp_c, found.temp_kind) == (22.0, "tank")
    assert "3 of 6 tests recorded another kind" in found.notes[1]
    assert len(found.notes) == 2  # the other: the rail pressure that nobody recorded
    # as often each: the temperature nearer to the gap; a word in other letters is the same word
    even = reference_of(None, fuel_temp_c=[20.0, 22.0, 60.0, 62.0], temp_kind=["tank", "tank", " Return", "return"])
    assert (even.fuel_temp_c, even.temp_kind) == (61.0, "return")
    unsaid = reference_of(None, fuel_temp_c=[20.0, 30.0, 60.0], temp_kind=[None, float("nan"), "return"])  # type: ignore[list-item]
    assert (unsaid.fuel_temp_c, unsaid.temp_kind) == (25.0, "")


def test_coolant_never_meets_a_limit_stated_for_fuel() -> None:
    stated = Conditions(fuel_temp_c=(35.0, 45.0))
    found = reference_of(stated, fuel_temp_c=[80.0, 85.0, 30.0], temp_kind=["coolant", "coolant", "tank"])
    assert (found.fuel_temp_c, found.temp_kind) == (40.0, "tank")
    assert found.temperature is not None
    assert (found.temperature.recorded, found.temperature.typical) == (1, 30.0)
    assert any("coolant temperatures count as not recorded" in note for note in found.notes)
    nothing = reference_of(stated, fuel_temp_c=[80.0], temp_kind=["coolant"])
    assert nothing.temperature is not None
    assert nothing.temperature.recorded == 0
    # without a limit for fuel, coolant is compared with coolant
    assert reference_of(None, fuel_temp_c=[80.0, 86.0], temp_kind=["coolant"] * 2).temp_kind == "coolant"


def test_pressure_of_nothing_is_not_recorded() -> None:
    rail = reference_of(None, rail_bar=[0.0, -5.0, 300.0]).rail
    assert rail is not None
    assert (rail.value, rail.recorded) == (300.0, 1)


def test_measure_decides_which_conditions_are_taken() -> None:
    found = reference_of(None, rail_bar=[1200.0], fuel_temp_c=[30.0], speed_rpm=[220.0], measure=Measure.PUMP_PEAK)
    assert (found.rail_bar, found.fuel_temp_c, found.speed_rpm) == (None, 30.0, 220.0)
    assert reference_of(None, speed_rpm=[220.0], measure=Measure.PUMP_HOLD).words().startswith("as measured")


def test_unequal_arrays_are_refused() -> None:
    with pytest.raises(InputError, match="one length"):
        reference_of(None, rail_bar=[1.0, 2.0], fuel_temp_c=[1.0])
    with pytest.raises(InputError, match="kinds of temperature"):
        reference_of(None, fuel_temp_c=[1.0, 2.0], temp_kind=["tank"])
    with pytest.raises(InputError, match="one dimension"):
        reference_of(None, fuel_temp_c=np.ones((2, 2)))

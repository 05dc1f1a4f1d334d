"""The error of a reading, repeats, and what counts as a plain number."""

from __future__ import annotations

import math

import pytest

from wearlab.config import Spread
from wearlab.errors import InputError
from wearlab.study.facts import AsTested, MeasuredSet, SetReading
from wearlab.study.reading_error import average, relative_spread, standard_error

IDLE = AsTested("return_flow", "warm idle", "idle", duration_s=30.0, rail_bar=280.0)


@pytest.mark.parametrize(
    ("graduation", "error", "of_three_ml"),
    # arithmetic of a uniform error (JCGM 100:2008, 4.3.7: half-width a gives a / sqrt(3)): 0.29 of a
    # graduation
    [(1.0, 0.29, 10), (5.0, 1.44, 48)],
)
def test_graduation_alone(graduation: float, error: float, of_three_ml: float) -> None:
    found = standard_error(3.0, 0.0, graduation)
    assert found == pytest.approx((graduation / 2) / math.sqrt(3), rel=1e-12)
    assert found == pytest.approx(error, abs=0.005)
    assert 100 * found / 3.0 == pytest.approx(of_three_ml, abs=0.5)


def test_four_repeats_halve_the_error() -> None:
    assert standard_error(20.0, 0.1, 1.0, 4) == pytest.approx(standard_error(20.0, 0.1, 1.0) / 2, rel=1e-12)
    with pytest.raises(InputError, match="at least one repeat"):
        standard_error(20.0, 0.1, 1.0, 0)


def test_repeatability_follows_the_drive() -> None:
    spread = Spread(idle_percent=7, crank_percent=22, raised_percent=9, bench_percent=3, pump_percent=4)
    found = {
        drive: relative_spread(AsTested("return_flow", "x", drive), spread)
        for drive in ("idle", "crank", "raised", "bench", None)
    }
    assert found == {"idle": 0.07, "crank": 0.22, "raised": 0.09, "bench": 0.03, None: 0.22}
    assert relative_spread(AsTested("pump_peak", "x", "crank"), spread) == 0.04


def _reads(*readings: SetReading, conditions: AsTested = IDLE):  # type: ignore[no-untyped-def]
    return average(MeasuredSet(conditions, readings), Spread())


def test_repeats_are_averaged_and_put_in_order() -> None:
    reads = _reads(
        SetReading("10", 9.0, "ml"),
        SetReading("2", 14.0, "ml", repeat=1),
        SetReading("set", 60.0, "ml"),
        SetReading("2", 16.0, "ml", repeat=2),
    )
    assert list(reads) == ["2", "10", "set"]
    assert reads["2"].value == 15.0
    assert reads["2"].level == 30.0
    assert reads["2"].repeats == 2
    assert reads["2"].spread_found == pytest.approx(2.0 / 15.0)


def test_a_rate_and_a_volume_of_one_cylinder_meet_as_rates() -> None:
    reads = _reads(SetReading("1", 14.0, "ml", resolution=1.0), SetReading("1", 30.0, "ml/min", repeat=2))
    assert (reads["1"].value, reads["1"].unit, reads["1"].resolution) == (29.0, "ml/min", 2.0)


def test_a_doubted_repeat_is_left_out_and_an_only_one_is_doubted() -> None:
    foam = SetReading("1", 40.0, "ml", repeat=2, quality="foam")
    assert _reads(SetReading("1", 20.0, "ml"), foam)["1"].value == 20.0
    assert _reads(foam)["1"].doubt == "foam"
    # a missing duration concerns all cylinders alike and spoils no comparison
    assert _reads(SetReading("1", 20.0, "ml", quality="no_duration"))["1"].doubt is None


def test_bounds_of_repeats() -> None:
    over = (
        SetReading("1", 50.0, "ml", bound="at_least"),
        SetReading("1", 100.0, "ml", bound="at_least", repeat=2),
    )
    # the larger tube that ran over says more
    assert (_reads(*over)["1"].value, _reads(*over)["1"].bound) == (100.0, "at_least")
    mixed = _reads(over[0], SetReading("1", 60.0, "ml", repeat=2))["1"]
    assert (mixed.value, mixed.bound) == (55.0, "at_least")
    torn = _reads(over[0], SetReading("1", 0.5, "ml", bound="at_most", repeat=2))["1"]
    assert torn.doubt == "contradiction"


def test_zero_and_half_a_graduation_are_nothing_and_a_small_number_is_not() -> None:
    assert _reads(SetReading("1", 0.0, "ml"))["1"].nothing
    assert _reads(SetReading("1", 0.5, "ml", bound="at_most", resolution=1.0))["1"].nothing
    assert not _reads(SetReading("1", 0.8, "ml", resolution=0.2))["1"].nothing
    assert not _reads(SetReading("1", 5.0, "ml", bound="at_most", resolution=1.0))["1"].nothing


def test_a_peak_at_the_limiter_is_at_least() -> None:
    conditions = AsTested("pump_peak", "closed", "crank", limiter_bar=1600.0)
    assert _reads(SetReading("pump", 1600.0, "bar"), conditions=conditions)["pump"].bound == "at_least"
    assert _reads(SetReading("pump", 1590.0, "bar"), conditions=conditions)["pump"].bound is None

"""One corrected reading: the warning example, its interval, refusals, and what is missing."""

from __future__ import annotations

from math import exp, log
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlab.conditions import Corrected, Exponents, corrected, prior_exponents, reference_of
from wearlab.conditions.viscosity import law_of
from wearlab.config import Fuel
from wearlab.errors import InputError
from wearlab.limit_settings import Conditions
from wearlab.records import Measure, NoAnswer

FUEL = Fuel()
LAW = law_of(FUEL)
STATED = reference_of(Conditions(rail_bar=(280.0, 280.0), fuel_temp_c=(45.0, 45.0)))


def told(answer: Corrected | NoAnswer) -> Corrected:
    assert isinstance(answer, Corrected), answer
    return answer


def refused(answer: Corrected | NoAnswer) -> str:
    assert isinstance(answer, NoAnswer)
    return answer.reason


def flow(value: float, reference: Any = STATED, **more: Any) -> Corrected | NoAnswer:
    return corrected(Measure.RETURN_FLOW, value, reference, fuel=FUEL, **more)


def test_thirty_at_seventy_degrees_is_not_told_at_forty() -> None:
    """30 ml/min at 70 C would become 21 at 40 C and pass a warm limit of 25."""
    assert 30.0 * float(LAW.at(70.0) / LAW.at(40.0)) ** 0.7 == pytest.approx(21.0, abs=0.05)
    warm = reference_of(None, fuel_temp_c=[69.0, 70.0, 71.0])
    answer = told(flow(30.0, warm, fuel_temp_c=70.0))
    assert (answer.point, answer.low, answer.high) == pytest.approx((30.0, 30.0, 30.0))
    cold = reference_of(Conditions(fuel_temp_c=(40.0, 40.0)))
    reason = refused(flow(30.0, cold, fuel_temp_c=70.0))
    assert reason == (
        "not corrected: fuel temperature 70 degC is 30 K above the reference of 40 degC; correction reaches 25 K"
    )


def test_formula_and_interval() -> None:
    """q (p_ref/p)^n (nu(T)/nu(T_ref))^m with n 1 +- 0.25 and m 0.7 +- 0.2, a lognormal interval."""
    sure = Fuel(uncertainty_percent=0.0)
    answer = told(corrected(Measure.RETURN_FLOW, 20.0, STATED, fuel=sure, rail_bar=310.0, fuel_temp_c=60.0))
    ratio = float(LAW.at(60.0) / LAW.at(45.0))
    assert answer.point == pytest.approx(20.0 * (280 / 310) * ratio**0.7)
    sd = ((0.25 * log(310 / 280)) ** 2 + (0.2 * log(ratio)) ** 2) ** 0.5
    # 1.6448536 is the normal quantile of 0.95
    assert answer.low == pytest.approx(answer.point * exp(-1.6448536 * sd), rel=1e-7)
    assert answer.high == pytest.approx(answer.point * exp(1.6448536 * sd), rel=1e-7)
    assert answer.under == "280 bar (limit), fuel temperature 45 degC (limit)"
    assert answer.factor == pytest.approx(answer.point / 20.0)
    assert answer.notes == ()


def test_interval_covers_the_exponents() -> None:
    """Over exponents drawn from the prior, 90 % of the true corrections lie inside."""
    answer = told(flow(20.0, rail_bar=340.0, fuel_temp_c=65.0))
    prior = prior_exponents(Measure.RETURN_FLOW, FUEL)
    rng = np.random.default_rng(3)
    n, m = rng.multivariate_normal(prior.mean, prior.covariance, 20_000).T
    true = 20.0 * (280 / 340) ** n * float(LAW.at(65.0) / LAW.at(45.0)) ** m
    assert np.mean((true > answer.low) & (true < answer.high)) == pytest.approx(0.9, abs=0.008)


def test_exponents_of_the_fleet_narrow_it() -> None:
    own = Exponents(
        ("fuel viscosity", "rail pressure"),
        np.array([0.5, 1.1]),
        np.array([[0.03**2, 0.4 * 0.03 * 0.05], [0.4 * 0.03 * 0.05, 0.05**2]]),
    )
    answer = told(flow(20.0, rail_bar=340.0, fuel_temp_c=65.0, exponents=own))
    ratio = float(LAW.at(65.0) / LAW.at(45.0))
    assert answer.point == pytest.approx(20.0 * (280 / 340) ** 1.1 * ratio**0.5)
    first, second = log(340 / 280), -log(ratio)
    sd = ((0.05 * first) ** 2 + (0.03 * second) ** 2 + 2 * 0.4 * 0.05 * 0.03 * first * second) ** 0.5
    assert log(answer.high / answer.point) == pytest.approx(1.6448536 * sd, rel=1e-6)
    wide = told(flow(20.0, rail_bar=340.0, fuel_temp_c=65.0))
    assert answer.high / answer.low < wide.high / wide.low


@given(st.floats(0.1, 500), st.floats(200, 390), st.floats(21, 69))
def test_warmer_and_higher_is_brought_down(value: float, rail: float, temp: float) -> None:
    answer = told(flow(value, rail_bar=rail, fuel_temp_c=temp))
    warmer = told(flow(value, rail_bar=rail, fuel_temp_c=temp + 0.5))
    higher = told(flow(value, rail_bar=rail + 1, fuel_temp_c=temp))
    assert warmer.point < answer.point
    assert higher.point < answer.point
    assert answer.low <= answer.point <= answer.high
    assert told(flow(2 * value, rail_bar=rail, fuel_temp_c=temp)).point == pytest.approx(2 * answer.point)


def test_missing_condition_widens_and_says_so() -> None:
    known = told(flow(20.0, rail_bar=280.0, fuel_temp_c=45.0))
    assert known.low == known.high == pytest.approx(20.0)
    missing = told(flow(20.0, rail_bar=280.0))
    assert missing.point == pytest.approx(20.0)
    assert missing.low < 19.0 < 21.0 < missing.high
    assert "fuel temperature is not known" in missing.notes[0]
    assert "assumed" in missing.notes[0]
    coolant = told(flow(20.0, rail_bar=280.0, fuel_temp_c=45.0, temp_kind="coolant"))
    assert (coolant.low, coolant.high) == (missing.low, missing.high)


def test_pump_rise_is_brought_to_one_cranking_speed() -> None:
    reference = reference_of(None, speed_rpm=[200.0, 220.0, 240.0], measure=Measure.PUMP_RISE)
    slow = told(corrected(Measure.PUMP_RISE, 3.0, reference, fuel=FUEL, speed_rpm=180.0))
    # slow cranking fills slowly: at 220 rpm it would have been quicker
    assert slow.point == pytest.approx(3.0 * 180 / 220)
    peak = reference_of(None, speed_rpm=[220.0], measure=Measure.PUMP_PEAK)
    assert told(corrected(Measure.PUMP_PEAK, 900.0, peak, fuel=FUEL, speed_rpm=200.0)).point == pytest.approx(990.0)
    # too slow to be corrected
    assert "cranking speed 150 rpm is below 0.7 times" in refused(
        corrected(Measure.PUMP_PEAK, 900.0, peak, fuel=FUEL, speed_rpm=150.0)
    )


def test_refusals() -> None:
    assert "above 1.4 times the reference" in refused(flow(20.0, rail_bar=400.0, fuel_temp_c=45.0))
    assert "25.5 K below" in refused(flow(20.0, rail_bar=280.0, fuel_temp_c=19.5))
    assert "no reference conditions" in refused(flow(20.0, reference_of(None), rail_bar=280.0))
    assert "no reference conditions" in refused(corrected(Measure.PUMP_HOLD, 300.0, STATED, fuel=FUEL))
    assert "cannot be corrected" in refused(flow(-1.0, rail_bar=280.0))
    assert "cannot be corrected" in refused(flow(float("nan"), rail_bar=280.0))
    assert told(flow(0.0, rail_bar=300.0, fuel_temp_c=50.0)).high == 0.0
    with pytest.raises(InputError, match="coverage"):
        flow(20.0, rail_bar=280.0, coverage=1.0)

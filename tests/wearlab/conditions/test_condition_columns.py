"""Columns of the wear model: signs, ranges, what is missing, and that true exponents come back."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlab.conditions import ConditionColumns, columns, prior_exponents, reference_of
from wearlab.conditions.exponents import steepness_error
from wearlab.conditions.viscosity import law_of
from wearlab.config import Fuel
from wearlab.errors import InputError
from wearlab.limit_settings import Conditions
from wearlab.records import Measure

FUEL = Fuel()
SURE = Fuel(uncertainty_percent=0.0)
LAW = law_of(FUEL)
AT_280_45 = Conditions(rail_bar=(260.0, 300.0), fuel_temp_c=(40.0, 50.0))
NAN = float("nan")


def flow(reference: Any, **conditions: Any) -> ConditionColumns:
    return columns(Measure.RETURN_FLOW, reference, fuel=FUEL, **conditions)


def test_return_flow_columns() -> None:
    rails, temps = np.array([280.0, 300.0, 250.0]), np.array([45.0, 60.0, 30.0])
    made = flow(reference_of(AT_280_45, rail_bar=rails, fuel_temp_c=temps), rail_bar=rails, fuel_temp_c=temps)
    assert made.names == ("rail pressure", "fuel viscosity")
    assert made.kind == ("factor", "factor")
    assert made.matrix[:, 0] == pytest.approx(np.log(rails / 280.0))
    assert made.matrix[:, 1] == pytest.approx(np.log(LAW.at(45.0) / LAW.at(temps)))
    assert made.matrix[0] == pytest.approx([0.0, 0.0])
    # warm fuel and more pressure leak more
    assert (made.matrix[1] > 0).all()
    assert (made.matrix[2] < 0).all()
    assert not made.outside.any()
    assert not made.visit_sd.any()
    assert made.notes == ()


def test_priors() -> None:
    """Exponents: return flow N(1, 0.25) and N(0.7, 0.2); pumps computed from a crude model."""
    expected = {
        Measure.RETURN_FLOW: (("rail pressure", 1.0, 0.25), ("fuel viscosity", 0.7, 0.2)),
        Measure.PUMP_PEAK: (("cranking speed", 1.0, 0.5), ("fuel viscosity", 0.7, 0.3)),
        Measure.PUMP_RISE: (("cranking speed", -1.0, 0.5), ("fuel viscosity", 0.0, 0.3)),
        Measure.PUMP_HOLD: (),
        Measure.RIG_CHECK: (),
    }
    for measure, terms in expected.items():
        prior = prior_exponents(measure, SURE)
        sds = np.sqrt(np.diag(prior.covariance))
        assert tuple(zip(prior.names, prior.mean.tolist(), sds.round(12).tolist(), strict=True)) == terms


def test_steepness_of_the_fuel_widens_the_viscosity_prior() -> None:
    """A common factor on viscosity cancels in the ratio; what is left is under half of the stated uncertainty."""
    left = steepness_error(FUEL)
    assert 0.04 < left < 0.075
    assert steepness_error(SURE) == 0.0
    sds = np.sqrt(np.diag(prior_exponents(Measure.RETURN_FLOW, FUEL).covariance))
    assert sds == pytest.approx([0.25, np.hypot(0.2, 0.7 * left)])
    # the same percentage at every temperature, which is why one factor on the exponent can carry it
    temps = np.array([20.0, 30.0, 55.0, 65.0])
    thicker = LAW.thicker(1.15, 70.0)
    plain = np.log(LAW.at(45.0) / LAW.at(temps))
    off = np.log(thicker.at(45.0) / thicker.at(temps)) / plain - 1.0
    assert off == pytest.approx(off.mean(), abs=0.006)
    assert off.mean() == pytest.approx(left, abs=0.012)


def test_pump_columns_turn_the_viscosity() -> None:
    speeds, temps = np.array([180.0, 220.0, 260.0]), np.array([10.0, 20.0, 35.0])
    for measure in (Measure.PUMP_PEAK, Measure.PUMP_RISE):
        reference = reference_of(None, speed_rpm=speeds, fuel_temp_c=temps, measure=measure)
        made = columns(measure, reference, fuel=FUEL, speed_rpm=speeds, fuel_temp_c=temps)
        assert made.names == ("cranking speed", "fuel viscosity")
        assert made.matrix[:, 0] == pytest.approx(np.log(speeds / 220.0))
        assert made.matrix[:, 1] == pytest.approx(np.log(LAW.at(temps) / LAW.at(20.0)))
    peak = prior_exponents(Measure.PUMP_PEAK, FUEL)
    reference = reference_of(None, speed_rpm=speeds, fuel_temp_c=temps, measure=Measure.PUMP_PEAK)
    made = columns(Measure.PUMP_PEAK, reference, fuel=FUEL, speed_rpm=speeds, fuel_temp_c=temps)
    factor = made.factor(peak)
    assert factor[1] == pytest.approx(1.0)
    assert factor[2] == pytest.approx(220 / 260 * float(LAW.at(20.0) / LAW.at(35.0)) ** 0.7)


@pytest.mark.parametrize("measure", [Measure.PUMP_HOLD, Measure.RIG_CHECK])
def test_measures_without_columns(measure: Measure) -> None:
    made = columns(measure, reference_of(None, rail_bar=[300.0, 900.0]), fuel=FUEL, rail_bar=[300.0, 900.0])
    assert made.matrix.shape == (2, 0)
    assert not made.outside.any()
    assert not made.missing.any()


def test_true_exponents_come_back() -> None:
    """Return flow made in SI from its own formula; a plain regression on the columns finds n, m and q_ref."""
    rng = np.random.default_rng(20260104)
    rails, temps = rng.uniform(210, 380, 300), rng.uniform(25, 65, 300)
    q = 12.0 * (rails / 280.0) ** 1.2 * (LAW.at(45.0) / LAW.at(temps)) ** 0.55
    made = flow(reference_of(AT_280_45, rail_bar=rails, fuel_temp_c=temps), rail_bar=rails, fuel_temp_c=temps)
    fit = np.linalg.lstsq(np.column_stack([np.ones(300), made.matrix]), np.log(q), rcond=None)[0]
    assert fit == pytest.approx([np.log(12.0), 1.2, 0.55], rel=1e-10)


def test_sides_of_the_range_in_a_sentence() -> None:
    rails = np.array([195.9, 196.1, 391.9, 392.1, 280.0, 280.0, 280.0, 280.0, 500.0])
    temps = np.array([45.0, 45.0, 45.0, 45.0, 19.9, 20.0, 70.0, 70.1, 80.0])
    made = flow(reference_of(AT_280_45, rail_bar=rails, fuel_temp_c=temps), rail_bar=rails, fuel_temp_c=temps)
    assert made.outside.tolist() == [True, False, False, True, True, False, False, True, True]
    assert (made.matrix[made.outside] == 0).all()
    assert [why is not None for why in made.why] == made.outside.tolist()
    assert made.why[0] == (
        "rail pressure 195.9 bar is below 0.7 times the reference of 280 bar (196 bar), where correction ends"
    )
    assert "above 1.4 times the reference of 280 bar (392 bar)" in made.why[3]
    assert made.why[4] == ("temperature 19.9 degC is 25.1 K below the reference of 45 degC; correction reaches 25 K")
    assert "25.1 K above" in made.why[7]
    assert made.why[8].count(";") == 2  # both sides are told
    assert "5 of 9 readings lie outside" in made.notes[-1]
    factor = made.factor(prior_exponents(Measure.RETURN_FLOW, FUEL))
    assert np.isnan(factor).tolist() == made.outside.tolist()


@given(st.floats(50, 2000))
def test_edges_themselves_are_inside(reference_bar: float) -> None:
    rails = reference_bar * np.array([0.7, 1.4])
    stated = Conditions(rail_bar=(reference_bar, reference_bar))
    made = flow(reference_of(stated, rail_bar=rails), rail_bar=rails)
    assert not made.outside.any()


@given(st.floats(0, 90), st.floats(-25, 25), st.floats(0.1, 24))
def test_viscosity_column_rises_with_temperature(reference_c: float, off: float, step: float) -> None:
    temps = np.array([reference_c + off, reference_c + off - step])
    stated = Conditions(fuel_temp_c=(reference_c, reference_c))
    made = flow(reference_of(stated, fuel_temp_c=temps), fuel_temp_c=temps)
    if not made.outside.any():
        assert made.matrix[0, 0] > made.matrix[1, 0]
    assert made.outside[0] == (abs(temps[0] - reference_c) > 25.0 + 1e-9)


def test_missing_conditions_widen_their_visit_only() -> None:
    rng = np.random.default_rng(5)
    rails = 280.0 * np.exp(0.08 * rng.standard_normal(40))
    temps = 45.0 + 6.0 * rng.standard_normal(40)
    rails[:3], temps[2:5] = NAN, NAN
    reference = reference_of(None, rail_bar=rails, fuel_temp_c=temps)
    made = flow(reference, rail_bar=rails, fuel_temp_c=temps)
    assert made.missing.tolist() == [True] * 5 + [False] * 35
    assert (made.visit_sd > 0).tolist() == made.missing.tolist()
    # the reference is the median test, so what is missing stands at column 0
    assert made.matrix[:3, 0] == pytest.approx(0.0, abs=1e-15)
    assert made.matrix[2:5, 1] == pytest.approx(0.0, abs=1e-15)
    assert made.visit_sd[0] == pytest.approx(np.hypot(1.0, 0.25) * np.nanstd(np.log(rails), ddof=1))
    assert made.visit_sd[2] == pytest.approx(np.hypot(made.visit_sd[0], made.visit_sd[3]))
    assert "rail pressure is not known for 3 of 40 readings" in made.notes[0]
    assert "from the 37 tests that recorded it" in made.notes[0]


def test_width_for_a_missing_temperature_against_simulation() -> None:
    """What temperatures scattered by 8 K and an uncertain exponent do to a reading."""
    rng = np.random.default_rng(11)
    temps = 45.0 + 8.0 * rng.standard_normal(400)
    made = flow(reference_of(None, fuel_temp_c=temps), fuel_temp_c=[NAN])
    many = 45.0 + 8.0 * rng.standard_normal(200_000)
    effect = (0.7 + 0.2 * rng.standard_normal(200_000)) * np.log(LAW.at(45.0) / LAW.at(many))
    assert made.visit_sd[0] == pytest.approx(effect.std(), rel=0.12)
    assert made.visit_sd[0] > 0.95 * effect.std()


def test_missing_stands_at_the_groups_median_not_at_the_limits_conditions() -> None:
    temps = np.array([58.0, 60.0, 62.0, 60.0, 60.0, NAN])
    made = flow(reference_of(AT_280_45, fuel_temp_c=temps), fuel_temp_c=temps)
    assert made.matrix[5, 0] == pytest.approx(np.log(LAW.at(45.0) / LAW.at(60.0)))
    hot = np.array([78.0, 80.0, 82.0, 80.0, 80.0, NAN])
    far = flow(reference_of(AT_280_45, fuel_temp_c=hot), fuel_temp_c=hot)
    assert far.outside.all()
    assert far.why[5].startswith("temperature not recorded, and the group's median of 80 degC is 35 K above")
    assert far.visit_sd[5] == 0.0


def test_nobody_recorded_it() -> None:
    """No reference, no column; stated with a limit: no column either, and an assumed width."""
    made = flow(reference_of(None, rail_bar=[280.0, 290.0]), rail_bar=[280.0, 290.0], fuel_temp_c=[NAN, NAN])
    assert made.names == ("rail pressure",)
    assert not made.visit_sd.any()
    stated = flow(reference_of(AT_280_45, rail_bar=[280.0, 290.0]), rail_bar=[280.0, 290.0])
    assert stated.names == ("rail pressure",)
    slope = float(np.log(LAW.at(35.0) / LAW.at(45.0)))
    size = np.hypot(0.7, prior_exponents(Measure.RETURN_FLOW, FUEL).covariance[1, 1] ** 0.5)
    assert stated.visit_sd == pytest.approx([slope * size] * 2)
    assert "assumed, as only 0 tests recorded it" in stated.notes[0]
    bare = flow(reference_of(None), readings=3)
    assert bare.matrix.shape == (3, 0)
    assert bare.factor(prior_exponents(Measure.RETURN_FLOW, FUEL)).tolist() == [1.0, 1.0, 1.0]


def test_another_kind_of_temperature_is_missing() -> None:
    temps, kinds = [40.0, 42.0, 44.0, 85.0], ["return", "return", "return", "coolant"]
    made = flow(reference_of(None, fuel_temp_c=temps, temp_kind=kinds), fuel_temp_c=temps, temp_kind=kinds)
    assert made.missing.tolist() == [False, False, False, True]
    assert not made.outside.any()
    assert made.matrix[3, 0] == 0.0
    assert made.visit_sd[3] > 0
    # a limit's fuel temperature that no test recorded takes any fuel temperature, never coolant
    only_stated = reference_of(AT_280_45)
    new = flow(only_stated, fuel_temp_c=[55.0, 55.0, 55.0], temp_kind=["tank", None, "coolant"])
    assert new.missing.tolist() == [True] * 3  # the rail pressure is stated and not known
    assert new.matrix[:2, 0] == pytest.approx(float(np.log(LAW.at(45.0) / LAW.at(55.0))))
    assert new.matrix[2, 0] == 0.0


def test_temperatures_the_fuel_has_no_viscosity_for() -> None:
    thin = Fuel(viscosity=((40.0, 0.6), (100.0, 0.35)))
    hottest = 240.0
    assert np.isnan(law_of(thin).at(hottest))
    reference = reference_of(None, fuel_temp_c=[hottest])
    made = columns(Measure.RETURN_FLOW, reference, fuel=thin, fuel_temp_c=[hottest])
    assert made.names == ()
    assert "viscosity is not known at the reference of 240 degC" in made.notes[0]


def test_unequal_arrays_are_refused() -> None:
    reference = reference_of(AT_280_45)
    with pytest.raises(InputError, match="one length"):
        flow(reference, rail_bar=[280.0], fuel_temp_c=[40.0, 41.0])
    with pytest.raises(InputError, match="2 readings were given for 3"):
        flow(reference, rail_bar=[280.0, 281.0], readings=3)
    with pytest.raises(InputError, match='no exponent is given for "fuel viscosity"'):
        flow(reference, fuel_temp_c=[40.0]).factor(prior_exponents(Measure.PUMP_HOLD, FUEL))

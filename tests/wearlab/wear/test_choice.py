"""Which working scales are tried, and that the one the wear is straight on forecasts best."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from wearlab.errors import InputError
from wearlab.wear import WearFit, fit_group
from wearlab.wear.choice import candidates_for, choose_scale
from wearlab.wear.data import WearData, coded
from wearlab.wear.estimate import Options
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import CANDIDATES, STRAIGHT, WorkingScale
from wearlab.wear.stacking import FEWEST_VEHICLES, ScaleChoice

LOG = WorkingScale(0.0)
PAIR = (STRAIGHT, LOG)
#: Small effects on a scale where every one is near a tenth; exposure in visits.
QUIET = {
    "gap": 1.0, "exposure_unit": "", "vehicle_level": 0.1, "vehicle_rate": 0.02, "part_level": 0.1, "part_rate": 0.02,
    "path": 0.0, "visit": 0.02, "repeat": 0.0, "error": 0.05,
}  # fmt: skip


@cache
def exponential() -> WearData:
    """Readings that grow by half from visit to visit."""
    return simulated_fleet(11, vehicles=25, parts=2, visits=6, level=1.0, rate=0.4, scale=LOG, **QUIET).data


@cache
def straight() -> WearData:
    return simulated_fleet(12, vehicles=25, parts=2, visits=6, level=1.0, rate=0.4, **QUIET).data


def chosen(data: WearData, scales: tuple[WorkingScale, ...] = PAIR, previous: ScaleChoice | None = None) -> ScaleChoice:
    return choose_scale(coded(data), scales, Options(workers=1), previous=previous, without=(), seed=1)


def powers(data: WearData) -> set[tuple[float, float]]:
    return {(scale.power, scale.gamma) for scale in candidates_for(coded(data), CANDIDATES)}


def test_all_scales_where_all_readings_allow() -> None:
    assert candidates_for(coded(straight()), CANDIDATES) == CANDIDATES


@pytest.mark.parametrize("low", [0.0, -1.0])
def test_one_reading_of_zero_or_less_leaves_powers_of_exposure_only(low: float) -> None:
    y = straight().y.copy()
    y[7] = low
    found = powers(replace(straight(), y=y))
    assert found == {(1.0, gamma) for gamma in (1.0, 0.7, 1.5, 2.0, 3.0)}


def test_zeros_beyond_the_scale_count_too() -> None:
    """ "At most 0" has no logarithm either."""
    y, bound = straight().y.copy(), np.zeros(len(straight()), dtype=np.int8)
    y[7], bound[7] = 0.0, -1
    assert (0.0, 1.0) not in powers(replace(straight(), y=y, bound=bound))


def test_an_exposure_below_zero_leaves_powers_of_the_reading_only() -> None:
    x = straight().exposure.copy()
    x[7] = -1.0
    assert {gamma for _, gamma in powers(replace(straight(), exposure=x))} == {1.0}


def test_an_exposure_of_zero_has_powers() -> None:
    x = straight().exposure.copy()
    x[7] = 0.0
    assert candidates_for(coded(replace(straight(), exposure=x)), CANDIDATES) == CANDIDATES


def test_growth_by_a_factor_prefers_the_logarithm() -> None:
    found = chosen(exponential())
    assert found.names == ("straight line", "logarithm")
    assert found.vehicles == 25
    assert found.scores[1] > found.scores[0] + 0.3
    assert found.weights[1] > 0.8
    assert found.weights.sum() == pytest.approx(1.0)


def test_straight_wear_keeps_the_straight_line() -> None:
    found = chosen(straight())
    assert found.scores[0] > found.scores[1] + 0.3
    assert found.weights[0] > 0.8


def test_scores_do_not_depend_on_the_unit_of_the_reading() -> None:
    """A density per ml is one per l divided by 1000: every score shifts by its logarithm, no weight moves."""
    one, other = chosen(exponential()), chosen(replace(exponential(), y=exponential().y * 1e-3))
    np.testing.assert_allclose(other.scores - one.scores, np.log(1e3), rtol=2e-3)
    np.testing.assert_allclose(other.weights, one.weights, atol=5e-3)


def test_few_vehicles_do_not_decide() -> None:
    data = exponential().take(exponential().vehicle < FEWEST_VEHICLES - 1)
    found = chosen(data)
    np.testing.assert_array_equal(found.weights, [1.0, 0.0])
    assert found.vehicles == FEWEST_VEHICLES - 1
    assert "cannot decide" in found.sentence


def test_lives_too_short_to_hold_anything_back() -> None:
    """Three visits: two held back would leave one."""
    data = exponential().take(exponential().visit < 3)
    found = chosen(data)
    assert found.vehicles == 0
    assert np.isnan(found.scores).all()
    np.testing.assert_array_equal(found.weights, [1.0, 0.0])


def test_a_single_candidate_needs_no_forecast() -> None:
    found = chosen(exponential(), (LOG,))
    assert found.names == ("logarithm",)
    np.testing.assert_array_equal(found.weights, [1.0])


def test_last_month_is_remembered() -> None:
    """Straight wear, but last month spoke for the logarithm with many vehicles: it keeps more weight than without."""
    last = ScaleChoice(("straight line", "logarithm"), np.zeros(2), np.array([0.1, 0.9]), 500, "")
    assert chosen(straight(), previous=last).weights[1] > chosen(straight()).weights[1]


def test_the_fit_works_on_the_scale_that_was_chosen() -> None:
    fit = fit_group(exponential(), workers=1)
    assert isinstance(fit, WearFit)
    assert fit.choice is not None
    assert fit.best.scale == LOG
    assert fit.choice.sentence in fit.notes
    assert fit.weights.sum() == pytest.approx(1.0)
    assert [scale.name for scale in CANDIDATES] == list(fit.choice.names)


def test_a_scale_the_readings_do_not_allow_is_refused() -> None:
    y = straight().y.copy()
    y[7] = 0.0
    with pytest.raises(InputError, match="no value on the scale logarithm"):
        fit_group(replace(straight(), y=y), scales=PAIR)
    with pytest.raises(InputError, match="at least one working scale"):
        fit_group(straight(), scales=())

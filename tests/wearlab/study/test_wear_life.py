"""Life by wear: new parts of a family drawn by the model's own words pass their limit when the law says."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import invgauss, norm

from wearlab.errors import InputError
from wearlab.study.wear_life import wear_life
from wearlab.wear.mixture import Component, Mixture
from wearlab.wear.scale import STRAIGHT, WorkingScale
from wearlab.wear.variances import Variances

NONE = np.zeros(0)


def component(
    level: float, rate: float, *, covariance: object = ((0, 0), (0, 0)), weight: float = 1.0, unit: float = 10_000.0,
    scale: WorkingScale = STRAIGHT, **sd: float,
) -> Component:  # fmt: skip
    """One family; level and rate on the working scale, the latter per `unit` of exposure."""
    one = np.array([1.0])
    return Component(
        weight=weight, scale=scale, level=one, rate=one, var_level=one, var_rate=one, cov=one, fresh=one, var_fresh=one,
        noise=one, position=one, unit_exposure=one * unit, gamma=one * scale.gamma, vehicle_rate=NONE,
        var_vehicle_rate=NONE, vehicle_level=NONE, family_level=np.array([level]), family_rate=np.array([rate]),
        family_covariance=np.array([covariance], dtype=np.float64), path_variance=sd.get("path", 0.0) ** 2,
        variances=Variances(**sd),
    )  # fmt: skip


def test_straight_parts_pass_by_a_ratio_of_normal_values() -> None:
    # level 10 +- 1 and rate 0.5 +- 0.1 a 10,000 km, of vehicle and part together: P(10 + u + r x >= 20)
    mixed = Mixture((component(10.0, 0.5, vehicle_level=0.6, part_level=0.8, vehicle_rate=0.06, part_rate=0.08),))
    at = np.array([100_000.0, 180_000.0, 200_000.0, 300_000.0])
    told = wear_life(mixed, 0, 20.0, 1, exposure=at)
    worked = at / 10_000
    assert_allclose(1 - told.survival, norm.sf((10 - 0.5 * worked) / np.hypot(1.0, 0.1 * worked)), atol=1e-6)
    assert told.quantiles[1] == pytest.approx(200_000.0, rel=1e-3)
    # of the average part everything is known: it passes at (20 - 10) / 0.5
    assert_allclose(told.average, 200_000.0, rtol=1e-3)


def test_level_and_rate_that_go_together_shorten_the_spread_of_lives() -> None:
    lean = {"part_level": 1.0, "part_rate": 0.1}
    at = np.array([150_000.0])
    for correlation in (-0.8, 0.8):
        told = wear_life(Mixture((component(10.0, 0.5, correlation=correlation, **lean),)), 0, 20.0, 1, exposure=at)
        spread = np.sqrt(1.0 + 2 * 15 * correlation * 0.1 + (0.1 * 15) ** 2)
        # a level past at 150,000 km, or past before and back: straight parts with a rate above 0 do not come back
        assert 1 - told.survival[0] == pytest.approx(norm.sf(2.5 / spread), abs=1e-4)


def test_a_wandering_path_has_the_inverse_gaussian_law() -> None:
    told = wear_life(Mixture((component(0.0, 1.0, path=2.0),)), 0, 10.0, 1, shares=(0.1, 0.5, 0.9))
    shape, mean = 10.0**2 / 4.0, 10.0
    assert_allclose(told.quantiles, 10_000 * invgauss(mean / shape, scale=shape).ppf([0.1, 0.5, 0.9]), rtol=1e-3)


def test_a_falling_measure_a_curved_scale_and_a_mixture() -> None:
    scale = WorkingScale(0.0, 1.0)
    # a pump's peak that falls 1 % a 10,000 km from 1900 bar; the limit is 1200
    fall = component(np.log(1900.0), -0.01, scale=scale)
    assert wear_life(Mixture((fall,)), 0, 1200.0, -1).average[1] == pytest.approx(1e6 * np.log(1900 / 1200), rel=1e-3)
    slow, fast = component(10.0, 0.5, weight=0.5), component(10.0, 1.0, weight=0.5)
    told = wear_life(Mixture((slow, fast)), 0, 20.0, 1, exposure=[150_000.0], shares=(0.2, 0.8))
    assert told.survival[0] == pytest.approx(0.5)
    assert_allclose(told.quantiles, [100_000.0, 200_000.0], rtol=1e-3)


def test_what_is_not_known_of_the_family_widens_its_interval_and_a_factor_does_too() -> None:
    known = component(10.0, 0.5, covariance=((0.04, 0.0), (0.0, 0.0004)))
    told, wider = (wear_life(Mixture((known,)), 0, 20.0, 1, factor=factor) for factor in (1.0, 2.0))
    # P(10 + a + r x >= 20) is 5 % there
    low = told.average[0] / 10_000
    assert norm.sf((10 - 0.5 * low) / np.hypot(0.2, 0.02 * low)) == pytest.approx(0.05, abs=1e-3)
    assert wider.average[0] < told.average[0] < told.average[2] < wider.average[2]


def test_a_family_that_does_not_wear_never_passes() -> None:
    told = wear_life(Mixture((component(10.0, -0.1),)), 0, 20.0, 1, exposure=[1e6])
    assert np.isinf(told.quantiles).all()
    assert told.survival[0] == 1.0
    with pytest.raises(InputError, match="no family number 1"):
        wear_life(Mixture((component(10.0, 0.1),)), 1, 20.0, 1)

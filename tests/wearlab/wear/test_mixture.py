"""Quantiles of mixtures against scipy's normal law inverted numerically, and rates against differences of paths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import norm

from wearlab.wear.mixture import Component, Mixture, families_of, interval, mixed_quantiles, new_part, quantiles
from wearlab.wear.scale import STRAIGHT, WorkingScale
from wearlab.wear.variances import Variances

Array = NDArray[np.float64]
LOG, ROOT, RECIPROCAL = WorkingScale(0.0), WorkingScale(1 / 3), WorkingScale(-1.0)
CHANCES = (0.01, 0.05, 0.3, 0.5, 0.9, 0.999)


def chance(q: float, weights: Array, means: Array, sds: Array, scales: list[WorkingScale]) -> float:
    """Chance that the mixture gives to readings up to q, in scipy's words."""
    total = 0.0
    for w, m, s, scale in zip(weights, means, sds, scales, strict=True):
        if scale.power != 1 and q <= 0:
            continue
        value = {1.0: q, 0.0: np.log(q) if q > 0 else -np.inf}.get(scale.power)
        if value is None:
            value = float(np.sign(scale.power)) * q**scale.power
        total += w * norm.cdf(value, m, s)
    return float(total)


def inverted(p: float, *law: object, low: float, high: float) -> float:
    return float(brentq(lambda q: chance(q, *law) - p, low, high, xtol=1e-12, rtol=1e-12))  # type: ignore[arg-type]


@pytest.mark.parametrize("p", CHANCES)
def test_mixture_on_the_measured_scale(p: float) -> None:
    weights = np.array([0.5, 0.3, 0.2])
    means = np.array([[0.0, 5.0], [3.0, 5.0], [-4.0, 90.0]])
    sds = np.array([[1.0, 0.1], [0.5, 2.0], [2.0, 1e-3]])
    found = mixed_quantiles(weights, means, sds, [p])
    for k in range(2):
        known = inverted(p, weights, means[:, k], sds[:, k], [STRAIGHT] * 3, low=-60, high=160)
        assert found[0, k] == pytest.approx(known, abs=1e-8)


@pytest.mark.parametrize("p", CHANCES)
def test_mixture_of_scales(p: float) -> None:
    """A straight line, a logarithm, a cube root and a reciprocal that all speak of readings near 30."""
    scales = [STRAIGHT, LOG, ROOT, RECIPROCAL]
    weights = np.array([0.4, 0.3, 0.2, 0.1])
    means = np.array([30.0, np.log(28.0), 33.0 ** (1 / 3), -1 / 25.0])
    sds = np.array([2.0, 0.1, 0.15, 0.004])
    found = mixed_quantiles(weights, means[:, None], sds[:, None], [p], scales)
    assert found[0, 0] == pytest.approx(inverted(p, weights, means, sds, scales, low=1.0, high=1e4), rel=1e-8)


@pytest.mark.parametrize("scale", [STRAIGHT, LOG, ROOT, RECIPROCAL])
def test_one_component(scale: WorkingScale) -> None:
    mean, sd = float(scale.forward(20.0)), 0.1 * float(scale.slope(20.0)) * 20
    found = mixed_quantiles(np.ones(1), np.array([[mean]]), np.array([[sd]]), CHANCES, [scale])
    np.testing.assert_allclose(found[:, 0], scale.inverse(norm.ppf(CHANCES, mean, sd)), rtol=1e-9)


def test_weight_splits_what_has_no_spread() -> None:
    """Two certain values: below 0.3 of the chance the one, above it the other."""
    weights, means, sds = np.array([0.3, 0.7]), np.array([[1.0], [9.0]]), np.array([[0.0], [0.0]])
    np.testing.assert_allclose(mixed_quantiles(weights, means, sds, [0.1, 0.29, 0.31, 0.9])[:, 0], [1, 1, 9, 9])


@pytest.mark.parametrize("p", [0.5, 0.9, 0.94, 0.97, 0.99])
def test_a_component_that_gives_a_chance_to_no_end(p: float) -> None:
    """The reciprocal puts 4.8 % of its chance beyond every reading: the mixture's quantile is found where it has one.

    That is also where the straight component's own quantile lies far below it.
    """
    scales, weights = [STRAIGHT, RECIPROCAL], np.array([0.4, 0.6])
    means, sds = np.array([30.0, -1 / 30.0]), np.array([2.0, 0.02])
    beyond = 0.6 * norm.sf(0.0, -1 / 30.0, 0.02)
    found = mixed_quantiles(weights, means[:, None], sds[:, None], [p], scales)[0, 0]
    if p > 1 - beyond:
        assert found == np.inf
    else:
        assert chance(found, weights, means, sds, scales) == pytest.approx(p, abs=1e-9)
    assert 0.97 < 1 - beyond < 0.98  # both happen


def test_a_missing_mean_has_no_quantile() -> None:
    found = mixed_quantiles(np.array([0.5, 0.5]), np.array([[1.0, np.nan], [1.0, 2.0]]), np.ones((2, 2)), [0.5])
    assert found[0, 0] == pytest.approx(1.0)
    assert np.isnan(found[0, 1])


def test_chances_of_an_interval() -> None:
    middle, low, high = interval(0.9)
    assert (middle, low, high) == pytest.approx((0.5, 0.05, 0.95))


def component(scale: WorkingScale, *, weight: float = 1.0, level: float = 30.0, **other: object) -> Component:
    """One part, vehicle and family at exposure 2 in units of 4."""
    one = np.ones(1)
    working = (2.0 / 4.0) ** scale.gamma
    made = Component(
        weight=weight, scale=scale, level=scale.forward(level * one), rate=0.3 * scale.slope(level * one) * level,
        var_level=0.01 * one, var_rate=0.02 * one, cov=0.005 * one, fresh=one, var_fresh=one, noise=0.1 * one,
        position=working * one, unit_exposure=4.0 * one, gamma=scale.gamma * one, vehicle_rate=one,
        var_vehicle_rate=one, vehicle_level=one, family_level=scale.forward(20.0 * one), family_rate=one * 0.2,
        family_covariance=np.array([[[0.04, 0.01], [0.01, 0.09]]]), path_variance=0.03,
        variances=Variances(0.5, 0.2, 0.4, 0.3, -0.5, path=0.1),
    )  # fmt: skip
    return replace(made, **other)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "scale", [STRAIGHT, LOG, ROOT, RECIPROCAL, WorkingScale(1.0, 2.0), WorkingScale(1.0, 0.7), WorkingScale(0.0, 1.5)]
)
def test_rate_is_the_slope_of_the_median_path(scale: WorkingScale) -> None:
    one = component(scale)
    h = 1e-5
    ahead = [float(scale.inverse(one.ahead(np.array([x]))[0])[0]) for x in (3.0 - h, 3.0 + h)]
    mean, _ = one.measured_rate(np.array([3.0]))
    assert mean[0] == pytest.approx((ahead[1] - ahead[0]) / (2 * h), rel=1e-6)


@pytest.mark.parametrize("scale", [LOG, ROOT, WorkingScale(0.0, 1.5)])
def test_spread_of_a_rate_is_that_of_drawn_paths(scale: WorkingScale) -> None:
    """Small spreads, for which first order is enough; 200,000 draws of level and rate."""
    one = component(scale, var_level=np.array([1e-4]), var_rate=np.array([4e-4]), cov=np.array([1e-4]))
    one = replace(one, path_variance=0.0)
    rng = np.random.default_rng(4)
    drawn = rng.multivariate_normal(
        [float(one.level[0]), float(one.rate[0])], [[1e-4, 1e-4], [1e-4, 4e-4]], size=200_000
    )
    h = 1e-4
    at = [
        scale.inverse(drawn[:, 0] + drawn[:, 1] * ((x / 4.0) ** scale.gamma - one.position[0])) for x in (3 - h, 3 + h)
    ]
    _, sd = one.measured_rate(np.array([3.0]))
    assert sd[0] == pytest.approx(float(np.std((at[1] - at[0]) / (2 * h))), rel=0.02)


def test_level_ahead() -> None:
    """var(level + rate step) and the path's own variance on the way, forwards and backwards."""
    one = component(STRAIGHT)
    for exposure in (0.5, 2.0, 6.0):
        step = exposure / 4.0 - 0.5
        mean, variance = one.ahead(np.array([exposure]))
        assert mean[0] == pytest.approx(30 + float(one.rate[0]) * step)
        assert variance[0] == pytest.approx(0.01 + 2 * 0.005 * step + 0.02 * step**2 + 0.03 * abs(step))
    assert one.ahead(None)[1][0] == 0.01
    assert one.ahead(np.array([np.nan]))[0][0] == 30.0


def test_a_level_without_bounds_has_a_rate_that_is_a_number() -> None:
    """The median path has run past every reading."""
    for scale, working in ((RECIPROCAL, 0.1), (LOG, 900.0)):
        one = component(scale, level=np.array([working]))
        mean, sd = one.measured_rate(np.array([2.0]))
        assert np.isfinite([mean[0], sd[0]]).all()


def test_components_are_mixed_by_their_weight() -> None:
    mixed = Mixture((component(STRAIGHT, weight=0.8), component(LOG, weight=0.2, level=np.array([3.5]))))
    np.testing.assert_allclose(mixed.weights, [0.8, 0.2])
    means, variances = np.array([[30.0], [3.5]]), np.array([[4.0], [0.01]])
    found = quantiles(mixed, means, variances, [0.2])[0, 0]
    law = (mixed.weights, means[:, 0], np.sqrt(variances[:, 0]), [STRAIGHT, LOG])
    assert found == pytest.approx(inverted(0.2, *law, low=1, high=100), rel=1e-8)


def test_a_new_part_has_every_spread_of_its_own() -> None:
    """Fixed effects, vehicle, part with its correlation, and path, added up term by term at working exposure 2."""
    mean, variance = new_part(component(STRAIGHT), 0, 2.0)
    fixed = 0.04 + 2 * 2 * 0.01 + 4 * 0.09
    part = 0.4**2 + 2 * 2 * (-0.5 * 0.4 * 0.3) + 4 * 0.3**2
    assert mean == pytest.approx(20 + 0.2 * 2)
    assert variance == pytest.approx(fixed + part + 0.5**2 + 4 * 0.2**2 + 2 * 0.1**2)


def test_average_part_of_a_family() -> None:
    made = families_of(component(STRAIGHT))
    np.testing.assert_allclose([made.level[0], made.rate[0], made.position[0]], [20.0, 0.2, 0.0])
    np.testing.assert_allclose([made.var_level[0], made.cov[0], made.var_rate[0]], [0.04, 0.01, 0.09])


def test_density_of_the_mixture_integrates_to_its_chance() -> None:
    """Brute force once more, without any inverse: integrate the density on the measured scale up to the quantile."""
    weights, means, sds = np.array([0.6, 0.4]), np.array([2.0, 3.0]), np.array([0.3, 0.2])
    q = float(mixed_quantiles(weights, means[:, None], sds[:, None], [0.8], [STRAIGHT, LOG])[0, 0])
    total = 0.6 * quad(lambda t: norm.pdf(t, 2.0, 0.3), -1, q, points=[2.0])[0]
    total += 0.4 * quad(lambda t: norm.pdf(np.log(t), 3.0, 0.2) / t, 1e-3, q)[0]
    assert total == pytest.approx(0.8, abs=1e-7)

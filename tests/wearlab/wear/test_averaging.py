"""Draws of the variances against integrals on a grid, and what averaging does to intervals."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from wearlab.wear.averaging import HALF, KEPT, Draw, draws
from wearlab.wear.components import mixture_of
from wearlab.wear.data import WearData, coded
from wearlab.wear.estimate import Options
from wearlab.wear.evaluate import criterion_at
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.mixture import Mixture, interval, quantiles
from wearlab.wear.scale import STRAIGHT
from wearlab.wear.scale_fit import ScaleFit, fit_scale
from wearlab.wear.variances import INDEX, Variances

Array = NDArray[np.float64]
OPTIONS = Options(workers=1)
NO_PATH = ("path",)
ONLY_LEVEL = ("vehicle_level", "vehicle_rate", "part_rate", "path", "visit", "repeat", "start", "correlation")


def small(seed: int) -> WearData:
    return simulated_fleet(seed, vehicles=4, parts=2, visits=3).data


def fitted(data: WearData, without: tuple[str, ...] = ()) -> ScaleFit:
    return fit_scale(coded(data), STRAIGHT, OPTIONS, without=without)


def limits(mixed: Mixture, *, rate: bool) -> tuple[Array, Array]:
    """Ends of the 90 % interval of every part's level or rate."""
    if rate:
        means = np.stack([one.rate for one in mixed.components])
        variances = np.stack([one.var_rate for one in mixed.components])
    else:
        means, variances = (np.stack(made) for made in zip(*(one.ahead(None) for one in mixed.components), strict=True))
    _, low, high = quantiles(mixed, means, variances, interval(0.9))
    return low, high


def width(mixed: Mixture, *, rate: bool) -> Array:
    low, high = limits(mixed, rate=rate)
    return high - low


@dataclass(frozen=True)
class Seen:
    """Averaged over plug-in width, the median part; and which true rates and levels the averaged intervals hold."""

    level: float
    level_reml: float
    rate_reml: float
    held: tuple[bool, ...]


@cache
def fleets() -> tuple[Seen, ...]:
    """Thirty fleets of 4 vehicles with 2 parts and 3 visits.

    Without a path: where nothing is penalised it swallows the reading error.
    """
    out = []
    reml = replace(OPTIONS, penalty=False)
    for seed in range(30):
        fleet = simulated_fleet(seed, vehicles=4, parts=2, visits=3, path=0.0)
        known = coded(fleet.data)
        averaged, plain = (
            mixture_of((fitted(fleet.data, NO_PATH),), np.ones(1), OPTIONS, average=how, seed=1)
            for how in (True, False)
        )
        bare = mixture_of((fit_scale(known, STRAIGHT, reml, without=NO_PATH),), np.ones(1), reml, average=False, seed=1)
        ends = limits(averaged, rate=False)
        held = (ends[0] < fleet.last_level) & (fleet.last_level < ends[1])
        out.append(
            Seen(
                level=float(np.median(width(averaged, rate=False) / width(plain, rate=False))),
                level_reml=float(np.median(width(averaged, rate=False) / width(bare, rate=False))),
                rate_reml=float(np.median(width(averaged, rate=True) / width(bare, rate=True))),
                held=tuple(held.tolist()),
            )
        )
    return tuple(out)


def test_averaged_intervals_of_levels_are_wider_than_at_the_best_variances() -> None:
    found = np.array([one.level for one in fleets()])
    assert np.median(found) > 1.0
    assert np.mean(found > 0.95) > 0.8
    assert found.max() < 2.0


def test_averaged_intervals_are_wider_than_at_the_restricted_maximum() -> None:
    """Which finds no spread of rates at all in many a small fleet.

    For rates the penalty alone makes them wider still: it holds every spread off zero, and the prior of the average
    holds it down as well. `studies/coverage.py` says what both cover.
    """
    for found in (np.array([one.level_reml for one in fleets()]), np.array([one.rate_reml for one in fleets()])):
        assert np.median(found) > 1.15
        assert np.mean(found > 1.0) > 0.9


def test_averaged_intervals_hold_the_true_levels() -> None:
    """240 parts, of which 216 would be the promise."""
    assert 0.84 < np.mean([inside for one in fleets() for inside in one.held]) < 0.98


def test_with_many_vehicles_averaging_changes_little() -> None:
    fit = fitted(simulated_fleet(1, vehicles=120, visits=5).data)
    averaged, plain = (mixture_of((fit,), np.ones(1), OPTIONS, average=how, seed=1) for how in (True, False))
    for rate in (False, True):
        assert np.median(width(averaged, rate=rate) / width(plain, rate=rate)) == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_weights(seed: int) -> None:
    found = draws(fitted(small(seed)).estimate, OPTIONS, seed=seed)
    weights = np.array([draw.weight for draw in found])
    assert (weights > 0).all()
    assert weights.sum() == pytest.approx(1.0, abs=1e-12)
    assert 10 < weights.size <= KEPT
    assert weights.max() < 0.5  # no single draw may dominate
    theta = np.array([draw.theta for draw in found])
    assert (np.delete(theta, INDEX["part_covariance"], axis=1) >= 0).all()
    assert (theta[:, INDEX["part_covariance"]] ** 2 <= theta[:, 2] * theta[:, 4] * (1 + 1e-9)).all()


def test_same_seed_same_draws() -> None:
    estimate = fitted(small(5)).estimate
    one, two, other = (draws(estimate, OPTIONS, seed=seed) for seed in (7, 7, 8))
    assert [draw.weight for draw in one] == [draw.weight for draw in two]
    np.testing.assert_array_equal([draw.theta for draw in one], [draw.theta for draw in two])
    assert not np.array_equal(one[0].theta, other[0].theta)


def test_each_draw_is_evaluated_at_its_own_variances() -> None:
    data = small(6)
    for draw in draws(fitted(data, ONLY_LEVEL).estimate, OPTIONS, seed=1)[:5]:
        at = Variances(part_level=float(np.sqrt(draw.theta[2])), error=float(np.sqrt(draw.theta[INDEX["error"]])))
        assert draw.evaluated.criterion == pytest.approx(criterion_at(data, at, scale=STRAIGHT), abs=1e-7)


def test_nothing_to_draw() -> None:
    """One reading: its error is assumed, so there is one set of variances, of weight 1."""
    data = small(1).take(np.array([0]))
    found = draws(fit_scale(coded(data), STRAIGHT, replace(OPTIONS, robust=False)).estimate, OPTIONS, seed=1)
    assert len(found) == 1
    assert found[0].weight == 1.0


def test_curvature_that_is_no_covariance_falls_back_to_the_best_variances() -> None:
    estimate = fitted(small(1), ONLY_LEVEL).estimate
    broken = replace(estimate, curvature=-estimate.curvature)
    found = draws(broken, OPTIONS, seed=1)
    assert [draw.weight for draw in found] == [1.0]
    np.testing.assert_array_equal(found[0].theta, estimate.theta)


def by_grid(data: WearData, spread: float) -> Array:
    """Mean of the logarithms of two standard deviations, then of the two variances, by the midpoint rule on a grid.

    Density over the logarithms: restricted likelihood, times each standard deviation, times a half-normal prior whose
    sd is `HALF` of the spread of the readings.
    """
    level, error = np.meshgrid(np.linspace(-3.6, 1.2, 19), np.linspace(-1.4, 0.6, 17), indexing="ij")
    level, error = level.ravel() + np.log(spread), error.ravel() + np.log(spread)
    criterion = [
        criterion_at(data, Variances(part_level=float(np.exp(a)), error=float(np.exp(b))), scale=STRAIGHT)
        for a, b in zip(level, error, strict=True)
    ]
    prior = level + error - 0.5 * (np.exp(2 * level) + np.exp(2 * error)) / (HALF * spread) ** 2
    p = np.exp(criterion + prior - np.max(criterion + prior))
    p /= p.sum()
    return np.array([p @ level, p @ error, p @ np.exp(2 * level), p @ np.exp(2 * error)])


def of_draws(found: tuple[Draw, ...]) -> Array:
    variances = np.array([draw.theta[[INDEX["part_level"], INDEX["error"]]] for draw in found])
    weights = np.array([draw.weight for draw in found])
    return np.concatenate([weights @ (0.5 * np.log(variances)), weights @ variances])


@pytest.mark.parametrize("seed", [1, 2])
def test_draws_agree_with_integrals_on_a_grid(seed: int) -> None:
    """Eight times 64 draws of two variances; what the intervals feel are the means of the variances."""
    data = small(seed)
    estimate = fitted(data, ONLY_LEVEL).estimate
    assert not estimate.work.doubt.any()  # doubts would change the likelihood the grid knows
    found = np.mean([of_draws(draws(estimate, OPTIONS, seed=number)) for number in range(8)], axis=0)
    known = by_grid(data, estimate.spread)
    np.testing.assert_allclose(found[:2], known[:2], atol=0.15)
    np.testing.assert_allclose(found[2:], known[2:], rtol=0.08)

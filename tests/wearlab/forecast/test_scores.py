"""Scores against published forms, quadrature and each other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import gamma, norm

from wearlab.errors import InputError
from wearlab.forecast.scores import (
    covered,
    crps_grid,
    crps_normal,
    crps_quantiles,
    crps_sample,
    interval_score,
    pinball,
    pit_histogram,
)

#: Closed form of Gneiting and Raftery (2007), also by quadrature and by the Python package properscoring.
NORMAL = [
    (0.0, 1.0, 0.0, 0.233694977255),
    (0.0, 1.0, 1.0, 0.602441357628),
    (10.0, 2.0, 12.5, 1.573968306126),
    (0.0, 2.0, -3.0, 1.988848007955),
]


@pytest.mark.parametrize(("mean", "sd", "y", "score"), NORMAL)
def test_normal(mean: float, sd: float, y: float, score: float) -> None:
    assert crps_normal(mean, sd, y) == pytest.approx(score, abs=1e-11)
    x = np.linspace(mean - 9 * sd, mean + 9 * sd, 4001)[None]
    assert crps_grid(x, norm.cdf(x, mean, sd), [y])[0] == pytest.approx(score, abs=1e-5)
    chances = np.linspace(0.0005, 0.9995, 1000)
    assert crps_quantiles(chances, norm.ppf(chances, mean, sd)[None], [y])[0] == pytest.approx(score, rel=2e-3)
    sample = norm.ppf((np.arange(4000) + 0.5) / 4000, mean, sd)
    assert crps_sample(sample, np.float64(y)) == pytest.approx(score, rel=1e-3)


def test_a_point_scores_its_distance() -> None:
    assert crps_normal(3.0, 0.0, 5.0) == 2.0
    assert crps_sample([3.0, 3.0], 5.0) == 2.0
    assert crps_grid([[3.0, 3.0]], [[0.0, 1.0]], [5.0])[0] == 2.0
    assert crps_grid([[3.0]], [[0.4]], [5.0])[0] == 2.0


def test_sample_of_four() -> None:
    # worked by hand: mean distance 1, mean of all 16 pair distances 1.25
    assert crps_sample([1, 2, 3, 4], 2.5) == pytest.approx(0.375)
    assert crps_sample([4, 2, 1, 3], 2.5) == pytest.approx(0.375)


def test_grid_against_adaptive_integration_of_a_skewed_law() -> None:
    law = gamma(2.3, scale=4.0)
    x = law.ppf(np.linspace(1e-6, 1 - 1e-6, 3001))
    for y in (0.5, 8.0, 40.0):
        parts = quad(lambda t: law.cdf(t) ** 2, 0, y)[0] + quad(lambda t: law.sf(t) ** 2, y, np.inf)[0]
        assert crps_grid(x, law.cdf(x)[None], [y])[0] == pytest.approx(parts, rel=1e-4)


def test_pinball_and_interval_score() -> None:
    # by definition: 0.9 * 2; 0.1 * 3; 4 + 20 * 1
    assert pinball(0.9, 10, 12) == pytest.approx(1.8)
    assert pinball(0.9, 10, 7) == pytest.approx(0.3)
    assert interval_score(0.9, 8, 12, 13) == pytest.approx(24)
    assert interval_score(0.9, 8, 12, [10, 7]) == pytest.approx([4, 24])


def test_pit_of_calibrated_forecasts_is_even() -> None:
    rng = np.random.default_rng(4)
    mean = rng.normal(size=20_000)
    u = norm.cdf(rng.normal(mean, 2.0), mean, 2.0)
    assert u.mean() == pytest.approx(0.5, abs=0.01)
    assert u.var() == pytest.approx(1 / 12, abs=0.002)
    assert pit_histogram(u) == pytest.approx(np.full(10, 2000), abs=170)
    assert covered(u, 0.8).mean() == pytest.approx(0.8, abs=0.01)


def test_pit_ends_belong_to_the_outer_parts() -> None:
    assert pit_histogram([0.0, 1.0, 0.55], 2).tolist() == [1, 2]
    assert covered([0.05, 0.95, 0.049, 0.951], 0.9).tolist() == [True, True, False, False]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-50, 50), min_size=1, max_size=12), st.floats(-60, 60), st.floats(0.1, 10))
def test_sample_score_is_that_of_its_steps_and_follows_the_unit(values: list[float], y: float, unit: float) -> None:
    x = np.sort(values)
    by_pairs = np.abs(x - y).mean() - np.abs(x[:, None] - x).mean() / 2
    assert crps_sample(x, y) == pytest.approx(by_pairs, abs=1e-9)
    steps = np.repeat(x, 2)[None]
    chance = np.repeat(np.arange(x.size + 1) / x.size, 2)[1:-1][None]
    assert crps_grid(steps, chance, [y])[0] == pytest.approx(by_pairs, abs=1e-9)
    assert crps_sample(unit * x, unit * y) == pytest.approx(unit * by_pairs, abs=1e-8)


@pytest.mark.parametrize(
    "call",
    [
        lambda: crps_normal(0, -1, 0),
        lambda: crps_sample([], 1.0),
        lambda: crps_sample([1.0], [1.0, 2.0]),
        lambda: crps_grid([[1.0, 0.0]], [[0.0, 1.0]], [0.0]),
        lambda: crps_grid([[0.0, 1.0]], [[0.6, 0.5]], [0.0]),
        lambda: crps_grid([[0.0, 1.0]], [[0.6, 1.5]], [0.0]),
        lambda: crps_grid([[0.0, 1.0]], [0.6, 1.0], [0.0]),
        lambda: crps_quantiles([0.5], [1.0], [0.0]),
        lambda: pinball(1.0, 0, 0),
        lambda: interval_score(1.0, 0, 1, 0),
        lambda: interval_score(0.9, 1, 0, 0),
        lambda: pit_histogram([1.2]),
    ],
)
def test_nonsense_is_refused(call) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError):
        call()

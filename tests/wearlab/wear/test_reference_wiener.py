"""The Wiener path: one life beside statsmodels' exact-diffuse state space model, and beside the closed form.

At unit steps level + rate * x + path + error is the local linear deterministic trend: its level walks at random, its
slope is fixed. The exact-diffuse likelihood counts all n readings in n/2 log(2 pi), the restricted one the n - p that
are left after p fixed effects.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from statsmodels.tsa.statespace.structural import UnobservedComponents

from reference.comparison import plain
from wearlab.wear.data import WearData
from wearlab.wear.evaluate import criterion_at
from wearlab.wear.variances import Variances

FIXED_EFFECTS = 2
CONSTANT = FIXED_EFFECTS / 2 * np.log(2 * np.pi)
ALL_BUT_PATH = ("vehicle_level", "vehicle_rate", "part_level", "part_rate", "visit", "repeat", "start")
LIVES = 4


def _life(exposure: np.ndarray, y: np.ndarray) -> WearData:
    one = np.zeros(y.size, dtype=int)
    return WearData(y=y, exposure=exposure, vehicle=one, part=one, visit=np.arange(y.size), exposure_unit="1")


def _walk(seed: int, n: int, path: float, error: float) -> np.ndarray:
    dice = np.random.default_rng(seed)
    return 20 + 0.7 * np.arange(n) + np.cumsum(dice.normal(0, path, n)) + dice.normal(0, error, n)


def _trend(y: np.ndarray) -> UnobservedComponents:
    return UnobservedComponents(y, "lldtrend", use_exact_diffuse=True)


@pytest.mark.parametrize(("path", "error"), [(0.8, 0.5), (0.1, 1.5), (3.0, 0.2), (0.5, 0.5)])
@pytest.mark.parametrize("first", [0, 1, 7])
def test_a_life_at_unit_steps_is_a_local_linear_trend(path: float, error: float, first: int) -> None:
    y = _walk(1, 40, 0.8, 0.5)
    ours = criterion_at(_life(first + np.arange(40.0), y), Variances(path=path, error=error))
    assert ours == pytest.approx(_trend(y).loglike([error**2, path**2]) + CONSTANT, abs=1e-8)


def test_skipped_visits_are_missing_steps() -> None:
    y = _walk(2, 60, 0.6, 0.4)
    kept = np.flatnonzero(np.random.default_rng(3).random(60) < 0.4)
    skipped = np.full(60, np.nan)
    skipped[kept] = y[kept]
    ours = criterion_at(_life(kept.astype(float), y[kept]), Variances(path=0.6, error=0.4))
    assert ours == pytest.approx(_trend(skipped).loglike([0.4**2, 0.6**2]) + CONSTANT, abs=1e-8)


def test_fitted_lives_have_the_trend_s_variances() -> None:
    # each life is a family of its own with its level and rate, so the state space models only share their variances
    walks = [_walk(30 + k, 60, 0.8, 0.6) for k in range(LIVES)]
    models = [_trend(y) for y in walks]

    def minus(log_sd: np.ndarray) -> float:
        return -sum(float(model.loglike(np.exp(2 * log_sd))) for model in models)

    best = minimize(minus, np.log([0.6, 0.8]), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-12})
    owner = np.repeat(np.arange(LIVES), 60)
    data = WearData(
        y=np.concatenate(walks),
        exposure=np.tile(np.arange(60.0), LIVES),
        vehicle=owner,
        part=owner,
        visit=np.tile(np.arange(60), LIVES),
        family=np.array([f"family {k}" for k in owner]),
        exposure_unit="1",
    )
    fit = plain(data, without=ALL_BUT_PATH)
    assert (fit.variances.error, fit.variances.path) == pytest.approx(tuple(np.exp(best.x)), rel=1e-4)
    assert fit.criterion == pytest.approx(-best.fun + LIVES * CONSTANT, abs=1e-6)
    for k, model in enumerate(models):
        slope = model.smooth(np.exp(2 * best.x)).smoothed_state[1, -1]
        assert fit.fixed.estimate[fit.fixed.names.index(f"rate family {k}")] == pytest.approx(slope, rel=1e-4)


def _differences(seed: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Exposure and readings of a pure Wiener life at unequal steps, and the path's sd."""
    dice, path = np.random.default_rng(seed), 0.9
    exposure = np.cumsum(dice.uniform(0.3, 2.5, 25))
    steps = np.diff(exposure, prepend=0.0)
    return exposure, 15 + 0.4 * exposure + np.cumsum(path * np.sqrt(steps) * dice.normal(size=25)), path


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_first_differences_of_a_pure_wiener_life(seed: int) -> None:
    # Differences are independent normal with mean rate * h and variance path^2 h. The restricted likelihood is their
    # density with the flat rate integrated out (the flat level takes the first reading with it).
    exposure, y, path = _differences(seed)
    h, d = np.diff(exposure), np.diff(y)
    rate = d.sum() / h.sum()
    squares = ((d - rate * h) ** 2 / h).sum() / path**2
    m = d.size
    expected = -0.5 * ((m - 1) * np.log(2 * np.pi) + np.log(path**2 * h).sum() + np.log(h.sum() / path**2) + squares)
    assert criterion_at(_life(exposure, y), Variances(path=path)) == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("seed", [21, 22])
def test_full_likelihood_of_a_pure_wiener_life(seed: int) -> None:
    # with the best level the first reading fits exactly and leaves only its own constant
    exposure, y, path = _differences(seed)
    h, d = np.diff(exposure), np.diff(y)
    rate = d.sum() / h.sum()
    density = -0.5 * (np.log(2 * np.pi * path**2 * h) + (d - rate * h) ** 2 / (path**2 * h))
    first = -0.5 * np.log(2 * np.pi * path**2 * exposure[0])
    ours = criterion_at(_life(exposure, y), Variances(path=path), method="ml")
    assert ours == pytest.approx(density.sum() + first, abs=1e-8)

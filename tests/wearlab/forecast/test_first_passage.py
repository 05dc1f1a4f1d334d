"""The passage law against its closed forms, published values, brute-force integration and simulated paths."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.special import log_ndtr, ndtr
from scipy.stats import invgauss, multivariate_normal, norm

from wearlab.forecast.first_passage import passage_chance

Array = NDArray[np.float64]


def chance(gap: float, drift: float, diffusion: float, time: object, **spread: float) -> Array:
    """The chance for one part at one time or several; spreads not given are 0."""
    times = np.atleast_1d(np.asarray(time, dtype=float))

    def same(value: float) -> Array:
        return np.full(times.shape, value)

    return passage_chance(
        same(gap), same(spread.get("gap_var", 0.0)), same(drift), same(spread.get("drift_var", 0.0)),
        same(spread.get("covariance", 0.0)), same(diffusion), times,
    )  # fmt: skip


def test_published_values() -> None:
    # drift 0.5, variance 0.4 a unit of time, limit 10: Chhikara & Folks 1989, computed with 12 digits
    got = chance(10.0, 0.5, 0.4, [10, 15, 20, 30])
    assert got == pytest.approx([0.00850726366, 0.186272648653, 0.555352318867, 0.944693992510], abs=1e-6)


@pytest.mark.parametrize(("gap", "drift", "diffusion"), [(10.0, 0.5, 0.4), (1.0, 3.0, 0.01), (0.2, 0.1, 5.0)])
def test_known_level_and_rate_give_the_inverse_gaussian_law(gap: float, drift: float, diffusion: float) -> None:
    shape = gap**2 / diffusion
    law = invgauss(gap / drift / shape, scale=shape)
    times = law.ppf([0.001, 0.05, 0.3, 0.5, 0.9, 0.999])
    assert chance(gap, drift, diffusion, times) == pytest.approx(law.cdf(times), abs=1e-6)


def test_a_drift_away_from_the_limit_may_never_pass_it() -> None:
    # drift -0.05, variance 0.1, limit 1: exp(2 a drift / variance) = exp(-1)
    assert chance(1.0, -0.05, 0.1, np.inf)[0] == pytest.approx(0.367879441, abs=1e-6)
    assert chance(1.0, 0.05, 0.1, np.inf)[0] == pytest.approx(1.0, abs=1e-6)
    assert chance(1.0, 0.0, 0.1, 1e11)[0] == pytest.approx(1.0, abs=1e-4)


def test_without_diffusion_the_crossing_is_a_ratio_of_normals() -> None:
    # a level surely short of the limit: passed by t when drift * t >= gap; the drift is surely positive
    times = np.linspace(2.0, 12.0, 9)
    got = chance(5.0, 1.0, 0.0, times, gap_var=0.2, drift_var=0.04, covariance=-0.03)
    sd = np.sqrt(0.2 + 0.04 * times**2 + 2 * 0.03 * times)
    assert got == pytest.approx(ndtr((times - 5.0) / sd), abs=1e-6)


def test_without_diffusion_a_level_past_already_and_falling_back_still_counts() -> None:
    gap, drift, gap_var, drift_var, covariance, time = 0.4, -0.3, 1.0, 0.25, -0.2, 3.0
    # past at the start or past at the end: 1 less the chance of neither
    both = np.array(
        [[gap_var, gap_var - time * covariance], [0.0, gap_var - 2 * time * covariance + drift_var * time**2]]
    )
    both[1, 0] = both[0, 1]
    neither = multivariate_normal([-gap, -(gap - drift * time)], both).cdf([0.0, 0.0])
    got = chance(gap, drift, 0.0, time, gap_var=gap_var, drift_var=drift_var, covariance=covariance)[0]
    assert got == pytest.approx(1 - neither, abs=1e-5)


def test_nothing_uncertain_and_nothing_wandering_is_a_step() -> None:
    assert chance(2.0, 0.5, 0.0, [3.9, 4.1]).tolist() == [0.0, 1.0]
    assert chance(2.0, -0.5, 0.0, [3.9, np.inf]).tolist() == [0.0, 0.0]
    assert chance(0.0, -0.5, 0.0, [0.0]).tolist() == [1.0]
    assert chance(-1.0, -0.5, 0.2, [0.0, 5.0]).tolist() == [1.0, 1.0]


def test_infinite_and_unknown_distances() -> None:
    assert chance(np.inf, 1.0, 0.1, [1.0, np.inf]).tolist() == [0.0, 0.0]
    assert chance(-np.inf, 1.0, 0.1, [0.0]).tolist() == [1.0]
    assert np.isnan(chance(np.nan, 1.0, 0.1, [1.0])).all()


def test_small_diffusion_is_log_safe() -> None:
    # exp(2 m a / s2) is exp(2e9) here; the limit is the law without diffusion
    got = chance(10.0, 1.0, 1e-8, [9.0, 10.0, 11.0], drift_var=0.01)
    plain = chance(10.0, 1.0, 0.0, [9.0, 10.0, 11.0], drift_var=0.01)
    assert got == pytest.approx(plain, abs=1e-6)


def _given_distance(drift: float, rest: float, diffusion: float, time: float) -> Callable[[float], float]:
    """The law given the distance, by integrating the inverse Gaussian law over the drift."""

    def law(gap: float, mean: float) -> float:
        def at(u: float) -> float:
            m = mean + np.sqrt(rest) * u
            root = np.sqrt(diffusion * time)
            tail = 2 * m * gap / diffusion + log_ndtr(-(m * time + gap) / root)
            return float((ndtr((m * time - gap) / root) + np.exp(tail)) * norm.pdf(u))

        return float(quad(at, -8, 8, limit=200)[0])

    return lambda gap: law(gap, drift)


def test_a_normal_drift_in_closed_form() -> None:
    for drift, rest, diffusion, time in [(0.5, 0.1, 0.3, 4.0), (-0.4, 0.5, 0.8, 6.0), (1.0, 0.02, 1.5, 0.7)]:
        law = _given_distance(drift, rest, diffusion, time)
        got = chance(1.5, drift, diffusion, time, drift_var=rest)[0]
        assert got == pytest.approx(law(1.5), abs=1e-6)


def brute(
    gap: float, gap_var: float, drift: float, drift_var: float, covariance: float, diffusion: float, time: float
) -> float:
    """The mixed law by many Gauss-Legendre panels over the distance, crowded where the limit is reached."""
    sd = np.sqrt(gap_var)
    slope = covariance / gap_var
    rest = max(drift_var - slope * covariance, 0.0)
    low, high = max(0.0, gap - 9 * sd), gap + 9 * sd
    if high <= 0:
        return 1.0
    edges = np.unique(np.r_[low, low + (high - low) * np.geomspace(1e-9, 1, 120), np.linspace(low, high, 200)])
    nodes, weights = np.polynomial.legendre.leggauss(30)
    middle, half = (edges[1:] + edges[:-1]) / 2, (edges[1:] - edges[:-1]) / 2
    a = (middle[:, None] + half[:, None] * nodes).ravel()
    mean = drift + slope * (a - gap)
    spread = rest * time**2 + diffusion * time
    w = (mean * time - a) / np.sqrt(spread)
    z = (mean * time + a + 2 * rest * a * time / diffusion) / np.sqrt(spread)
    power = 2 * mean * a / diffusion + 2 * rest * a**2 / diffusion**2
    # far out log Phi is -z^2 / 2 - log z - ..., which the power would cancel: written together
    far = -(w**2) / 2 - np.log(np.maximum(z, 1.0) * np.sqrt(2 * np.pi))
    second = np.exp(np.where(z > 1e4, far, power + log_ndtr(-np.minimum(z, 1e4))))
    law = (ndtr(w) + second) * norm.pdf(a, gap, sd)
    return float(ndtr(-gap / sd) + (half[:, None] * weights * law.reshape(-1, 30)).sum())


def test_quadrature_against_brute_force() -> None:
    rng = np.random.default_rng(20261125)
    n = 300
    gap, gap_sd = rng.normal(1, 1.5, n) * 10 ** rng.uniform(-1, 0.5, n), 10 ** rng.uniform(-2, 0.5, n)
    drift, drift_sd = rng.normal(0.5, 0.8, n), 10 ** rng.uniform(-2, 0.5, n)
    covariance = rng.uniform(-0.98, 0.98, n) * gap_sd * drift_sd
    diffusion, time = 10 ** rng.uniform(-3, 1, n), 10 ** rng.uniform(-1.5, 1.5, n)
    cases = (gap, gap_sd**2, drift, drift_sd**2, covariance, diffusion, time)
    want = np.array([brute(*map(float, case)) for case in zip(*cases, strict=True)])
    error = np.abs(passage_chance(*cases) - want)
    assert error.max() < 1e-4
    assert np.quantile(error, 0.95) < 2e-6


def test_simulated_paths() -> None:
    rng = np.random.default_rng(7)
    paths, steps, time = 40_000, 400, 2.0
    gap, drift = 1.2, 0.35
    cov = np.array([[0.09, -0.04], [-0.04, 0.16]])
    draws = rng.multivariate_normal([gap, drift], cov, paths)
    diffusion, step = 0.25, time / steps
    left = draws[:, 0].copy()
    passed = left <= 0
    for _ in range(steps):
        before = left
        left = before - draws[:, 1] * step + np.sqrt(diffusion * step) * rng.standard_normal(paths)
        # a path that is short of the limit at both ends of a step may have passed between them
        between = np.exp(-2 * np.maximum(before, 0) * np.maximum(left, 0) / (diffusion * step))
        passed |= rng.random(paths) < np.where(left <= 0, 1.0, between)
    got = chance(gap, drift, diffusion, time, gap_var=0.09, drift_var=0.16, covariance=-0.04)[0]
    assert got == pytest.approx(passed.mean(), abs=4 * np.sqrt(0.25 / paths))


def test_the_chance_rises_with_time_and_falls_with_distance() -> None:
    rng = np.random.default_rng(11)
    times = np.geomspace(1e-3, 1e3, 60)
    for _ in range(40):
        sd, rate_sd = 10 ** rng.uniform(-2, 0.3, 2)
        spread = {"gap_var": sd**2, "drift_var": rate_sd**2, "covariance": rng.uniform(-0.9, 0.9) * sd * rate_sd}
        drift, diffusion = rng.normal(0.3, 0.7), 10 ** rng.uniform(-4, 0.5)
        near, far = (chance(gap, drift, diffusion, times, **spread) for gap in (0.8, 1.0))
        assert (np.diff(near) > -2e-4).all()
        assert near.min() >= 0
        assert near.max() <= 1
        assert (near >= far - 2e-4).all()

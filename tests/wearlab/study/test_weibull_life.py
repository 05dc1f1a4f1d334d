"""Weibull lives against published fits, another fitting routine, and simulated lives that are watched late."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.stats import CensoredData, weibull_min

from reference.life_data import NIST_8_4_1, REMISSION, TREATED, counted, shock_absorbers
from reference.results import read_results
from wearlab.errors import InputError
from wearlab.records import NoAnswer
from wearlab.study.life_data import LifeData
from wearlab.study.life_ratio import LifeRatio, life_ratio
from wearlab.study.weibull_life import Weibull, weibull_life


def fitted(data: LifeData, coverage: float = 0.9) -> Weibull:
    told = weibull_life(data, coverage)
    assert isinstance(told, Weibull)
    return told


def test_shock_absorbers_as_published() -> None:
    # Meeker & Escobar (1998), chapter 8: log scale and 1 / shape with their standard errors
    told = fitted(shock_absorbers())
    assert told.eta == pytest.approx(27718.718, abs=6e-4)
    assert told.beta == pytest.approx(3.160470, abs=6e-7)
    assert told.log_likelihood == pytest.approx(-123.995361, abs=6e-7)
    assert (np.log(told.eta), 1 / told.beta) == pytest.approx((10.229863, 0.316409), abs=6e-7)
    error = np.sqrt(np.diag(told.covariance))
    assert (error[0], error[1] / told.beta) == pytest.approx((0.10989, 0.07317), abs=6e-6)
    assert told.quantile(0.1).point == pytest.approx(13600.03, abs=6e-3)
    assert told.quantile(0.5).point == pytest.approx(24683.63, abs=6e-3)


@pytest.mark.parametrize(("mode", "eta", "beta"), [("Mode1", 31205.798, 3.383946), ("Mode2", 40865.861, 2.822211)])
def test_one_mode_of_failure_the_other_taken_for_censoring(mode: str, eta: float, beta: float) -> None:
    told = fitted(shock_absorbers(mode))
    assert told.eta == pytest.approx(eta, abs=6e-4)
    assert told.beta == pytest.approx(beta, abs=6e-7)


@pytest.mark.parametrize(
    ("name", "eta", "beta", "height"),
    # Nelson (1982); Abernethy et al. (1983), whose book prints 11792 and 2.035
    [("diesel_fan", 26296.85, 1.058446, -135.152720), ("bearing_cage", 11792.18, 2.035319, -76.436896)],
)
def test_counted_units_as_published(name: str, eta: float, beta: float, height: float) -> None:
    told = fitted(counted(name))
    assert told.eta == pytest.approx(eta, abs=6e-3)
    assert told.beta == pytest.approx(beta, abs=6e-7)
    assert told.log_likelihood == pytest.approx(height, abs=6e-7)


def test_fans_have_the_published_mean_where_the_shape_is_one() -> None:
    data = counted("diesel_fan")
    # Nelson (1982): 344,440 h among 12 failures, an exponential mean of 28,703.33 h; a shape of 1 is not shut out
    assert data.time.sum() / data.failures == pytest.approx(28703.33, abs=6e-3)
    low, high = fitted(data).beta_interval
    assert low < 1 < high


def test_handbook_example_as_printed() -> None:
    # NIST/SEMATECH e-Handbook 8.4.1 prints 606.5280 and 1.7208; standard errors by lifelines
    told = fitted(NIST_8_4_1)
    assert told.eta == pytest.approx(606.5280, abs=6e-4)
    assert told.beta == pytest.approx(1.7208, abs=6e-5)
    assert (told.eta, told.beta) == pytest.approx((606.52755, 1.7207973), rel=1e-7)
    assert told.log_likelihood == pytest.approx(-75.134618, abs=6e-7)
    assert np.sqrt(np.diag(told.covariance)) * (told.eta, told.beta) == pytest.approx((124.9106, 0.50215), rel=1e-5)


def test_another_routine_finds_the_same() -> None:
    data = shock_absorbers()
    beta, _, eta = weibull_min.fit(CensoredData.right_censored(data.time, ~data.event), floc=0)
    told = fitted(data)
    assert (told.eta, told.beta) == pytest.approx((eta, beta), rel=1e-3)


def test_remission_in_two_groups_of_one_shape() -> None:
    # intercept, treatment and log scale as Kalbfleisch & Prentice (1980) print them, all digits by R's survreg
    known = read_results("lives")["remission"]
    told = life_ratio(REMISSION, TREATED)
    assert isinstance(told, LifeRatio)
    assert told.groups == ("placebo", "treated")
    assert np.log(told.eta[0]) == pytest.approx(2.248352, abs=6e-7)
    assert told.log_ratio[1] == pytest.approx(1.267335, abs=6e-7)
    assert -np.log(told.beta) == pytest.approx(-0.311709, abs=6e-7)
    assert told.log_likelihood == pytest.approx(known["loglik"]["ml"], rel=1e-9)
    assert told.se.tolist() == pytest.approx([0.0, known["se"]["treated"]], rel=1e-6)
    assert told.ratio("treated").point == pytest.approx(np.exp(1.267335), rel=1e-6)
    assert told.ratio("placebo").high == 1.0


def test_late_entry_against_a_plain_search() -> None:
    rng = np.random.default_rng(21)
    life, entry = 100 * rng.weibull(2.5, 200), rng.uniform(0, 90, 200)
    seen, end = life > entry, entry + rng.uniform(10, 80, 200)
    data = LifeData.of(np.minimum(life, end)[seen], (life <= end)[seen], entry[seen])

    def short(at: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
        law = weibull_min(np.exp(at[1]), scale=np.exp(at[0]))
        return -float((np.where(data.event, law.logpdf(data.time), law.logsf(data.time)) - law.logsf(data.entry)).sum())

    found = minimize(short, [4.0, 0.5], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000})
    told = fitted(data)
    assert (np.log(told.eta), np.log(told.beta)) == pytest.approx(found.x, abs=1e-6)
    assert told.log_likelihood == pytest.approx(-found.fun, abs=1e-9)
    # observed information by differences
    step = 1e-4
    grid = [[short(found.x + step * np.array(a) + step * np.array(b)) for a in np.eye(2)] for b in np.eye(2)]
    one = [short(found.x + step * np.array(a)) for a in np.eye(2)]
    curve = (np.array(grid) - np.add.outer(one, one) + found.fun) / step**2
    assert_allclose(np.linalg.inv(told.covariance), curve, rtol=2e-2, atol=0.5)
    groups = life_ratio(LifeData.of([*data.time, *2 * data.time], [*data.event] * 2, [*data.entry, *2 * data.entry]),
                        ["a"] * len(data) + ["b"] * len(data))  # fmt: skip
    assert isinstance(groups, LifeRatio)
    assert groups.ratio("b").point == pytest.approx(2.0, rel=1e-9)
    assert groups.beta == pytest.approx(told.beta, rel=1e-9)
    assert groups.se[1] == pytest.approx(np.sqrt(2) / told.beta / np.sqrt(data.failures), rel=1e-6)


def test_likelihood_intervals_end_where_the_likelihood_has_fallen_by_half_of_chi_squared() -> None:
    told = fitted(shock_absorbers(), 0.95)
    data = told.data

    def best(eta: float) -> float:
        grid = np.linspace(0.5, 8, 4000)
        heights = [
            float(data.failures * np.log(b) + ((b - 1) * np.log(data.time[data.event]) - b * np.log(eta)).sum()
                  - ((data.time / eta) ** b).sum()) for b in grid
        ]  # fmt: skip
        return max(heights)

    for end in told.eta_interval:
        assert told.log_likelihood - best(end) == pytest.approx(3.841459 / 2, abs=1e-4)
    assert told.quantile(1 - np.exp(-1)).low == pytest.approx(told.eta_interval[0], rel=1e-6)
    low, high = told.survival_band(np.array([20000.0]))
    assert low[0] < told.survival(20000.0) < high[0]
    assert told.survival(20000.0, since=10000.0) == pytest.approx(
        told.survival(20000.0) / told.survival(10000.0), rel=1e-12
    )


def test_intervals_cover_also_with_few_failures_watched_late() -> None:
    rng = np.random.default_rng(22)
    held = []
    for _ in range(80):
        life, entry = rng.weibull(2.0, 60), rng.uniform(0, 0.6, 60)
        seen, end = life > entry, entry + 0.4
        data = LifeData.of(np.minimum(life, end)[seen], (life <= end)[seen], entry[seen])
        told = weibull_life(data)
        if isinstance(told, Weibull):
            early = told.quantile(0.1)
            held.append([told.beta_interval[0] <= 2.0 <= told.beta_interval[1], early.low <= 0.3246 <= early.high])
    assert len(held) > 75
    # 90 % within three standard errors
    assert np.all(np.abs(np.mean(held, axis=0) - 0.9) < 3 * np.sqrt(0.09 / len(held)))


def test_no_law_without_a_top_and_what_cannot_be_asked() -> None:
    none = weibull_life(LifeData.of([3, 4], [0, 0]))
    assert isinstance(none, NoAnswer)
    assert "nothing failed" in none.reason
    alone = weibull_life(LifeData.of([1, 2, 5], [0, 0, 1]))
    assert isinstance(alone, NoAnswer)
    assert "no top" in alone.reason
    with pytest.raises(InputError):
        weibull_life(NIST_8_4_1, coverage=0)
    with pytest.raises(InputError):
        fitted(NIST_8_4_1).quantile(0)
    one = life_ratio(NIST_8_4_1, ["a"] * 20)
    assert isinstance(one, NoAnswer)
    spared = life_ratio(NIST_8_4_1, ["a"] * 10 + ["b"] * 10)
    assert isinstance(spared, NoAnswer)
    assert spared.reason == "nothing failed in b"

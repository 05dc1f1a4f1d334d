"""The best age of replacement: published condition, direct minimisation, and the interval of the law's uncertainty."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

from wearlab.errors import InputError
from wearlab.plan.age_replacement import AgeReplacement, age_replacement, cost_rate, minimal_repair
from wearlab.records import NoAnswer

# beta, eta, planned, failure; age, cost rate, run to failure: roots of the condition h(T) int R - F = cp / (cf - cp)
# (Barlow & Proschan 1965), the same by direct minimisation, worked out outside of this program
TABLE = [
    (2.0, 1000.0, 1.0, 5.0, 510.655224, 0.00408524179, 0.00564189584),
    (2.5, 1000.0, 1.0, 5.0, 493.046958, 0.00346204274, 0.00563530249),
    (3.0, 1000.0, 1.0, 10.0, 382.455531, 0.00394935030, 0.0111984652),
    (2.0, 1.0, 1.0, 10.0, 0.336451191, 6.05612144, 11.2837917),
    (3.16047, 27718.7, 1.0, 4.0, 15434.6707, 9.65484934e-5, 1.61215430e-4),
]
# sd of log eta and log beta of a small sample, correlated
SPREAD = np.array([[0.01, 0.004], [0.004, 0.04]])


def found(*arguments: float, covariance: object = None) -> AgeReplacement:
    answer = age_replacement(*arguments, covariance=covariance)  # type: ignore[arg-type]
    assert isinstance(answer, AgeReplacement)
    return answer


@pytest.mark.parametrize(("beta", "eta", "planned", "failure", "age", "rate", "run"), TABLE)
def test_the_known_optimum(
    beta: float, eta: float, planned: float, failure: float, age: float, rate: float, run: float
) -> None:
    best = found(eta, beta, planned, failure)
    assert best.age == pytest.approx(age, rel=1e-8)
    assert best.cost_rate == pytest.approx(rate, rel=1e-8)
    assert best.run_to_failure == pytest.approx(run, rel=1e-8)
    assert (best.low, best.high, best.coverage) == (None, None, None)
    assert cost_rate(eta, beta, planned, failure, [age, np.inf]) == pytest.approx([rate, run], rel=1e-8)


def test_the_known_age_under_minimal_repair() -> None:
    best = minimal_repair(1000.0, 2.5, 5.0, 1.0)
    assert isinstance(best, AgeReplacement)
    assert best.age == pytest.approx(1618.644583, rel=1e-9)
    # the cost of one renewal and of the mendings expected before it, (T / eta)^beta of them
    assert best.cost_rate == pytest.approx((5.0 + (best.age / 1000.0) ** 2.5) / best.age, rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(
    beta=st.floats(1.3, 6.0),
    eta=st.floats(0.01, 1e6),
    planned=st.floats(0.1, 100.0),
    times=st.floats(1.5, 50.0),
)
def test_no_age_costs_less(beta: float, eta: float, planned: float, times: float) -> None:
    best = found(eta, beta, planned, planned * times)

    def cost(log_age: float) -> float:
        age = float(np.exp(log_age))
        survival = float(np.exp(-(age**beta)))
        length, _ = quad(lambda t: np.exp(-(t**beta)), 0.0, age)
        return (planned * survival + planned * times * (1 - survival)) / length

    middle = np.log(best.age / eta)
    direct = minimize_scalar(cost, bounds=(middle - 1.0, middle + 1.0), method="bounded", options={"xatol": 1e-7})
    assert best.cost_rate == pytest.approx(direct.fun / eta, rel=1e-6)
    assert best.cost_rate <= best.run_to_failure * (1 + 1e-9)


@pytest.mark.parametrize("beta", [0.6, 1.0])
def test_a_hazard_that_does_not_rise_has_no_age(beta: float) -> None:
    for answer in (age_replacement(1000.0, beta, 1.0, 5.0), minimal_repair(1000.0, beta, 5.0, 1.0)):
        assert isinstance(answer, NoAnswer)
        assert "does not rise" in answer.reason


def test_other_reasons_for_no_age() -> None:
    cheap = age_replacement(1000.0, 2.0, 5.0, 5.0)
    assert isinstance(cheap, NoAnswer)
    assert "no more than planned" in cheap.reason
    slow = age_replacement(1000.0, 1.002, 1.0, 2.0)
    assert isinstance(slow, NoAnswer)
    assert "beyond every life" in slow.reason
    free = minimal_repair(1000.0, 2.0, 5.0, 0.0)
    assert isinstance(free, NoAnswer)
    assert "costs nothing" in free.reason


def test_uncertainty_of_the_scale_alone_carries_over_as_it_is() -> None:
    best = found(1000.0, 2.5, 1.0, 5.0, covariance=[[0.04, 0.0], [0.0, 0.0]])
    assert best.low is not None
    assert best.high is not None
    # normal quantile of 95 %, 1.644854
    assert np.log(best.high / best.age) == pytest.approx(1.644854 * 0.2, rel=1e-5)
    assert np.log(best.age / best.low) == pytest.approx(1.644854 * 0.2, rel=1e-5)


def test_a_law_without_uncertainty_has_no_width() -> None:
    best = found(1000.0, 2.5, 1.0, 5.0, covariance=np.zeros((2, 2)))
    assert best.low == pytest.approx(best.age, rel=1e-9) == best.high


def test_the_interval_is_that_of_many_laws() -> None:
    best = found(1000.0, 2.5, 1.0, 5.0, covariance=SPREAD)
    assert best.low is not None
    assert best.high is not None
    assert best.low < best.age < best.high
    draws = np.random.default_rng(5).multivariate_normal(np.log([1000.0, 2.5]), SPREAD, 1200)
    ages = [found(float(np.exp(a)), float(np.exp(b)), 1.0, 5.0).age for a, b in draws if b > 0]
    ages += [np.inf] * (1200 - len(ages))
    # a quantile of 1,200 draws in the tail is off by some 2 % itself
    assert [best.low, best.high] == pytest.approx(np.quantile(ages, [0.05, 0.95]), rel=0.05)


def test_the_interval_is_open_where_the_hazard_may_not_rise() -> None:
    # log 1.2 / 0.3 = 0.61: the shape is below 1 with a chance of 27 %
    best = found(1000.0, 1.2, 1.0, 5.0, covariance=[[0.01, 0.0], [0.0, 0.09]])
    assert best.high == np.inf
    assert best.low is not None
    assert np.isfinite(best.low)


@pytest.mark.parametrize(
    "arguments",
    [
        (0.0, 2.0, 1.0, 5.0),
        (1.0, -2.0, 1.0, 5.0),
        (1.0, 2.0, 0.0, 5.0),
        (1.0, 2.0, 1.0, np.nan),
        (np.inf, 2.0, 1.0, 5.0),
    ],
)
def test_what_is_no_law_or_cost_is_refused(arguments: tuple[float, float, float, float]) -> None:
    with pytest.raises(InputError):
        age_replacement(*arguments)
    with pytest.raises(InputError):
        minimal_repair(*arguments)


@pytest.mark.parametrize("covariance", [[[1.0]], [[-1.0, 0.0], [0.0, 1.0]], [[np.nan, 0.0], [0.0, 1.0]]])
def test_what_is_no_covariance_is_refused(covariance: list[list[float]]) -> None:
    with pytest.raises(InputError):
        age_replacement(1000.0, 2.0, 1.0, 5.0, covariance=covariance)


def test_a_coverage_outside_0_to_1_is_refused() -> None:
    with pytest.raises(InputError):
        age_replacement(1000.0, 2.0, 1.0, 5.0, coverage=1.0)

"""Rates of road failures against published intervals of a Poisson mean, and against its definition."""

from __future__ import annotations

import pytest
from scipy.stats import poisson

from wearlab.errors import InputError
from wearlab.plan.road_failures import (
    FailureRate,
    cost_of_waiting,
    failure_rates,
    foretold,
    poisson_rate,
    stated_or_learned,
)
from wearlab.plan_settings import RoadFailure
from wearlab.records import NoAnswer, State

# exact 95 % limits of a Poisson mean, as tabled since Garwood 1936 (Biometrika 28, 437-442)
TABLED = {0: (0.0, 3.689), 1: (0.025, 5.572), 5: (1.623, 11.668), 10: (4.795, 18.390)}


@pytest.mark.parametrize("count", TABLED)
def test_tabled_intervals(count: int) -> None:
    rate = poisson_rate(count, 10_000.0, 0.95)
    assert isinstance(rate, FailureRate)
    low, high = TABLED[count]
    assert rate.low == pytest.approx(low, abs=6e-4)
    assert rate.high == pytest.approx(high, abs=6e-4)


@pytest.mark.parametrize("count", [1, 4, 17])
def test_at_its_ends_the_count_has_the_chance_of_a_tail(count: int) -> None:
    rate = poisson_rate(count, 250_000.0)
    assert isinstance(rate, FailureRate)
    assert rate.per_10000 == pytest.approx(count / 25)
    assert poisson.sf(count - 1, rate.low * 25) == pytest.approx(0.05)
    assert poisson.cdf(count, rate.high * 25) == pytest.approx(0.05)


def test_past_the_limit_the_background_is_taken_off() -> None:
    told = failure_rates([True, True, True, False, None], km_below=1_000_000.0, km_beyond=100_000.0)
    assert isinstance(told.beyond, FailureRate)
    assert isinstance(told.background, FailureRate)
    assert isinstance(told.added, FailureRate)
    assert told.beyond.per_10000 == pytest.approx(0.3)
    assert told.background.per_10000 == pytest.approx(0.01)
    assert told.added.per_10000 == pytest.approx(0.29)
    assert told.added.low < told.beyond.low
    assert told.unknown == 1
    assert isinstance(failure_rates([], 0.0, 0.0).beyond, NoAnswer)
    with pytest.raises(InputError):
        poisson_rate(-1, 10.0)


def test_entered_figures_come_before_learned_ones_and_none_recorded_teaches_nothing() -> None:
    learned = failure_rates([True, True], 1_000_000.0, 100_000.0)
    used = stated_or_learned(RoadFailure(background_per_10000_km=0.02), learned)
    assert used.beyond_source == "learned"
    assert used.background_source == "entered"
    assert used.background is not None
    assert used.background.per_10000 == 0.02
    assert stated_or_learned(RoadFailure(), failure_rates([], 1e6, 1e5)).beyond_source == "missing"
    assert stated_or_learned(RoadFailure(), None).beyond is None


def test_waiting_costs_kilometres_times_rate_times_cost() -> None:
    cost = cost_of_waiting(5_000.0, FailureRate(0.4, 0.1, 1.0), 1_000.0)
    assert (cost.mean, cost.low, cost.high) == (pytest.approx(200.0), pytest.approx(50.0), pytest.approx(500.0))


def test_how_many_failures_a_test_had_foretold() -> None:
    told = foretold([State.BOOK, State.PAST_LIMIT, State.STEADY, State.WATCH, None, State.NO_LIMIT])
    assert (told.failures, told.foretold, told.not_foretold, told.not_tested) == (6, 2, 2, 2)

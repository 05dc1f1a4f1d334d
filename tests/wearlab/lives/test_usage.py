"""Distance a day, from readings as irregular as visits are."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import theilslopes

from wearlab.errors import InputError
from wearlab.lives.pace import slopes_of_pairs
from wearlab.lives.usage import Usage, day_after, usage
from wearlab.records import NoAnswer

NOW = date(2026, 10, 1)


def ago(*days: int) -> list[date]:
    return [NOW - timedelta(days=number) for number in days]


def told(days: list[date], km: object, **options: int) -> Usage:
    answer = usage(days, km, NOW, **options)  # type: ignore[arg-type]
    assert isinstance(answer, Usage)
    return answer


def test_a_steady_vehicle() -> None:
    number = np.arange(0, 720, 30)
    found = told(ago(*number.tolist()), 200_000 - 80.0 * number)
    assert found.km_per_day == pytest.approx(80)
    assert found.distance_now_km == pytest.approx(200_000)
    # never narrower than 5 % to each side
    assert (found.km_per_day_low, found.km_per_day_high) == pytest.approx((76, 84))
    assert found.day_at(208_000) == NOW + timedelta(days=100)
    assert found.day_at(192_000) == NOW - timedelta(days=100)
    assert found.distance_on(NOW + timedelta(days=10)) == pytest.approx(200_800)
    assert (found.parked, found.basis, found.readings) == (False, "the last year", 24)


def test_the_last_year_is_preferred() -> None:
    number = np.arange(0, 1440, 30)
    km = np.where(number <= 365, -50.0 * number, -50.0 * 365 - 150.0 * (number - 365)) + 300_000
    assert told(ago(*number.tolist()), km).km_per_day == pytest.approx(50, rel=0.01)
    # without readings in the last year all of them speak
    old = number >= 370
    assert told(ago(*number[old].tolist()), km[old]).basis == "all readings"


def test_two_visits_a_year_apart_are_enough_with_the_assumed_spread() -> None:
    found = told(ago(430, 65), [100_000, 136_500])
    assert found.km_per_day == pytest.approx(100)
    assert (found.km_per_day_low, found.km_per_day_high) == pytest.approx((70, 130))
    assert found.distance_now_km == pytest.approx(143_000)
    assert found.last_day == NOW - timedelta(days=65)


def test_the_interval_is_the_spread_of_quarters() -> None:
    # quarters, newest first, of 60, 80, 100, 120 km a day: mean 90, sd 25.8199; t(0.9; 3) = 1.637744 (tables)
    edges = [0, 91, 182, 273, 364]
    km = 500_000 - np.concatenate([[0], np.cumsum(91 * np.array([60, 80, 100, 120]))])
    found = told(ago(*edges), km)
    reach = 1.637744 * 25.819889 * np.sqrt(1.25)
    assert found.km_per_day_high - found.km_per_day == pytest.approx(reach, rel=1e-6)
    assert found.km_per_day - found.km_per_day_low == pytest.approx(reach, rel=1e-6)


def test_one_wild_distance_does_not_move_the_pace() -> None:
    number = np.arange(0, 360, 20)
    km = 200_000 - 80.0 * number
    km[7] += 4000
    assert told(ago(*number.tolist()), km).km_per_day == pytest.approx(80, rel=0.02)


def test_a_parked_vehicle_goes_nowhere() -> None:
    found = told(ago(600, 400, 200, 130, 60, 5), [100_000, 120_000, 140_000, 147_000, 147_010, 147_010])
    assert found.parked
    assert found.km_per_day == found.km_per_day_low == 0
    assert found.km_per_day_high >= 90
    assert found.day_at(150_000) is None
    assert found.distance_now_km == pytest.approx(147_010)


def test_no_reading_for_long_is_not_parked() -> None:
    found = told(ago(900, 700, 500), [100_000, 120_000, 140_000])
    assert not found.parked
    assert found.distance_now_km == pytest.approx(190_000)


def test_readings_after_the_day_are_not_known_yet() -> None:
    days = [*ago(400, 200, 100), NOW + timedelta(days=30)]
    assert told(days, [100_000, 110_000, 115_000, 400_000]).km_per_day == pytest.approx(50)


@pytest.mark.parametrize(
    ("days", "km", "words"),
    [
        ([], [], "no believable odometer reading"),
        (ago(10), [float("nan")], "no believable odometer reading"),
        (ago(10), [100_000], "less than 30 days apart"),
        (ago(20, 10), [100_000, 101_000], "less than 30 days apart"),
    ],
)
def test_no_answer_has_its_reason(days: list[date], km: list[float], words: str) -> None:
    answer = usage(days, km, NOW)
    assert isinstance(answer, NoAnswer)
    assert words in answer.reason


def test_lengths_must_agree() -> None:
    with pytest.raises(InputError, match="1 days, 2 distances"):
        usage(ago(1), [1, 2], NOW)


def test_median_of_slopes_is_that_of_theil_and_sen() -> None:
    rng = np.random.default_rng(2)
    number = np.sort(rng.integers(0, 500, 40)).astype(float)
    km = 70 * number + rng.normal(0, 400, 40)
    # independent route: scipy's estimator, which takes all pairs at different days
    expected = theilslopes(km, number).slope
    assert np.median(slopes_of_pairs(number, km, fewest_days=1)) == pytest.approx(expected)


def test_long_logs_are_thinned_without_losing_the_pace() -> None:
    number = np.arange(0, 3000)
    assert slopes_of_pairs(number, 42.0 * number).size < 50_000
    assert np.median(slopes_of_pairs(number, 42.0 * number)) == pytest.approx(42)


def test_days_at_the_edge_of_the_calendar() -> None:
    assert day_after(NOW, 1e12, 1.0) is None
    assert day_after(NOW, -1e12, 1.0) is None
    assert day_after(NOW, float("inf"), 1.0) is None
    assert day_after(NOW, 0.0, 0.0) == NOW
    assert day_after(NOW, 5.0, 0.0) is None


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 100_000), st.integers(2, 30))
def test_ends_are_ordered_and_days_invert_distances(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    number = np.sort(rng.choice(1200, n, replace=False))
    km = np.cumsum(rng.uniform(0, 6000, n))
    answer = usage(ago(*number[::-1].tolist()), km, NOW)
    if isinstance(answer, NoAnswer):
        return
    assert 0 <= answer.km_per_day_low <= answer.km_per_day <= answer.km_per_day_high
    day = answer.day_at(answer.distance_now_km + 20 * answer.km_per_day)
    if answer.km_per_day > 0:
        assert day == NOW + timedelta(days=20)

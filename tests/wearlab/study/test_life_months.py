"""The level and rate of a life by month, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from wearlab.errors import InputError
from wearlab.study.life_months import life_months

#: tests on day 100, 300 and 700; 100 km a day
DAYS, KM, LEVEL = [100, 300, 700], [0.0, 20_000.0, 60_000.0], [10.0, 11.0, 15.0]


def test_between_tests_the_level_lies_on_the_line_between_them() -> None:
    level, _ = life_months(DAYS, KM, LEVEL, [50, 100, 200, 300, 500, 700], until=2000)
    assert level == pytest.approx([np.nan, 10.0, 10.5, 11.0, 13.0, 15.0], nan_ok=True)


def test_after_the_last_test_it_rises_with_rate_and_pace_until_the_life_ends() -> None:
    # 0.8 per 10,000 km at 50 km a day: 0.4 in 100 days
    level, rate = life_months(DAYS, KM, LEVEL, [800, 900, 901], until=900, rate=0.8, km_a_day=50.0)
    assert level == pytest.approx([15.4, 15.8, np.nan], nan_ok=True)
    # from day 435 (12.35 at 33,500 km) to day 800 (15.4 at 65,000 km)
    assert rate[0] == pytest.approx((15.4 - 12.35) / 31_500 * 10_000)
    assert np.isnan(rate[2])


def test_a_rate_is_the_net_one_of_the_year_before() -> None:
    _, rate = life_months(DAYS, KM, LEVEL, [200, 279, 280, 700], until=2000)
    # half a year of the life is needed; then 0.5 per 10,000 km, in the last year 1 per 10,000 km
    assert rate == pytest.approx([np.nan, np.nan, 0.5, 1.0], nan_ok=True)


def test_without_rate_or_pace_the_level_stays_and_no_rate_is_told() -> None:
    for rate, pace in ((None, 50.0), (0.8, None), (None, None)):
        level, rates = life_months(DAYS, KM, LEVEL, [700, 800], until=2000, rate=rate, km_a_day=pace)
        assert level == pytest.approx([15.0, 15.0])
        assert rates[0] == pytest.approx(1.0)
        assert np.isnan(rates[1])


def test_a_vehicle_that_stands_tells_no_rate() -> None:
    _, rate = life_months([0, 400], [10_000.0, 10_500.0], [8.0, 8.1], [400], until=500)
    assert np.isnan(rate[0])


def test_one_test_is_a_path_too() -> None:
    level, rate = life_months([10], [500.0], [7.0], [9, 10, 300], until=400, rate=1.0, km_a_day=100.0)
    assert level == pytest.approx([np.nan, 7.0, 9.9], nan_ok=True)
    assert rate[2] == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("days", "km", "level"), [([], [], []), ([1, 1], [0, 1], [2, 3]), ([2, 1], [0, 1], [2, 3]), ([1, 2], [0], [2, 3])]
)
def test_what_is_no_path_is_refused(days: list[float], km: list[float], level: list[float]) -> None:
    with pytest.raises(InputError):
        life_months(days, km, level, [5], until=9)

"""Crossings on the calendar: how two intervals join, and where there is no date."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearlab.forecast.calendar import CalendarForecast, days_to_go, on_calendar
from wearlab.forecast.crossing import Remaining
from wearlab.lives.usage import Usage
from wearlab.records import NoAnswer
from wearlab.wear.line import Crossing

NOW = date(2026, 10, 1)


def pace(middle: float, low: float | None = None, high: float | None = None, *, parked: bool = False) -> Usage:
    return Usage(
        as_of=NOW,
        km_per_day=middle,
        km_per_day_low=middle if low is None else low,
        km_per_day_high=middle if high is None else high,
        distance_now_km=200_000,
        last_day=NOW,
        last_distance_km=200_000,
        parked=parked,
        readings=10,
        basis="no distance in 120 days" if parked else "the last year",
    )


def forecast(low: float, point: float, high: float, usage: Usage | NoAnswer, **options: float) -> CalendarForecast:
    return on_calendar(Crossing(point, low, high, 0.8), 100_000, 250_000, usage, NOW, **options)


def after(days: int) -> date:
    return NOW + timedelta(days=days)


def test_a_sure_pace_only_divides() -> None:
    found = forecast(110_000, 120_000, 140_000, pace(100))
    assert (found.date_p10, found.date_p50, found.date_p90) == (after(100), after(200), after(400))
    odometers = (found.odometer_p10_km, found.odometer_p50_km, found.odometer_p90_km)
    assert odometers == (260_000, 270_000, 290_000)
    assert (found.note, found.no_answer) == ("", None)


def test_a_sure_distance_takes_the_interval_of_the_pace() -> None:
    found = forecast(120_000, 120_000, 120_000, pace(100, 80, 125))
    assert (found.date_p10, found.date_p50, found.date_p90) == (after(160), after(200), after(250))


def test_two_equal_errors_join_as_a_square_root() -> None:
    # both ends differ by a factor e^0.3, together by e^(0.3 sqrt 2): arithmetic of log-normal errors
    factor = math.exp(0.3)
    early, middle, late = days_to_go(
        Remaining(10_000 / factor, 10_000, 10_000 * factor), pace(100, 100 / factor, 100 * factor)
    )
    joint = math.exp(0.3 * math.sqrt(2))
    assert (early, middle, late) == pytest.approx((100 / joint, 100, 100 * joint))


def test_the_joint_interval_covers_what_it_claims_by_simulation() -> None:
    """Normal distance (30 %) and normal pace (20 %), 200,000 draws: between 10 and 90 % points lie 80 %."""
    rng = np.random.default_rng(8)
    z = 1.2815515655  # 90 % point of the normal distribution (tables)
    left = Remaining(10_000 * (1 - 0.3 * z), 10_000, 10_000 * (1 + 0.3 * z))
    early, _, late = days_to_go(left, pace(100, 100 * (1 - 0.2 * z), 100 * (1 + 0.2 * z)))
    days = rng.normal(10_000, 3000, 200_000) / rng.normal(100, 20, 200_000)
    assert 0.78 < np.mean((days > early) & (days < late)) < 0.83
    assert 0.07 < np.mean(days < early) < 0.12


def test_an_open_end_has_no_date() -> None:
    found = forecast(110_000, 120_000, math.inf, pace(100, 80, 125))
    assert found.date_p90 is None
    assert found.odometer_p90_km is None
    assert found.date_p50 == after(200)
    never = forecast(110_000, math.inf, math.inf, pace(100, 80, 125))
    assert (never.date_p50, never.date_p90) == (None, None)
    assert never.date_p10 == after(80)
    assert "does not lead" in never.note


def test_a_crossing_behind_is_told_as_a_day_behind() -> None:
    found = forecast(90_000, 95_000, 105_000, pace(100, 50, 125))
    assert (found.date_p10, found.date_p50, found.date_p90) == (after(-100), after(-50), after(50))
    found = forecast(-math.inf, 80_000, 90_000, pace(100), exposure_first_km=85_000)
    assert (found.date_p10, found.date_p50, found.date_p90) == (after(-150), after(-150), after(-100))


def test_beyond_ten_years_is_no_date() -> None:
    found = forecast(400_000, 900_000, 2_000_000, pace(100, 90, 110))
    assert found.date_p10 is not None
    assert (found.date_p50, found.date_p90) == (None, None)
    assert found.note == "not within 10 years"
    assert found.odometer_p90_km is None


def test_a_parked_vehicle_has_no_middle_date() -> None:
    found = forecast(110_000, 120_000, 140_000, pace(0, 0, 100, parked=True))
    assert found.date_p50 is None
    assert found.date_p10 == after(100)
    assert "parked" in found.note
    assert found.odometer_p50_km == 270_000
    behind = forecast(90_000, 95_000, 99_000, pace(0, 0, 100, parked=True))
    assert behind.date_p50 == NOW


def test_without_usage_there_are_odometers_only() -> None:
    found = forecast(110_000, 120_000, 140_000, NoAnswer("no believable odometer reading"))
    assert (found.date_p10, found.date_p50, found.date_p90) == (None, None, None)
    assert found.odometer_p50_km == 270_000
    assert found.no_dates == "no believable odometer reading"


def test_no_crossing_carries_its_reason() -> None:
    found = on_calendar(NoAnswer("the level moves away from the limit"), 1.0, 1.0, pace(100), NOW)
    assert found == CalendarForecast(no_answer="the level moves away from the limit")
    unknown = on_calendar(Crossing(2.0, 1.0, 3.0, 0.8), math.nan, 1.0, pace(100), NOW)
    assert unknown.no_answer is not None
    assert "not known" in unknown.no_answer
    blind = on_calendar(Crossing(2.0, 1.0, 3.0, 0.8), 0.0, math.nan, pace(100), NOW)
    assert blind.odometer_p50_km is None
    assert blind.date_p50 == NOW


# to the metre: a distance too small for a float says nothing about a vehicle
km = st.floats(-400_000, 4_000_000).map(lambda value: round(value, 3))


@settings(max_examples=300, deadline=None)
@given(
    st.tuples(km | st.just(-math.inf), km, km | st.just(math.inf)).map(sorted),
    st.lists(st.just(0.0) | st.floats(0.01, 600), min_size=3, max_size=3).map(sorted),
    st.sampled_from([1.0, 0.001, 1 / 1.609344]),
)
def test_points_are_ordered_and_the_unit_of_distance_changes_nothing(
    places: list[float], paces: list[float], unit: float
) -> None:
    left, usage = Remaining(*places), pace(paces[1], paces[0], paces[2])
    early, middle, late = days_to_go(left, usage)
    assert early <= middle + 1e-9 + 1e-12 * abs(middle)
    assert middle <= late + 1e-9 + 1e-12 * abs(late)
    scaled = days_to_go(Remaining(*(place * unit for place in places)), pace(*(paces[k] * unit for k in (1, 0, 2))))
    assert scaled == pytest.approx((early, middle, late), rel=1e-6)
    found = forecast(*(100_000 + place for place in places), usage)
    dates = [d for d in (found.date_p10, found.date_p50, found.date_p90) if d is not None]
    assert dates == sorted(dates)
    if found.date_p50 is not None:
        assert found.date_p10 is not None

"""Crossings on the calendar: how distance and pace are averaged, what chances are told, and where there is no date."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearlab.config import Horizons
from wearlab.forecast.calendar import CalendarForecast, on_calendar
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


def forecast(low: float, point: float, high: float, usage: Usage | NoAnswer, **options: object) -> CalendarForecast:
    return on_calendar(Crossing(point, low, high, 0.8), 100_000, 250_000, usage, NOW, **options)  # type: ignore[arg-type]


def after(days: int) -> date:
    return NOW + timedelta(days=days)


def days(day: date | None) -> int:
    assert day is not None
    return (day - NOW).days


def chances(found: CalendarForecast) -> list[float]:
    told = (found.past, found.within_30, found.within_90, found.within_180, found.within_365)
    assert None not in told
    return [float(value) for value in told if value is not None]


def test_a_sure_pace_only_divides() -> None:
    found = forecast(110_000, 120_000, 140_000, pace(100))
    assert (found.date_p10, found.date_p50, found.date_p90) == (after(100), after(200), after(400))
    odometers = (found.odometer_p10_km, found.odometer_p50_km, found.odometer_p90_km)
    assert odometers == pytest.approx((260_000, 270_000, 290_000), abs=1)
    assert (found.note, found.no_answer, found.leaves_first) == ("", None, False)
    # straight in the probit: 10 % at 10,000 km to go, half at 20,000; 15,000 lie half-way between -1.2816 and 0
    assert forecast(110_000, 120_000, 140_000, pace(150 / 3.65 * 10_000 / 15_000 * 1.5)).within_365 == pytest.approx(
        0.26086, abs=2e-4
    )


def test_a_sure_distance_takes_the_interval_of_the_pace() -> None:
    found = forecast(120_000, 120_000, 120_000, pace(100, 80, 125))
    told = [days(day) for day in (found.date_p10, found.date_p50, found.date_p90)]
    assert told == pytest.approx([160, 200, 250], abs=2)


def test_normal_distance_and_pace_by_simulation() -> None:
    """10,000 km to go (sd 2,000), pace log-normal about 100 (log sd 0.2): dates and chances of 400,000 draws."""
    rng = np.random.default_rng(8)
    z = 1.2815515655  # 90 % point of the normal distribution (tables)
    draws = rng.normal(10_000, 2_000, 400_000) / (100 * np.exp(rng.normal(0, 0.2, 400_000)))
    usage = pace(100, 100 * math.exp(-0.2 * z), 100 * math.exp(0.2 * z))
    found = forecast(110_000 - 2_000 * z, 110_000, 110_000 + 2_000 * z, usage)
    points = (found.date_p05, found.date_p10, found.date_p50, found.date_p90, found.date_p95)
    expected = np.quantile(draws, (0.05, 0.1, 0.5, 0.9, 0.95))
    # half a day of rounding, and what the nodes leave
    assert [days(day) for day in points] == pytest.approx(expected, abs=1.5)
    error = 4 * math.sqrt(0.25 / 400_000)
    for told, day in zip(chances(found), (0, 30, 90, 180, 365), strict=True):
        assert told == pytest.approx(float(np.mean(draws <= day)), abs=error + 2e-3)


def test_horizons_and_the_next_visit_have_their_chances() -> None:
    found = forecast(
        110_000, 120_000, 130_000, pace(100), horizons=Horizons(book_days=90, watch_days=300), next_visit=after(100)
    )
    assert found.book_chance == found.within_90
    assert found.watch_chance == pytest.approx(0.9, abs=1e-4)
    assert (found.next_visit, found.before_visit) == (after(100), pytest.approx(0.1, abs=1e-4))
    assert forecast(110_000, 120_000, 130_000, pace(100), reading_past=0.3).next_reading_past == 0.3


def test_an_open_end_has_no_date() -> None:
    found = forecast(110_000, 120_000, math.inf, pace(100, 80, 125))
    assert found.date_p90 is None
    assert found.odometer_p90_km is None
    assert days(found.date_p50) == pytest.approx(200, abs=3)
    never = forecast(110_000, math.inf, math.inf, pace(100, 80, 125))
    assert (never.date_p50, never.date_p90) == (None, None)
    assert never.note == "the trend does not lead to the limit"
    # that it is passed at all stays below one in two, as the line says
    assert chances(never)[-1] < 0.5


def test_what_is_passed_is_told_as_a_day_behind_and_nothing_else_is() -> None:
    found = forecast(90_000, 95_000, 105_000, pace(100, 50, 125))
    assert (found.date_p10, found.date_p50) == (after(-100), after(-50))
    assert found.past == pytest.approx(0.739, abs=2e-3)  # half-way from 0 to 1.2816
    assert days(found.date_p90) > 0
    found = forecast(-math.inf, 80_000, 90_000, pace(100), exposure_first_km=85_000)
    assert (found.date_p10, found.date_p50, found.date_p90) == (after(-150), after(-150), after(-100))
    ahead = forecast(100_500, 120_000, 140_000, pace(100, 80, 125))
    assert ahead.past is not None
    assert 0.05 < ahead.past < 0.1
    assert ahead.date_p05 is not None
    assert ahead.date_p05 <= NOW < (ahead.date_p10 or NOW)


def test_a_gap_since_the_last_reading_makes_today_uncertain() -> None:
    """200 days without a reading at 100 km a day: 20,000 km more or less; the limit lies 20,000 km on."""
    usage = replace(pace(100, 80, 125), last_day=after(-200), last_distance_km=180_000.0)
    found = forecast(100_000, 100_000, 100_000, usage)
    assert found.past == pytest.approx(0.5, abs=0.01)
    assert found.date_p10 is not None
    assert found.date_p90 is not None
    assert days(found.date_p10) == pytest.approx(-40, abs=2)
    assert days(found.date_p90) == pytest.approx(50, abs=3)


def test_beyond_ten_years_is_no_date() -> None:
    found = forecast(400_000, 900_000, 2_000_000, pace(100, 90, 110))
    assert found.date_p10 is not None
    assert (found.date_p50, found.date_p90) == (None, None)
    assert found.note == "not within 10 years"
    assert found.odometer_p90_km is None


def test_a_parked_vehicle_passes_nothing_more() -> None:
    found = forecast(110_000, 120_000, 140_000, pace(0, 0, 100, parked=True))
    assert (found.date_p10, found.date_p50) == (None, None)
    assert found.note == "the vehicle is parked (no distance in 120 days)"
    assert found.odometer_p50_km == pytest.approx(270_000, abs=1)
    assert len(set(chances(found))) == 1
    behind = forecast(90_000, 95_000, 99_000, pace(0, 0, 100, parked=True))
    assert behind.date_p50 == NOW


def test_a_vehicle_that_leaves_first_says_so() -> None:
    stays = forecast(110_000, 120_000, 140_000, pace(100), leaves_on=after(300))
    assert (stays.note, stays.leaves_first) == ("", False)
    leaves = forecast(110_000, 120_000, 140_000, pace(100), leaves_on=after(150))
    assert leaves.leaves_first
    assert leaves.note == f"the vehicle leaves on {after(150).isoformat()}, before the middle date"
    assert leaves.date_p50 == after(200)


def test_without_usage_there_are_odometers_only() -> None:
    found = forecast(110_000, 120_000, 140_000, NoAnswer("no believable odometer reading"))
    assert (found.date_p10, found.date_p50, found.date_p90, found.within_90) == (None, None, None, None)
    assert found.odometer_p50_km == pytest.approx(270_000, abs=1)
    assert found.no_dates == "no believable odometer reading"
    assert found.past is not None
    assert found.past < 0.01


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
km = st.floats(-100_000, 2_000_000).map(lambda value: round(value, 3))


@settings(max_examples=60, deadline=None)
@given(
    st.tuples(km, km, km | st.just(math.inf)).map(sorted),
    st.lists(st.floats(5, 600), min_size=3, max_size=3).map(sorted),
    st.sampled_from([0.001, 1 / 1.609344]),
    st.floats(0, 50_000),
)
def test_chances_rise_points_are_ordered_and_the_unit_of_distance_changes_nothing(
    places: list[float], paces: list[float], unit: float, worn: float
) -> None:
    usage = pace(paces[1], paces[0], paces[2])
    low, point, high = (100_000 + place for place in places)
    found = forecast(low, point, high, usage)
    told = chances(found)
    assert all(0 <= a <= b <= 1 for a, b in pairwise(told))
    points = (found.date_p05, found.date_p10, found.date_p50, found.date_p90, found.date_p95)
    dates = [day for day in points if day is not None]
    assert dates == sorted(dates)
    # what has no date has only later points after it
    assert list(points[: len(dates)]) == dates
    sooner = forecast(low - worn, point - worn, high - worn, usage)
    for more, less in zip(chances(sooner), told, strict=True):
        assert more >= less - 2e-3
    small = replace(
        usage,
        km_per_day=usage.km_per_day * unit,
        km_per_day_low=usage.km_per_day_low * unit,
        km_per_day_high=usage.km_per_day_high * unit,
    )
    other = on_calendar(
        Crossing(point * unit, low * unit, high * unit, 0.8), 100_000 * unit, 250_000 * unit, small, NOW
    )
    assert chances(other) == pytest.approx(told, abs=1e-6)
    for a, b in zip(
        points, (other.date_p05, other.date_p10, other.date_p50, other.date_p90, other.date_p95), strict=True
    ):
        assert (a is None) == (b is None) or max(a or NOW, b or NOW) > after(3640)
        if a is not None and b is not None:
            assert abs((a - b).days) <= 1

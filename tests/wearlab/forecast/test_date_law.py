"""Chances between the dates of a forecast, against the law that the dates come from."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import invgauss

from wearlab.forecast.calendar import CalendarForecast
from wearlab.forecast.date_law import DateLaw, law_of

NOW = date(2026, 10, 31)


def after(days: float) -> date:
    return NOW + timedelta(days=round(days))


def told(**points: object) -> CalendarForecast:
    return CalendarForecast(**points)  # type: ignore[arg-type]


def law(forecast: CalendarForecast) -> DateLaw:
    found = law_of(forecast, NOW)
    assert found is not None
    return found


def test_the_points_are_given_back() -> None:
    found = law(told(date_p10=after(100), date_p50=after(300), date_p90=after(700), past=0.01, within_30=0.02))
    for day, chance in ((0, 0.01), (30, 0.02), (100, 0.1), (300, 0.5), (700, 0.9)):
        assert found.chance_by(after(day)) == chance
        assert found.day_at(chance) == after(day)


@pytest.mark.parametrize("mean", [200, 900, 4000])
@pytest.mark.parametrize("shape", [0.05, 0.35, 0.8])
def test_between_the_points_it_follows_a_passage_law(mean: float, shape: float) -> None:
    """An inverse Gaussian passage (scipy's) told by its five dates and four chances, read back at other days."""
    passage = invgauss(mu=shape, scale=mean / shape)
    dates = {f"date_p{p:02}": after(passage.ppf(p / 100)) for p in (5, 10, 50, 90, 95)}
    chances = {f"within_{days}": float(passage.cdf(days)) for days in (30, 90, 180, 365)}
    found = law(told(**dates, **chances, past=0.0))
    for chance in (0.07, 0.2, 0.3, 0.4, 0.6, 0.7, 0.8, 0.93):
        day = after(passage.ppf(chance))
        # a day is rounded to, and a narrow law is steep
        assert found.chance_by(day) == pytest.approx(chance, abs=0.03 + passage.pdf(passage.ppf(chance)))
        back = found.day_at(chance)
        assert back is not None
        assert passage.cdf((back - NOW).days) == pytest.approx(chance, abs=0.03 + passage.pdf(passage.ppf(chance)))


def test_without_a_chance_of_today_nothing_is_past_yet() -> None:
    found = law(told(date_p10=after(200)))
    assert found.chance_by(NOW) < 0.001
    assert found.chance_by(after(100)) < 0.1
    assert found.day_at(0.5) is None


def test_a_crossing_behind_is_told_from_its_own_day_on() -> None:
    found = law(told(date_p10=after(-300), date_p50=after(-100), date_p90=after(200)))
    assert found.chance_by(after(-400)) == 0.0
    assert 0.5 < found.chance_by(NOW) < 0.9
    assert found.day_at(0.1) == after(-300)
    assert found.day_at(0.05) == after(-300)


def test_a_planned_visit_is_a_point() -> None:
    found = law(told(past=0.0, next_visit=after(50), before_visit=0.3, within_90=0.4))
    assert found.chance_by(after(50)) == 0.3


def test_nothing_told_is_no_law() -> None:
    assert law_of(CalendarForecast(no_answer="the level moves away"), NOW) is None


points = st.lists(st.integers(-500, 4000).map(after), min_size=5, max_size=5).map(sorted)
some = st.lists(st.floats(0, 1), min_size=5, max_size=5).map(sorted)


@given(points, some, st.lists(st.integers(-600, 4500), min_size=2, max_size=6))
def test_a_law_rises_from_0_to_at_most_1(days: list[date], chances: list[float], asked: list[int]) -> None:
    names = ("past", "within_30", "within_90", "within_180", "within_365")
    dates = dict(zip(("date_p05", "date_p10", "date_p50", "date_p90", "date_p95"), days, strict=True))
    found = law(told(**dates, **dict(zip(names, chances, strict=True))))
    read = [found.chance_by(after(day)) for day in sorted(asked)]
    assert read == sorted(read)
    assert 0 <= read[0] <= read[-1] <= 1

"""The straight line: intervals, Fieller's crossing, and when there is none."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import brentq

from wearlab.errors import InputError
from wearlab.records import NoAnswer
from wearlab.wear.line import Crossing, Direction, LineFit, fit_line
from wearlab.wear.lines import fit_lines

REFERENCE = Path(__file__).parents[2] / "reference"


def line(x: object, y: object, resolution: float = 0.0) -> LineFit:
    fit = fit_line(x, y, resolution=resolution)  # type: ignore[arg-type]
    assert isinstance(fit, LineFit)
    return fit


def crossed(fit: LineFit, limit: float, direction: Direction, coverage: float = 0.9) -> Crossing:
    answer = fit.crossing(limit, direction, coverage)
    assert isinstance(answer, Crossing)
    return answer


def laser(unit: int, until: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    rows = (REFERENCE / "gaas_laser.csv").read_text("utf-8").splitlines()
    data = np.genfromtxt([row for row in rows if not row.startswith("#")], delimiter=",", names=True)
    chosen = (data["unit"] == unit) & (data["time"] <= until)
    return data["time"][chosen], data["value"][chosen]


def test_norris_to_nine_digits() -> None:
    rows = (REFERENCE / "nist_norris.csv").read_text("utf-8").splitlines()
    data = np.genfromtxt([row for row in rows if not row.startswith("#")], delimiter=",", names=True)
    fit = line(data["x"], data["y"])
    # NIST StRD, Norris, certified values
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert fit.intercept_sd == pytest.approx(0.232818234301152, rel=1e-9)
    assert fit.slope_sd == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)


def test_crossing_of_the_laser_unit() -> None:
    """Unit 110 up to 1500 h: two independent routes (quadratic, band equations) gave these figures."""
    fit = line(*laser(110, 1500))
    assert fit.intercept == pytest.approx(-0.11085714, abs=5e-9)
    assert fit.slope == pytest.approx(0.00312183, abs=5e-9)
    assert fit.residual_sd**2 == pytest.approx(0.02181785, abs=5e-9)
    found = crossed(fit, 10, "above")
    assert found.point == pytest.approx(3238.7612, abs=5e-5)
    assert found.low == pytest.approx(3067.8666, abs=5e-5)
    assert found.high == pytest.approx(3435.6455, abs=5e-5)
    # observed later, by interpolation of the next readings
    assert found.low < 3374.44 < found.high


def test_a_falling_measure_crosses_its_limit_from_above() -> None:
    time, value = laser(110, 1500)
    fit = line(time, 1600 - 20 * value)
    found = crossed(fit, 1400, "below")
    assert (found.point, found.low, found.high) == pytest.approx((3238.7612, 3067.8666, 3435.6455), abs=5e-5)
    answer = fit.crossing(1700, "above")
    assert isinstance(answer, NoAnswer)
    assert "moves away" in answer.reason


def test_level_and_next_reading_against_the_textbook_example() -> None:
    # five points worked by hand: sxx 10, slope 0.6, intercept 2.2, rss 2.4, s^2 0.8
    # t(0.95; 3) = 2.353363 (tables)
    fit = line([1, 2, 3, 4, 5], [2, 4, 5, 4, 5])
    assert (fit.slope, fit.intercept, fit.residual_sd**2) == pytest.approx((0.6, 2.2, 0.8))
    level = fit.level(5, 0.9)
    reach = 2.353363 * math.sqrt(0.8 * (1 / 5 + 4 / 10))
    assert (level.low, level.point, level.high) == pytest.approx((5.2 - reach, 5.2, 5.2 + reach), rel=1e-6)
    reading = fit.next_reading(5, 0.9, resolution=1.2)
    reach = 2.353363 * math.sqrt(0.8 * (1 + 1 / 5 + 4 / 10) + 1.44 / 12)
    assert (reading.low, reading.high) == pytest.approx((5.2 - reach, 5.2 + reach), rel=1e-6)
    middle, low, high = fit.band([1.0, 5.0])
    assert (low[1], middle[1], high[1]) == pytest.approx((level.low, level.point, level.high))
    slope = fit.slope_interval(0.9)
    assert slope.high - slope.low == pytest.approx(2 * 2.353363 * math.sqrt(0.08), rel=1e-6)


def test_intercept_and_slope_covary_against_numpy() -> None:
    rng = np.random.default_rng(5)
    x = rng.uniform(50, 90, 20)
    y = 3 + 0.2 * x + rng.normal(0, 1, 20)
    fit = line(x, y)
    _, covariance = np.polyfit(x, y, 1, cov=True)  # independent route: numpy
    assert fit.covariance == pytest.approx(covariance[0, 1], rel=1e-8)
    assert fit.slope_sd**2 == pytest.approx(covariance[0, 0], rel=1e-8)
    assert fit.intercept_sd**2 == pytest.approx(covariance[1, 1], rel=1e-8)


def test_readings_equal_to_the_graduation_keep_its_error() -> None:
    fit = line([0, 1, 2, 3], [20, 20, 20, 20], resolution=1.0)
    assert fit.residual_sd == pytest.approx(1 / math.sqrt(12))
    found = crossed(fit, 30, "above")
    assert found.point == math.inf
    assert 3 < found.low < math.inf


def test_weak_slope_gives_an_early_bound_and_no_late_one() -> None:
    fit = line([0, 10, 20, 30, 40], [10, 12, 9, 13, 11])
    assert abs(fit.slope) < 2 * fit.slope_sd
    found = crossed(fit, 25, "above")
    assert math.isfinite(found.low)
    assert found.high == math.inf
    assert found.low > 40
    # the early bound is where the upper edge of the level's interval meets the limit
    edge = brentq(lambda x: fit.level(x, 0.9).high - 25, 40, 10_000)
    assert found.low == pytest.approx(edge, rel=1e-9)


def test_weak_slope_past_the_limit_has_a_late_bound_only() -> None:
    fit = line([0, 10, 20, 30, 40], [40, 42, 39, 43, 41])
    found = crossed(fit, 25, "above")
    assert found.low == -math.inf
    assert found.high < 0


def test_level_and_slope_both_unclear_is_no_answer() -> None:
    fit = line([0, 10, 20, 30], [10, 14, 9, 13])
    answer = fit.crossing(11.5, "above")
    assert isinstance(answer, NoAnswer)
    assert "neither" in answer.reason


@pytest.mark.parametrize(
    ("x", "y", "words"),
    [
        ([], [], "there are 0"),
        ([1], [2], "there is 1"),
        ([1, 2], [2, 3], "there are 2"),
        ([4, 4, 4], [1, 2, 3], "same distance"),
        ([1, 2, math.nan], [1, 2, 3], "finite"),
        ([1, 2, 3], [1, math.inf, 3], "finite"),
    ],
)
def test_no_line_has_its_reason(x: list[float], y: list[float], words: str) -> None:
    answer = fit_line(x, y)
    assert isinstance(answer, NoAnswer)
    assert words in answer.reason


def test_all_readings_equal_without_a_graduation() -> None:
    answer = line([1, 2, 3], [5, 5, 5]).crossing(9, "above")
    assert isinstance(answer, NoAnswer)
    assert "equal" in answer.reason


def test_impossible_options_are_errors() -> None:
    with pytest.raises(InputError, match="coverage"):
        line([1, 2, 3], [1, 2, 4]).level(2, 1.0)
    with pytest.raises(InputError, match="resolution"):
        fit_line([1, 2, 3], [1, 2, 4], resolution=-1)
    with pytest.raises(InputError, match="one length"):
        fit_line([1, 2, 3], [1, 2])


def test_coverage_of_the_crossing_by_simulation() -> None:
    """At 80 % about four of five intervals hold the true crossing (4000 lines: standard error 0.6 %)."""
    rng = np.random.default_rng(20261)
    x = np.linspace(0, 60, 6)
    inside = 0
    for _ in range(4000):
        fit = line(x, 10 + 0.25 * x + rng.normal(0, 1.0, 6))
        found = fit.crossing(30, "above", 0.8)
        inside += isinstance(found, Crossing) and found.low <= 80 <= found.high
    assert 0.78 < inside / 4000 < 0.82


numbers = st.floats(-1e3, 1e3, allow_nan=False).map(lambda value: round(value, 3))
lines_of_points = st.lists(st.tuples(numbers, numbers), min_size=3, max_size=12)


@settings(max_examples=300, deadline=None)
@given(lines_of_points, numbers, st.sampled_from(["above", "below"]), st.sampled_from([0.5, 0.8, 0.9, 0.99]))
def test_the_interval_holds_the_point_and_the_level_meets_the_limit_there(
    pairs: list[tuple[float, float]], limit: float, direction: Direction, coverage: float
) -> None:
    x, y = zip(*pairs, strict=True)
    fit = fit_line(x, y)
    assume(isinstance(fit, LineFit))
    assert isinstance(fit, LineFit)
    found = fit.crossing(limit, direction, coverage)
    if isinstance(found, NoAnswer):
        return
    assert found.low <= found.point <= found.high
    assert math.isfinite(found.low) or math.isfinite(found.high)
    for edge in (found.low, found.high):
        if math.isfinite(edge) and abs(edge) < 1e6 and fit.residual_sd > 1e-3:
            level = fit.level(edge, coverage)
            width = level.high - level.low
            assert min(abs(level.low - limit), abs(level.high - limit)) <= 1e-6 * (width + abs(limit) + 1)
    wider = fit.crossing(limit, direction, coverage + (1 - coverage) / 2)
    if isinstance(wider, Crossing):
        assert wider.low <= found.low or wider.low == pytest.approx(found.low, rel=1e-9, abs=1e-9)
        assert wider.high >= found.high or wider.high == pytest.approx(found.high, rel=1e-9, abs=1e-9)


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([0.001, 1000.0, 1 / 1.609344]), st.integers(3, 9))
def test_unit_of_distance_changes_nothing(seed: int, factor: float, n: int) -> None:
    rng = np.random.default_rng(seed)
    x = rng.uniform(0, 300_000, n)
    y = 20 + 5e-5 * x + rng.normal(0, 2, n)
    here = line(x, y).crossing(40, "above", 0.8)
    there = line(x * factor, y).crossing(40, "above", 0.8)
    assert type(here) is type(there)
    if isinstance(here, Crossing) and isinstance(there, Crossing):
        ends = (here.low, here.point, here.high)
        assert (there.low, there.point, there.high) == pytest.approx([v * factor for v in ends], rel=1e-6)


def test_many_lines_at_once_are_the_same_lines() -> None:
    rng = np.random.default_rng(11)
    sizes = rng.integers(0, 9, 200)
    group = np.repeat(np.arange(200), sizes)
    order = rng.permutation(group.size)
    x, y = rng.uniform(0, 3e5, group.size), rng.normal(30, 4, group.size)
    x[group == 7] = 1234.5
    y[np.flatnonzero(group == 9)[:1]] = np.nan
    resolution = rng.choice([0.0, 1.0, 20.0], 200)
    many = fit_lines(x[order], y[order], group[order], groups=200, resolution=resolution)
    assert len(many) == 200
    kinds = set()
    for number in range(200):
        mine = group == number
        alone = fit_line(x[mine], y[mine], resolution=resolution[number])
        together = many.line(number)
        kinds.add(type(alone))
        if isinstance(alone, NoAnswer):
            assert alone == together
            assert np.isnan(many.slope[number])
            continue
        assert isinstance(together, LineFit)
        for name in LineFit.__dataclass_fields__:
            assert getattr(together, name) == pytest.approx(getattr(alone, name), rel=1e-9), name
        assert (many.slope[number], many.residual_sd[number], many.intercept[number]) == pytest.approx(
            (alone.slope, alone.residual_sd, alone.intercept), rel=1e-9
        )
    assert kinds == {LineFit, NoAnswer}


def test_many_lines_refuse_groups_that_do_not_fit() -> None:
    with pytest.raises(InputError, match="its group"):
        fit_lines([1, 2], [1, 2], [0])
    with pytest.raises(InputError, match="outside 0 to 0"):
        fit_lines([1, 2], [1, 2], [0, 1], groups=1)
    assert len(fit_lines([], [], [])) == 0

"""The crossing as exposure."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr

from studies.hindsight import TrueLaw, TrueMixture
from wearlab.forecast.crossing import exposure_crossing
from wearlab.forecast.passage import passage
from wearlab.records import NoAnswer
from wearlab.wear.line import Crossing, LineFit, fit_line
from wearlab.wear.scale import STRAIGHT

REFERENCE = Path(__file__).parents[2] / "reference"


def laser_line() -> LineFit:
    rows = (REFERENCE / "gaas_laser.csv").read_text("utf-8").splitlines()
    data = np.genfromtxt([row for row in rows if not row.startswith("#")], delimiter=",", names=True)
    chosen = (data["unit"] == 110) & (data["time"] <= 1500)
    fit = fit_line(data["time"][chosen], data["value"][chosen])
    assert isinstance(fit, LineFit)
    return fit


def test_the_laser_unit_crosses_where_the_outside_value_says() -> None:
    found = exposure_crossing(laser_line(), 10.0, "above")
    assert isinstance(found, Crossing)
    assert found.point == pytest.approx(3238.7612, abs=5e-5)
    # 10 and 90 % points lie inside the published 90 % interval, and the later observed crossing inside them
    assert 3067.8666 < found.low < found.point < 3374.44 < found.high < 3435.6455
    # at 80 % by the roots of (a + b t - 10)^2 = t(0.9)^2 var(a + b t), Student's 90 % point 1.475884
    x = np.arange(0.0, 1501.0, 250.0)
    for end in (found.low, found.high):
        spread = 0.02181785 * (1 / x.size + (end - x.mean()) ** 2 / ((x - x.mean()) ** 2).sum())
        assert abs(-0.11085714 + 0.00312183 * end - 10.0) == pytest.approx(1.475884 * np.sqrt(spread), rel=1e-3)


def test_without_diffusion_the_passage_is_the_crossing_of_the_line() -> None:
    """Level and rate at the last reading are jointly normal, as least squares tells them: the passage has Fieller's
    ends where its chance is that of Student's 90 % point, 2.015048 with 5 degrees of freedom."""
    x, unit = np.arange(0.0, 1501.0, 250.0), 1500.0
    intercept, slope, variance = -0.11085714, 0.00312183, 0.02181785  # as published
    away, square = unit - x.mean(), float(((x - x.mean()) ** 2).sum())
    one = np.ones(1)
    part = TrueLaw(
        weight=1.0, scale=STRAIGHT, level=(intercept + unit * slope) * one, rate=unit * slope * one,
        var_level=variance * (1 / x.size + away**2 / square) * one, var_rate=variance / square * unit**2 * one,
        cov=variance * away / square * unit * one, path_variance=0.0, position=one, unit_exposure=unit * one, gamma=one,
    )  # fmt: skip
    chances = tuple(float(value) for value in ndtr([-2.015048, 0.0, 2.015048]))
    told = passage(TrueMixture((part,)), np.array([0]), [10.0], [1.0], unit * one, chances).quantiles[:, 0]
    assert told == pytest.approx([3067.8666, 3238.7612, 3435.6455], rel=1e-4)


def test_what_is_missing_is_said() -> None:
    no_limit = exposure_crossing(laser_line(), None, "above")
    assert isinstance(no_limit, NoAnswer)
    assert "no limit" in no_limit.reason
    reason = NoAnswer("a line needs at least 3 readings, there is 1")
    assert exposure_crossing(reason, 10.0, "above") is reason

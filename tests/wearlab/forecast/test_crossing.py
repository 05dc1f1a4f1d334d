"""The crossing as exposure."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from wearlab.forecast.crossing import exposure_crossing
from wearlab.records import NoAnswer
from wearlab.wear.line import Crossing, LineFit, fit_line

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


def test_what_is_missing_is_said() -> None:
    no_limit = exposure_crossing(laser_line(), None, "above")
    assert isinstance(no_limit, NoAnswer)
    assert "no limit" in no_limit.reason
    reason = NoAnswer("a line needs at least 3 readings, there is 1")
    assert exposure_crossing(reason, 10.0, "above") is reason

"""Sizes of causes in the unit of the readings, from the definition of the working scales."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from wearlab.control.cause_size import NORMAL_90, Foretold
from wearlab.control.episodes import Cause
from wearlab.records import NoAnswer
from wearlab.wear import fit_group
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT, WorkingScale

LOGARITHM = WorkingScale(0.0)


@cache
def foretold(scale: WorkingScale) -> Foretold:
    found = fit_group(simulated_fleet(5, vehicles=12, parts=3, visits=5).data, scales=(scale,), average=False)
    assert not isinstance(found, NoAnswer)
    return Foretold.of(found.best)


def cause(told: Foretold, kind: str, size: float, sd: float = 0.02) -> Cause:
    life = told.fit.design.blocks.life
    place = int(np.flatnonzero(life == life[0])[3])
    return Cause(kind, -1 if kind in ("visit", "vehicle") else int(life[0]), place, place, place, size / sd, size, sd)


def test_on_the_logarithm_a_size_is_a_factor_on_every_reading() -> None:
    told = foretold(LOGARITHM)
    for kind in ("reading", "step", "visit", "vehicle"):
        found = told.measured(cause(told, kind, 0.2))
        assert found.percent == pytest.approx(100 * (np.exp(0.2) - 1), rel=1e-9)
        assert found.percent_low == pytest.approx(100 * (np.exp(0.2 - NORMAL_90 * 0.02) - 1), rel=1e-9)
        assert found.low < found.size < found.high


def test_on_a_straight_line_a_size_is_itself() -> None:
    told = foretold(STRAIGHT)
    found = told.measured(cause(told, "step", -1.5, sd=0.5))
    assert found.size == pytest.approx(-1.5, rel=1e-9)
    assert (found.low, found.high) == pytest.approx((-1.5 - NORMAL_90 * 0.5, -1.5 + NORMAL_90 * 0.5), rel=1e-9)


def test_faster_wear_is_told_over_exposure_and_beside_the_usual_rate() -> None:
    told = foretold(STRAIGHT)
    fit = told.fit
    usual = float(fit.fixed.estimate[fit.fixed.names.index("rate")])  # per unit of exposure as given
    over = fit.design.data.source.rate_over
    # as much again as the usual rate, put per working exposure 1, which is one span
    found = told.measured(cause(told, "wear", usual * fit.design.span, sd=0.1))
    assert found.size == pytest.approx(usual * over, rel=1e-9)
    assert found.percent == pytest.approx(100.0, rel=1e-9)


def test_a_whole_visit_is_told_over_all_its_parts_and_a_step_over_its_part_alone() -> None:
    told = foretold(STRAIGHT)
    data, life = told.fit.design.data, told.fit.design.blocks.life
    one = told.rows_of(cause(told, "step", 1.0))
    whole = told.rows_of(cause(told, "visit", 1.0))
    assert np.unique(life[one]).size == 1
    assert np.unique(life[whole]).size == 3
    assert np.unique(data.visit[whole]).tolist() == np.unique(data.visit[one]).tolist()


def test_where_no_reading_has_the_expected_value_a_rate_has_no_size() -> None:
    told = foretold(WorkingScale(-1.0))
    # on the reciprocal every value is below 0: 0 is that of an endless reading
    found = replace(told, expected=np.zeros_like(told.expected)).measured(cause(told, "wear", 0.1))
    assert np.isnan(found.size)
    assert np.isnan(found.low)

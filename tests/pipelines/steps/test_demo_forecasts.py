"""Forecasts of the demo fleet beside the levels, rates and crossings that its generator wrote down.

The generator lets every part wear in proportion to its level, and plants fast parts, a drifting rig, bad fuel and
mistyped figures. Which scale wear runs straight on is for the model to find out.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from conftest import DEMO_DAY, ROOT
from wearlab.store.database import open_database

NOW = date.fromisoformat(DEMO_DAY)
#: dates further ahead than this are not told
FAR = date(NOW.year + 10, NOW.month, NOW.day)
NEVER = date.max
IDLE, RISE = ("return_flow", "warm idle"), ("pump_rise", "closed volume 20 ml, to 1000 bar")


@dataclass(frozen=True)
class Told:
    """One forecast of the wear model and the truth of its part."""

    row: dict[str, Any]
    level: float
    rate: float
    crossed: date

    def holds(self, name: str, true: float) -> bool:
        return bool(self.row[f"{name}_low"] <= true <= self.row[f"{name}_high"])

    def holds_crossing(self, early: str, late: str) -> bool:
        """A crossing before the last test is told as passed by then; an end that is not told lies beyond ten years."""
        met = max(self.crossed, self.row["last_test"])
        return (self.row[early] or FAR) <= met <= (self.row[late] or NEVER)


@pytest.fixture(scope="module")
def told(demo_home: Path) -> dict[tuple[str, str], list[Told]]:
    with (ROOT / "datasets_demo" / "truth.csv").open(encoding="utf-8", newline="") as file:
        lives = {
            (row["vehicle"], row["position"], row["measure"]): row
            for row in csv.DictReader(file)
            if row["kind"] == "life" and row["date"] == DEMO_DAY
        }
    with open_database(demo_home / "wearlab.duckdb", read_only=True) as db:
        rows = db.records(
            "SELECT * FROM forecast WHERE run_id = (SELECT max(run_id) FROM run WHERE step = ? AND as_of = ?) "
            "AND method <> 'line' AND \"limit\" IS NOT NULL AND rate IS NOT NULL",
            ["learn", NOW],
        )
    found: dict[tuple[str, str], list[Told]] = {}
    for row in rows:
        true = lives[row["vehicle"], row["position"], row["measure"]]
        assert row["limit"] == float(true["limit"])
        crossed = date.fromisoformat(true["crossed_on"]) if true["crossed_on"] else NEVER
        one = Told(row, float(true["level"]), float(true["slope_per_10000_km"]), crossed if crossed < FAR else NEVER)
        found.setdefault((row["measure"], row["protocol"]), []).append(one)
    assert (len(found[IDLE]), len(found[RISE])) == (288, 60)
    return found


def within(share: float, found: Sequence[Told], held: Callable[[Told], bool]) -> None:
    """The share that held agrees with the one told."""
    between(share, share, found, held)


def between(least: float, most: float, found: Sequence[Told], held: Callable[[Told], bool]) -> None:
    """The share that held agrees with bounds, to two standard errors: the demo is one draw and always the same.

    Parts of one vehicle share its use and its visits, so that vehicles are counted, and not parts.
    """
    vehicles = len({one.row["vehicle"] for one in found})
    share = np.mean([held(one) for one in found])
    assert share >= least - 2 * np.sqrt(least * (1 - least) / vehicles)
    assert share <= most + 2 * np.sqrt(most * (1 - most) / vehicles)


@pytest.mark.parametrize("group", [IDLE, RISE])
def test_levels_and_rates_hold_nine_in_ten(told: dict[tuple[str, str], list[Told]], group: tuple[str, str]) -> None:
    within(0.9, told[group], lambda one: one.holds("level", one.level))
    within(0.9, told[group], lambda one: one.holds("rate", one.rate))


@pytest.mark.parametrize(("share", "early", "late"), [(0.8, "date_p10", "date_p90"), (0.9, "date_p05", "date_p95")])
def test_crossings_within_ten_years_lie_in_their_intervals(
    told: dict[tuple[str, str], list[Told]], share: float, early: str, late: str
) -> None:
    idle = [one for one in told[IDLE] if one.crossed < FAR]
    rise = [one for one in told[RISE] if one.crossed < FAR]
    assert len(idle) > 200
    assert len(rise) > 20
    # Looked at are crossings that did come within ten years. Of a law that gives P to that and a tail t to either end,
    # they hold with s / P where the late end is told (P from 1 - t to 1), else with 1 - t / P: at most s / (1 - t).
    most = share / (1 - (1 - share) / 2)
    for group in (idle, rise):
        between(share, most, group, lambda one: one.holds_crossing(early, late))
    # near ones are what is acted on; there are few of them
    near = [one for one in idle if one.crossed <= NOW + timedelta(days=3 * 365)]
    assert len(near) >= 15
    within(share, near, lambda one: one.holds_crossing(early, late))


def test_an_interval_that_ends_does_not_end_before_a_crossing_that_never_comes(
    told: dict[tuple[str, str], list[Told]],
) -> None:
    calm = [one for group in (IDLE, RISE) for one in told[group] if one.crossed == NEVER]
    assert len(calm) > 90
    # the late end is passed by five in a hundred at the most, were all of them to cross right after ten years
    assert sum(one.row["date_p95"] is not None for one in calm) <= 0.05 * len(calm)


@pytest.mark.parametrize(("name", "days"), [("past", 0), ("within_90", 90), ("within_180", 180), ("within_365", 365)])
def test_as_many_cross_as_the_chances_add_up_to(told: dict[tuple[str, str], list[Told]], name: str, days: int) -> None:
    chance = np.array([one.row[name] for one in told[IDLE]])
    came = np.array([one.crossed <= NOW + timedelta(days=days) for one in told[IDLE]])
    assert came.sum() >= 4
    assert abs(came.sum() - chance.sum()) <= 2 * np.sqrt((chance * (1 - chance)).sum())
    # and they are the ones that were given a chance
    assert chance[came].mean() > 30 * chance[~came].mean()
    assert chance[came].min() > 0.01


def test_nothing_steady_crosses_within_the_year(told: dict[tuple[str, str], list[Told]]) -> None:
    calm = [one for group in (IDLE, RISE) for one in told[group] if one.row["state"] == "steady"]
    assert len(calm) > 250
    for one in calm:
        assert one.crossed > NOW + timedelta(days=365), one.row

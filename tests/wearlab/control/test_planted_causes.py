"""Planted causes are found nearly as often as they can be, and rightly named two visits later.

The wide study is `studies/planted_causes.py`, its table `docs/studies/planted_causes.csv`; here its verdicts are judged
and a few of its rows are made again.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from studies.coverage import TRUE
from studies.planted_causes import Before, best_z, fitted, judged
from studies.planted_fleets import KINDS, RATE, Planted, fleet, planted
from studies.planted_table import Row, Summary, read, summary
from wearlab.control import episodes as episodes_module
from wearlab.control.episodes import BACKWARDS, Episode, episodes
from wearlab.wear.fleet import simulated_fleet

TABLE = Path(__file__).parents[3] / "docs" / "studies" / "planted_causes.csv"
FLEETS = 200


@cache
def table() -> tuple[Row, ...]:
    return tuple(read(TABLE))


@cache
def verdict(kind: str) -> Summary:
    return summary([row for row in table() if row.kind == kind])


def test_the_table_holds_every_kind_in_every_fleet() -> None:
    assert Counter(row.kind for row in table()) == dict.fromkeys(KINDS, FLEETS)
    assert len({(row.seed, row.kind) for row in table()}) == FLEETS * len(KINDS)


def least(share: float, count: int) -> float:
    """What a share shows at least in so many cases, two standard errors below it."""
    return share - 2 * float(np.sqrt(share * (1 - share) / count))


def detected(kind: str) -> int:
    return round(verdict(kind).detected * FLEETS)


@pytest.mark.parametrize(
    ("kind", "share"),
    [("step", 0.8), ("vehicle", 0.8), ("fast wear", 0.8), ("visit", 0.8), ("reading", 0.9), ("rig", 0.9)],
)
def test_the_right_cause_is_named_first_two_visits_later(kind: str, share: float) -> None:
    found = verdict(kind)
    assert found.right >= least(share, detected(kind))
    assert found.open <= 1 - least(0.75, detected(kind))
    # intervals of 90 %, of those causes alone that happened to pass the limit
    assert found.inside >= 0.8
    assert found.dated >= 0.85


@pytest.mark.parametrize("kind", KINDS)
def test_found_about_as_often_as_by_the_test_that_knows_cause_and_date(kind: str) -> None:
    found = verdict(kind)
    assert found.detected >= least(found.best_same, FLEETS) - 0.05
    assert found.best_own > found.best_same - 1e-9


def test_what_lasts_one_visit_is_found_at_once() -> None:
    assert all(verdict(kind).delays[0] > 0.6 for kind in ("vehicle", "reading", "visit", "rig"))


def test_a_doubled_rate_cannot_be_told_in_two_visits_by_any_test() -> None:
    assert verdict("wear").best_same < 0.1
    assert verdict("wear").best_own < 0.4
    assert verdict("wear").detected < 0.25


def test_a_summary_counts_what_stands_and_is_named() -> None:
    found = Row(1, "step", 50, 900, 3.0, 3.0, 1, 1, 0.0, "step", "wear", 3.5, 1.25, 1, 0)
    other = Row(2, "step", 50, 900, 3.0, 3.0, 1, 1, 2.0, "reading", "", 3.1)
    told = summary([found, other, Row(3, "step", 50, 900, 3.0, 3.0, 1), Row(4, "step", 50, 900, 3.0, 3.0)])
    assert (told.raised, told.detected, told.right, told.open) == (0.75, 0.5, 0.5, 0.5)
    assert (told.inside, told.dated, told.size, told.delays) == (1.0, 0.0, 1.25, (0.5, 0.0, 0.5))
    # expected at the limit, it passes in half of the cases; 3 to 2.326 the other way is 0.75 of a normal law
    assert told.best_same == pytest.approx(0.5, abs=1e-8)
    assert told.best_own == pytest.approx(0.7497, abs=1e-4)


@pytest.mark.parametrize(("seed", "kinds"), [(1003, KINDS), (1150, ("step", "rig"))])
def test_rows_of_the_table_can_be_made_again(seed: int, kinds: tuple[str, ...]) -> None:
    made = fleet(seed)
    before = Before.of(made)
    for kind in kinds:
        old = next(row for row in table() if (row.seed, row.kind) == (seed, kind))
        new = asdict(judged(made, kind, seed, before))
        for name, value in asdict(old).items():
            told = pytest.approx(value, rel=5e-3, nan_ok=True) if isinstance(value, float) else value
            assert new[name] == told, (kind, name)


def dense_best(cause: Planted) -> float:
    """Expected z at the true variances by one dense solve, the fixed effects taken out by projection."""
    data = cause.data
    x, vehicle, part, visit = data.exposure, data.vehicle, data.part, data.visit
    same_vehicle, same_part = vehicle[:, None] == vehicle, part[:, None] == part
    same_visit = same_vehicle & (visit[:, None] == visit)
    product = np.outer(x, x)
    lean = TRUE.correlation * TRUE.part_level * TRUE.part_rate
    k = (
        same_vehicle * (TRUE.vehicle_level**2 + TRUE.vehicle_rate**2 * product)
        + same_part * (TRUE.part_level**2 + TRUE.part_rate**2 * product + lean * (x[:, None] + x))
        + same_part * TRUE.path**2 * np.minimum(x[:, None], x)
        + same_visit * TRUE.visit**2
        + TRUE.error**2 * np.eye(x.size)
    )
    columns = np.column_stack([np.ones(x.size), x / 1e5])
    solved = np.linalg.solve(k, np.column_stack([columns, cause.change]))
    inside, across = columns.T @ solved[:, :2], columns.T @ solved[:, 2]
    return float(np.sqrt(cause.change @ solved[:, 2] - across @ np.linalg.solve(inside, across)))


def test_the_best_test_knows_cause_and_date() -> None:
    data = simulated_fleet(3, vehicles=8, visits=6, rate=RATE, **{**asdict(TRUE), "repeat": 0.0}).data
    own = data.vehicle == 2
    change = np.where(own & (data.visit >= 3) & (data.part == data.part[own].min()), 8.0, 0.0)
    cause = Planted(data, change, 8.0)
    assert best_z(cause, fitted(data)) == pytest.approx(dense_best(cause), rel=1e-6)


def of_the_vehicle(seed: int, limit: float) -> Episode:
    made = fleet(seed)
    cause = planted(made, "step", seed)
    assert cause.size < 0
    fit = fitted(cause.data)
    label = fit.design.data.vehicle_label
    return next(one for one in episodes(fit, limit) if label[one.vehicle] == cause.vehicle)


def test_wear_that_would_run_backwards_is_a_step_down(monkeypatch: pytest.MonkeyPatch) -> None:
    assert BACKWARDS > 0
    assert of_the_vehicle(44, 3.35).causes[0].kind == "step"
    monkeypatch.setattr(episodes_module, "BACKWARDS", 0.0)
    assert of_the_vehicle(44, 3.35).causes[0].kind == "wear"

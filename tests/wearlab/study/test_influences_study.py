"""What goes with wear is found where it was planted, and hardly ever where candidates were shuffled.

The wide study is `studies/influences.py`, its table `docs/studies/influences.csv`; here its verdict is judged and a few
of its rows are made again.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr

from studies.influences import FIRST, PLANTED, Row, read, rows_of
from wearlab.study.influences import CHANCE

TABLE = Path(__file__).parents[3] / "docs" / "studies" / "influences.csv"
FLEETS = 400
#: something may be found where nothing is this many times as often as nominal
MOST = 1.5


@cache
def table() -> tuple[Row, ...]:
    return tuple(read(TABLE))


def of(kind: str, planted: str | None = None) -> list[Row]:
    return [row for row in table() if row.kind == kind and planted in (None, row.planted)]


def test_the_table_holds_both_kinds_of_every_fleet() -> None:
    assert Counter(row.kind for row in table()) == {"planted": FLEETS, "shuffled": FLEETS}
    assert {row.seed for row in table()} == set(range(FIRST, FIRST + FLEETS))
    assert {row.planted for row in table()} == {name for name, _, _ in PLANTED}


def test_shuffled_candidates_are_hardly_ever_found() -> None:
    shuffled = of("shuffled")
    assert np.mean([row.found != "" for row in shuffled]) <= MOST * CHANCE
    # nor by their chances alone, without the help of the score
    assert np.mean([row.adjusted <= CHANCE for row in shuffled]) <= MOST * CHANCE


@pytest.mark.parametrize("level", [0.01, 0.05, 0.1])
def test_the_chances_of_shuffled_candidates_are_what_they_say(level: float) -> None:
    p = np.array([[row.p_duty, row.p_depot, row.p_fuel, row.p_pace, row.p_origin] for row in of("shuffled")])
    assert np.mean(p <= level) <= MOST * level
    # nor are they so large that nothing could be found: half of nominal at the least
    assert np.mean(p <= level) >= 0.5 * level


def false_share(rows: list[Row]) -> float:
    """Share of what is found in a fleet that was not planted, 0 where nothing is found, mean over fleets."""
    named = [row.found.split("+") if row.found else [] for row in rows]
    return float(np.mean([sum(one != row.planted for one in names) / max(len(names), 1)
                          for row, names in zip(rows, named, strict=True)]))  # fmt: skip


@pytest.mark.parametrize("name", [name for name, _, _ in PLANTED])
def test_planted_effects_stand_out_and_their_intervals_hold(name: str) -> None:
    rows = of("planted", name)
    # fleets of 55 vehicles are small for such effects: they stand out more often than not, for chance it is 1 in 20
    assert np.mean([getattr(row, f"p_{name}") <= 0.05 for row in rows]) > 0.5
    # five questions at once and the score take their share; a third is left at the least
    assert np.mean([name in row.found.split("+") for row in rows]) > 1 / 3
    assert false_share(rows) <= MOST * CHANCE
    # nine intervals in ten hold the truth: two standard errors of 133 fleets below and above
    inside = np.mean([row.low <= row.truth <= row.high for row in rows])
    assert 0.85 <= inside <= 0.95
    told, true = np.mean([row.percent for row in rows]), np.mean([row.truth for row in rows])
    assert told == pytest.approx(true, abs=2.5 * float(np.std([row.percent for row in rows])) / len(rows) ** 0.5)


def test_a_planted_number_stands_out_as_often_as_its_interval_lets_it() -> None:
    rows = of("planted", "pace")
    # 90 % intervals reach 1.67 errors with 60 degrees of freedom (tables of Student's t)
    z = np.array([row.truth / ((row.high - row.low) / (2 * 1.67)) for row in rows])
    power = ndtr(z - 2.0)
    seen = np.mean([row.p_pace <= 0.05 for row in rows])
    assert abs(seen - power.mean()) <= 2 * float(np.sqrt(np.sum(power * (1 - power)))) / len(rows)


@pytest.mark.parametrize("seed", [FIRST + 1, FIRST + 2])
def test_rows_are_made_again(seed: int) -> None:
    kept = [row for row in table() if row.seed == seed]
    for row, old in zip(rows_of(seed), kept, strict=True):
        for name, value in asdict(row).items():
            if isinstance(value, float):
                assert value == pytest.approx(getattr(old, name), rel=1e-3, abs=1e-3, nan_ok=True), name
            else:
                assert value == getattr(old, name), name

"""Back-tests on outside data: the committed table is what the program says, beside figures of other methods.

The figures of `BASELINES` were computed with statsmodels and numpy by the same rule; see there.
"""

from __future__ import annotations

import pytest

from conftest import ROOT
from studies.backtests import BASELINES, CASES, MODEL, Case, Row, read, rows

TABLE = {(row.data, row.origin, row.forecast): row for row in read(ROOT / "docs/studies/backtests.csv")}

#: crossings inside the 90 % interval, at least
INSIDE = (12, 12, 11, 18, 35)


def _model(case: Case) -> Row:
    return TABLE[case.data, case.origin, MODEL]


@pytest.mark.parametrize("case", [CASES[0], CASES[3], CASES[4]], ids=lambda case: case.data)
def test_the_table_is_made_again(case: Case) -> None:
    for made in rows(case):
        told = TABLE[case.data, case.origin, made.forecast]
        assert (made.n, made.accelerating, made.misfit) == (told.n, told.accelerating, told.misfit)
        assert made.covered_90 == pytest.approx(told.covered_90, abs=1)
        assert made.crps == pytest.approx(told.crps, rel=0.02)
        assert made.mae == pytest.approx(told.mae, rel=0.02)


def test_a_line_a_unit_scores_as_elsewhere() -> None:
    """The rule and the truths are those of the other computation: its line a unit and ours differ by sampling only."""
    for case in CASES[:4]:
        line = TABLE[case.data, case.origin, "line per part"]
        assert line.crps == pytest.approx(BASELINES[case]["line a unit"], rel=0.02)


def test_intervals_hold_and_late_onset_is_seen() -> None:
    for case, inside in zip(CASES, INSIDE, strict=True):
        assert _model(case).covered_90 >= inside
    assert [_model(case).accelerating for case in CASES] == [False, False, False, True, True]


def test_scores_beside_other_methods() -> None:
    """Within 15, 14 and 5 % of the best on the laser, within 19 % of one that was told the scale of crack growth.

    Of our own rivals only a line a unit scores better, at 1500 h and by 3 %, with half the coverage.
    """
    best = [min(score for name, score in BASELINES[case].items() if name != "fleet history") for case in CASES]
    ratio = [_model(case).crps / one for case, one in zip(CASES, best, strict=True)]
    assert ratio[0] < 1.15
    assert ratio[1] < 1.16
    assert ratio[2] < 1.05
    assert ratio[3] < 1.22
    assert ratio[4] < 0.5
    for case in CASES:
        others = [row.crps for (data, origin, name), row in TABLE.items()
                  if (data, origin) == (case.data, case.origin) and name != MODEL]  # fmt: skip
        assert _model(case).crps < 1.04 * min(others)

"""Repeats of one part at one visit: scatter by source, and what more of them bring."""

from __future__ import annotations

import numpy as np
import pytest

from wearlab.control.repeat_study import RepeatStudy, repeat_study, repeats_wanted, smallest_changes
from wearlab.control.smallest_change import Precision
from wearlab.errors import InputError
from wearlab.records import NoAnswer


def _uneven(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Readings that scatter by 4 %, technicians by 6 %, each part at a visit read by two of eight technicians."""
    rng = np.random.default_rng(seed)
    person = 0.06 * rng.standard_normal(8)
    cell, who, y = [], [], []
    for k in range(120):
        level = np.log(20) + 0.3 * rng.standard_normal()
        for one in rng.choice(8, size=2, replace=False):
            for _ in range(int(rng.integers(1, 4))):
                cell.append(k)
                who.append(f"t{one}")
                y.append(np.exp(level + person[one] + 0.04 * rng.standard_normal()))
    return np.array(y), np.array(cell), np.array(who)


def test_uneven_repeats_by_reml() -> None:
    y, cell, who = _uneven(2)
    told = repeat_study(y, cell, {"technician": who, "rig": np.full(y.size, "R1")})
    assert isinstance(told, RepeatStudy)
    assert (told.method, told.relative, told.cells) == ("REML", True, 120)
    assert told.repeatability == pytest.approx(0.04, rel=0.12)
    by = {one.source: one for one in told.spreads}
    assert by["technician"].low < 0.06 < by["technician"].high
    assert by["rig"].no_answer == "there is only one"
    assert told.spreads[-1].source == "repeatability"


def test_balanced_repeats_by_analysis_of_variance() -> None:
    rng = np.random.default_rng(4)
    part, who, _ = (one.ravel() for one in np.meshgrid(np.arange(12), np.arange(3), np.arange(3), indexing="ij"))
    y = np.exp(3 + 0.3 * rng.standard_normal(12)[part] + 0.05 * rng.standard_normal(part.size))
    told = repeat_study(y, part, {"technician": who.astype(str)})
    assert isinstance(told, RepeatStudy)
    assert told.method == "ANOVA"
    assert told.table is not None
    assert told.repeatability == pytest.approx(0.05, rel=0.2)


def test_a_single_reading_a_visit_tells_nothing() -> None:
    told = repeat_study([1.0, 2.0, 3.0], [1, 2, 3], {})
    assert isinstance(told, NoAnswer)
    assert "twice" in told.reason


def test_what_is_not_written_down_everywhere_is_left_out() -> None:
    y, cell, who = _uneven(3)
    who[0] = ""
    told = repeat_study(y, cell, {"technician": who})
    assert isinstance(told, RepeatStudy)
    assert [one.no_answer for one in told.spreads] == ["not written down for every reading", None]


def test_repeats_narrow_by_the_normal_formula() -> None:
    told = repeats_wanted(3.0, 1.0, 2.0)
    # posterior variance 1 / (1/9 + 1/(1 + 4/r))
    assert told.sd[0] == pytest.approx((1 / (1 / 9 + 1 / 5)) ** 0.5)
    assert told.sd[3] == pytest.approx((1 / (1 / 9 + 1 / 2)) ** 0.5)
    assert all(after < before for before, after in zip(told.sd, told.sd[1:], strict=False))
    # beside a large visit effect a second reading is hardly worth it; beside none it is
    assert repeats_wanted(3.0, 5.0, 1.0).enough == 1
    assert repeats_wanted(9.0, 0.0, 1.0).enough > 4
    with pytest.raises(InputError):
        repeats_wanted(0.0, 1.0, 1.0)


def test_smallest_changes_fall_with_tests_and_repeats() -> None:
    told = {(one.tests, one.repeats): one.change for one in smallest_changes(Precision(2.0, 1.0))}
    # two levels of variance 1 + 4 each; 1.6449 + 1.2816 sd for 9 in 10 at 90 %
    assert told[1, 1] == pytest.approx((1.6449 + 1.2816) * 10**0.5, rel=1e-3)
    assert told[3, 1] == pytest.approx(told[1, 1] / 3**0.5)
    assert told[1, 3] < told[1, 2] < told[1, 1]

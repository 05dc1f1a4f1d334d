"""Figures of rules on whole sets: against one test judged reading by reading, and what an incomplete set may prove."""

from __future__ import annotations

from dataclasses import replace
from math import log

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from set_examples import component, joint, one_set, rule, told
from wearlab.errors import InputError
from wearlab.forecast.set_figures import compared, in_unit, lines
from wearlab.study.limit_figures import CylinderSet, percent_from_mean, times_lowest, times_median, total
from wearlab.study.reading_error import Averaged
from wearlab.wear.mixture import Mixture
from wearlab.wear.scale import WorkingScale

LOG = WorkingScale(0.0)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(1.0, 60.0), min_size=3, max_size=6))
def test_figures_are_those_of_one_test(values: list[float]) -> None:
    """The same set judged as one test, reading by reading, by the study of limits."""
    width = len(values)
    names = [str(k + 1) for k in range(width)]
    reads = {
        at: Averaged(at, value, "ml/min", 1.0, 0.1, None, None, 1, None, None, None, None, False, None, None)
        for at, value in zip(names, values, strict=True)
    }
    cylinders = CylinderSet(reads, dict.fromkeys(reads, 1.0), tuple(names), counted=True)
    level = np.array(values, dtype=np.float32).reshape(width, 1, 1)
    seen = np.ones((1, width), dtype=bool)
    for kind, judge in (
        ("times lowest", times_lowest),
        ("times median", times_median),
        ("percent from mean", percent_from_mean),
    ):
        own = rule(kind, 10.0)
        found = in_unit(own, compared(own, level, None, seen, seen))[:, 0, 0]
        known = [judge(at, cylinders) for at in names]
        assert found == pytest.approx([reach.low for reach in known], rel=1e-4, abs=2e-4)  # type: ignore[union-attr]
    whole = rule("total", 10.0, totals=(tuple(range(width)),))
    assert float(compared(whole, level, None, seen, seen)[0, 0, 0]) == pytest.approx(
        total(cylinders, 0.1).low, rel=1e-5
    )


def test_change_since_the_first_level_goes_with_the_measure() -> None:
    level = np.array([[[8.0]]], dtype=np.float32)
    first = np.array([[[10.0]]], dtype=np.float32)
    seen = np.ones((1, 1), dtype=bool)
    for falls, sign in ((False, -1.0), (True, 1.0)):
        own = rule("percent from first", 15.0, falls=falls)
        figure = compared(own, level, first, seen, seen)
        low, high = lines(own, np.array([True]))
        assert in_unit(own, figure)[0, 0, 0] == pytest.approx(sign * 20.0, rel=1e-5)
        assert bool((figure > high) | (figure < low)) is falls
    with pytest.raises(InputError, match="first readings"):
        compared(rule("percent from first", 15.0), level, None, seen, seen)


def test_change_since_the_first_level_knows_what_both_share() -> None:
    """Level and first level that are known to differ by a tenth: a fifth is never reached, however unsure both are."""
    mean = np.array([log(11.0), 0.0, log(10.0)])
    covariance = np.zeros((3, 3))
    covariance[np.ix_([0, 2], [0, 2])] = 0.25
    law = component(level=[log(11.0)], path=0.0, scale=LOG)
    (fate,) = told(Mixture((law,)), [joint(mean, covariance)], one_set(1), rule("percent from first", 20.0))
    assert fate.chance.max() < 1e-3
    assert fate.now[0, 0] == pytest.approx([10.0, 10.0, 10.0], abs=0.1)


def test_too_little_fails_as_well_as_too_much() -> None:
    mean = np.r_[[10.0, 10.0, 10.0, 5.0], np.zeros(4)]
    law = component(level=mean[:4].tolist(), path=0.0)
    (fate,) = told(Mixture((law,)), [joint(mean, np.zeros((8, 8)))], one_set(4), rule("percent from mean", 30.0))
    # the mean is 8.75: deviations of 14 % above and 43 % below
    assert fate.chance[0, :, 0].tolist() == [0.0, 0.0, 0.0, 1.0]
    assert fate.now[0, :, 0] == pytest.approx([100 / 7, 100 / 7, 100 / 7, 300 / 7], rel=1e-4)


def test_each_bank_has_its_own_total() -> None:
    mean = np.r_[[10.0, 12.0, 20.0, 22.0], np.zeros(4)]
    law = component(level=mean[:4].tolist(), path=0.0)
    (fate,) = told(
        Mixture((law,)), [joint(mean, np.zeros((8, 8)))], one_set(4), rule("total", 30.0, totals=((0, 1), (2, 3)))
    )
    assert fate.now[0, :, 0] == pytest.approx([22.0, 42.0])
    assert fate.chance[0, :, 0].tolist() == [0.0, 1.0]


def test_a_part_that_cannot_serve_is_not_the_lowest() -> None:
    mean = np.r_[[4.0, 10.0, 19.0], np.zeros(3)]
    law = component(level=mean[:3].tolist(), path=0.0)
    laws = [joint(mean, np.zeros((6, 6)))]
    whole = one_set(3)
    all_serve, without = (
        told(Mixture((law,)), laws, sets, rule("times lowest", 2.0))[0]
        for sets in (whole, replace(whole, valid=np.array([[False, True, True]])))
    )
    assert all_serve.now[0, :, 0] == pytest.approx([1.0, 2.5, 4.75])
    assert without.now[0, :, 0] == pytest.approx([0.4, 1.0, 1.9])
    assert all_serve.chance[0, :, 0].tolist() == [0.0, 1.0, 1.0]
    assert without.chance[0, :, 0].tolist() == [0.0, 0.0, 0.0]


@pytest.mark.parametrize(
    ("kind", "limit", "more"),
    [
        ("times lowest", 1.6, {}),
        ("times median", 1.3, {}),
        ("percent from mean", 25.0, {}),
        ("total", 44.0, {"totals": ((0, 1, 2, 3),)}),
    ],
)
def test_an_incomplete_set_fails_only_where_any_value_of_the_missing_part_would_fail(
    kind: str, limit: float, more: dict[str, object]
) -> None:
    """Cylinder 4 without a level: what is told of the rest holds whatever it might be."""
    rng = np.random.default_rng(8)
    own = rule(kind, limit, **more)
    width = 4
    for levels in rng.uniform(4.0, 25.0, (60, 3)):
        partly = np.r_[levels, 1.0].astype(np.float32).reshape(width, 1, 1)
        seen = np.array([[True, True, True, False]])
        low, high = lines(own, np.array([False]))
        figure = compared(own, partly, None, seen, seen)[:, 0, 0]
        fails = (figure > high) | (figure < low)
        fails = fails if kind == "total" else fails[:3]
        always = np.ones(fails.size, dtype=bool)
        low, high = lines(own, np.array([True]))
        for missing in np.r_[1e-3, np.geomspace(0.1, 1e4, 200)]:
            full = np.r_[levels, missing].astype(np.float32).reshape(width, 1, 1)
            figure = compared(own, full, None, np.ones((1, 4), bool), np.ones((1, 4), bool))[:, 0, 0]
            other = (figure > high) | (figure < low)
            always &= other if kind == "total" else other[:3]
        # nothing is told to fail that some value would let pass; and what fails for every value is found
        assert (fails <= always).all()
        if kind != "times median":
            assert (fails == always).all()

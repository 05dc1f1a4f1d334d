"""Rules on whole sets: their figures, chances against laws that are known, and what an incomplete set may prove."""

from __future__ import annotations

from dataclasses import replace
from math import log, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import invgauss, multivariate_normal, norm

from set_examples import component, joint
from wearlab.errors import InputError
from wearlab.forecast.set_figures import SetRule, compared, in_unit, lines
from wearlab.forecast.set_rules import Fate, Sets, fates
from wearlab.study.limit_figures import CylinderSet, percent_from_mean, times_lowest, times_median, total
from wearlab.study.reading_error import Averaged
from wearlab.wear.joint import Joint
from wearlab.wear.mixture import Mixture
from wearlab.wear.scale import WorkingScale

LOG = WorkingScale(0.0)
GRID = np.array([0.0, 2.5, 5.0, 7.5, 10.0, 12.5, 15.0, 17.5, 20.0, 25.0, 30.0])


def one_set(width: int, grid: np.ndarray = GRID, known: list[bool] | None = None, counted: bool = True) -> Sets:
    here = np.array([known or [True] * width])
    return Sets(
        places=np.where(here, np.arange(width), -1),
        complete=here.all(axis=1) & counted,
        valid=here,
        exposure=np.repeat(grid[None, :, None], width, axis=2),
        test_at=np.array([1.0]),
    )


def rule(kind: str, limit: float, **more: object) -> SetRule:
    return SetRule(kind, np.array([limit]), **more)  # type: ignore[arg-type]


def told(
    mixture: Mixture, laws: list[Joint], sets: Sets, *rules: SetRule, draws: int = 4000, seed: int = 3
) -> list[Fate]:
    return list(fates(mixture, laws, sets, rules, draws=draws, seed=seed))


# ---- against laws known from elsewhere


def test_one_part_passes_as_the_inverse_gaussian_says() -> None:
    """Start 0, drift 0.5, variance 0.4 a unit, limit 10: F(10), F(15), F(20), F(30) as published (Chhikara & Folks
    1989) and as in scipy's invgauss. The level starts at 100 here, so that it stays positive."""
    law = component(level=[100.0], path=0.4, rate=0.5)
    (fate,) = told(
        Mixture((law,)),
        [joint(np.array([100.0, 0.5]), np.zeros((2, 2)))],
        one_set(1),
        rule("most", 110.0),
        draws=20_000,
    )
    chance = fate.chance[0, 0]
    known = {10.0: 0.00850726366, 15.0: 0.186272648653, 20.0: 0.555352318867, 30.0: 0.944693992510}
    for time, value in known.items():
        assert invgauss(mu=20.0 / 250.0, scale=250.0).cdf(time) == pytest.approx(value, abs=1e-9)
        assert chance[GRID.tolist().index(time)] == pytest.approx(value, abs=0.012)


def test_two_looks_do_as_well_as_twenty() -> None:
    """What may have happened between two distances is taken in: a grid of two tells the chance of the last."""
    law = component(level=[100.0], path=0.4, rate=0.5)
    alone = joint(np.array([100.0, 0.5]), np.zeros((2, 2)))
    coarse = one_set(1, np.array([0.0, 20.0]))
    (fate,) = told(Mixture((law,)), [alone], coarse, rule("most", 110.0), draws=20_000)
    assert fate.chance[0, 0, -1] == pytest.approx(0.555352318867, abs=0.012)


def test_the_total_of_independent_paths_is_a_path_again() -> None:
    """Four parts with a quarter of drift and variance each: the total is the path above."""
    law = component(level=[25.0] * 4, path=0.1, rate=0.125)
    mean = np.r_[np.full(4, 25.0), np.full(4, 0.125)]
    (fate,) = told(
        Mixture((law,)),
        [joint(mean, np.zeros((8, 8)))],
        one_set(4),
        rule("total", 110.0, totals=((0, 1, 2, 3),)),
        draws=20_000,
    )
    for time, value in {10.0: 0.00850726366, 15.0: 0.186272648653, 20.0: 0.555352318867, 30.0: 0.944693992510}.items():
        assert fate.chance[0, 0, GRID.tolist().index(time)] == pytest.approx(value, abs=0.012)


def test_a_ratio_of_two_on_the_logarithm_has_a_law_in_closed_form() -> None:
    """log(q1 / q2) of correlated levels is normal; straight, without a path, it fails by x with a known chance."""
    mean = np.array([log(14.0), log(10.0), 0.03, 0.0])
    root = np.array([[0.15, 0, 0, 0], [0.1, 0.1, 0, 0], [0.001, 0.0, 0.01, 0], [0.0, 0.0, 0.004, 0.008]])
    covariance = root @ root.T
    law = component(level=mean[:2].tolist(), path=0.0, scale=LOG)
    (fate,) = told(Mixture((law,)), [joint(mean, covariance)], one_set(2), rule("times lowest", 1.8), draws=40_000)
    # straight lines that start short of the limit and rise: the rule has failed by x if it fails at 0 or at x
    along = np.array([[1.0, -1.0, 0.0, 0.0], [1.0, -1.0, 30.0, -30.0]])
    both = multivariate_normal(along @ mean, along @ covariance @ along.T).cdf([log(1.8), log(1.8)])
    start = norm.sf(log(1.8), along[0] @ mean, sqrt(along[0] @ covariance @ along[0]))
    assert fate.chance[0, 0, 0] == pytest.approx(start, abs=0.01)
    assert fate.chance[0, 0, -1] == pytest.approx(1.0 - both, abs=0.01)


def test_what_parts_share_cancels_in_a_ratio_and_not_in_a_total() -> None:
    """Two parts that only move together never part; the total is as unsure as either."""
    mean = np.array([log(12.0), log(10.0), 0.0, 0.0])
    shared = np.zeros((4, 4))
    shared[:2, :2] = 0.3**2
    law = component(level=mean[:2].tolist(), path=0.0, scale=LOG)
    ratio, whole = told(
        Mixture((law,)),
        [joint(mean, shared)],
        one_set(2),
        rule("times lowest", 1.25),
        rule("total", 25.0, totals=((0, 1),)),
    )
    assert ratio.chance.max() < 1e-3
    assert whole.chance[0, 0, 0] == pytest.approx(norm.sf(log(25.0 / 22.0) / 0.3), abs=0.02)


# ---- figures


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


# ---- incomplete sets


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


def test_an_incomplete_set_is_never_surer_to_fail_than_the_whole() -> None:
    mean = np.r_[[10.0, 12.0, 19.0, 11.0], np.full(4, 0.2)]
    spread = np.diag(np.r_[np.full(4, 4.0), np.full(4, 0.01)])
    law = component(level=mean[:4].tolist(), path=0.2)
    rules = [rule("percent from mean", 45.0), rule("total", 60.0, totals=((0, 1, 2, 3),)), rule("times median", 1.6)]
    whole = told(Mixture((law,)), [joint(mean, spread)], one_set(4), *rules)
    known = np.array([True, True, True, False])
    both = np.r_[known, known]
    less = told(
        Mixture((law,)),
        [joint(mean * both, spread * np.outer(both, both))],
        one_set(4, known=known.tolist()),
        *rules,
    )
    for partly, full in zip(less, whole, strict=True):
        count = min(partly.chance.shape[1], 3)
        assert (partly.chance[:, :count] <= full.chance[:, :count] + 0.02).all()


# ---- properties


@st.composite
def wearing(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, float]:
    width = 3
    levels = draw(st.lists(st.floats(5.0, 30.0), min_size=width, max_size=width))
    rates = draw(st.lists(st.floats(-0.2, 1.0), min_size=width, max_size=width))
    sds = draw(st.lists(st.floats(0.0, 3.0), min_size=width, max_size=width))
    path = draw(st.floats(0.0, 1.0))
    return np.r_[levels, rates], np.diag(np.r_[np.square(sds), np.full(width, 0.01)]), path


ALL = (
    rule("times lowest", 1.5),
    rule("times median", 1.3),
    rule("percent from mean", 25.0),
    rule("total", 60.0, totals=((0, 1, 2),)),
    rule("most", 25.0),
)


@settings(max_examples=25, deadline=None)
@given(wearing())
def test_chances_rise_from_0_to_at_most_1_and_intervals_are_ordered(
    case: tuple[np.ndarray, np.ndarray, float],
) -> None:
    mean, covariance, path = case
    law = component(level=mean[:3].tolist(), path=path)
    for fate in told(Mixture((law,)), [joint(mean, covariance)], one_set(3), *ALL, draws=100):
        assert fate.chance.min() >= 0.0
        assert fate.chance.max() <= 1.0
        assert (np.diff(fate.chance, axis=2) >= -1e-9).all()
        for interval in (fate.tested, fate.now, fate.reading):
            assert (interval[..., 1] <= interval[..., 0]).all()
            assert (interval[..., 0] <= interval[..., 2]).all()


@settings(max_examples=15, deadline=None)
@given(wearing(), st.floats(0.0, 5.0))
def test_more_wear_never_lowers_the_chance_of_a_total(case: tuple[np.ndarray, np.ndarray, float], more: float) -> None:
    mean, covariance, path = case
    worn = mean.copy()
    worn[0] += more
    law = component(level=mean[:3].tolist(), path=path)
    less, above = (told(Mixture((law,)), [joint(m, covariance)], one_set(3), *ALL[3:], draws=200) for m in (mean, worn))
    for one, other in zip(less, above, strict=True):
        assert (other.chance >= one.chance - 1e-3).all()


def test_unit_of_distance_changes_nothing() -> None:
    mean = np.r_[[10.0, 12.0, 19.0], np.full(3, 0.2)]
    spread = np.diag(np.r_[np.full(3, 4.0), np.full(3, 0.01)])
    plain = component(level=mean[:3].tolist(), path=0.2)
    metres = component(level=mean[:3].tolist(), path=0.2, unit=1000.0)
    sets = one_set(3)
    told_plain = told(Mixture((plain,)), [joint(mean, spread)], sets, *ALL)
    told_metres = told(Mixture((metres,)), [joint(mean, spread)], replace(sets, exposure=1000.0 * sets.exposure), *ALL)
    for one, other in zip(told_plain, told_metres, strict=True):
        assert one.chance == pytest.approx(other.chance, abs=1e-6)


def test_threads_and_company_change_nothing_but_the_draws() -> None:
    mean = np.r_[[10.0, 12.0, 19.0], np.full(3, 0.2)]
    spread = np.diag(np.r_[np.full(3, 4.0), np.full(3, 0.01)])
    law = component(level=mean[:3].tolist(), path=0.2)
    count = 700  # several chunks
    sets = one_set(3)
    many = Sets(*(np.repeat(getattr(sets, name), count, axis=0) for name in Sets.__slots__))
    own = Joint(np.repeat(mean[None], count, axis=0), np.repeat(spread[None], count, axis=0))
    rules = [SetRule(one.kind, np.repeat(one.limit, count), one.totals) for one in ALL]
    one, two = (fates(Mixture((law,)), [own], many, rules, draws=400, workers=k) for k in (1, 2))
    for first, second in zip(one, two, strict=True):
        assert np.array_equal(first.chance, second.chance)
    sure = told(Mixture((law,)), [joint(mean, spread)], sets, ALL[3], draws=20_000)[0].chance[0, 0]
    total_chance = one[3].chance[:, 0]
    assert total_chance.mean(axis=0) == pytest.approx(sure, abs=0.012)
    # 400 mirrored draws: what one set is told lies this near to the truth
    assert np.abs(total_chance - sure).max(axis=0).max() < 0.08
    assert np.sqrt(((total_chance - sure) ** 2).mean(axis=0)).max() < 0.02


def test_wrong_input_is_refused() -> None:
    with pytest.raises(InputError, match="no kind of rule"):
        rule("highest", 1.0)
    with pytest.raises(InputError, match="more than 0"):
        rule("most", 0.0)
    law = component(level=[1.0], path=0.1)
    with pytest.raises(InputError, match="one limit a set"):
        fates(
            Mixture((law,)),
            [joint(np.array([1.0, 0.1]), np.zeros((2, 2)))],
            one_set(1),
            [SetRule("most", np.array([1.0, 2.0]))],
        )

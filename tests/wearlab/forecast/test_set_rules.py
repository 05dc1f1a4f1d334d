"""Chances that rules on whole sets fail, against laws that are known, and what never holds otherwise."""

from __future__ import annotations

from dataclasses import replace
from math import log, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import invgauss, multivariate_normal, norm

from set_examples import GRID, component, joint, one_set, rule, told
from wearlab.errors import InputError
from wearlab.forecast.set_figures import SetRule
from wearlab.forecast.set_rules import Sets, fates
from wearlab.wear.joint import Joint
from wearlab.wear.mixture import Mixture
from wearlab.wear.scale import WorkingScale

LOG = WorkingScale(0.0)


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
        assert chance[GRID.tolist().index(time)] == pytest.approx(value, abs=min(0.005, 0.15 * value))


def test_two_looks_do_as_well_as_twenty() -> None:
    """What may have happened between two distances is taken in: a grid of two tells the chance of the last."""
    law = component(level=[100.0], path=0.4, rate=0.5)
    alone = joint(np.array([100.0, 0.5]), np.zeros((2, 2)))
    coarse = one_set(1, np.array([0.0, 20.0]))
    (fate,) = told(Mixture((law,)), [alone], coarse, rule("most", 110.0), draws=20_000)
    assert fate.chance[0, 0, -1] == pytest.approx(0.555352318867, abs=0.005)


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
        told_here = fate.chance[0, 0, GRID.tolist().index(time)]
        assert told_here == pytest.approx(value, abs=min(0.005, 0.15 * value))


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


def test_the_latest_test_today_and_the_next_reading_are_told_apart() -> None:
    """Two parts: levels at the test, today 5 further, and readings at a test 12.5 on, each with its own spread.

    The total is normal each time: 30 (sd 2) at the test; 30 + 0.6 * 5 today, with the path's 2 * 0.1 * 5; at the next
    test (half-way from 10 to 15) 30 + 0.6 * 12.5 with the path's 2 * 0.1 * 12.5, the readings' 1 + 1.5 and what the
    two share of their visit, 2 * 0.8 ** 2.
    """
    law = component(level=[10.0, 20.0], path=0.1, noise=[1.0, 1.5], visit=0.8)
    spread = np.zeros((4, 4))
    spread[:2, :2] = 1.0  # levels move together: the total has sd 2
    grid = np.array([0.0, 5.0, 10.0, 15.0])
    sets = replace(one_set(2, grid), test_at=np.array([2.5]))
    rules = [rule("total", limit, totals=((0, 1),)) for limit in (40.0, 36.0)]
    far, near = told(Mixture((law,)), [joint(np.array([10.0, 20.0, 0.2, 0.4]), spread)], sets, *rules, draws=20_000)
    z = 1.6449
    for found, mean, variance in (
        (far.tested, 30.0, 4.0),
        (far.now, 33.0, 4.0 + 1.0),
        (far.reading, 37.5, 4.0 + 2.5 + 2.5 + 1.28),
    ):
        sd = sqrt(variance)
        assert found[0, 0] == pytest.approx([mean, mean - z * sd, mean + z * sd], abs=0.09)
    for fate, limit in ((far, 40.0), (near, 36.0)):
        assert fate.reading_fails[0, 0] == pytest.approx(norm.sf((limit - 37.5) / sqrt(10.28)), abs=0.012)


def test_the_next_test_may_read_too_little_as_well() -> None:
    """Cylinder 4 reads 5 among tens: 43 % below the mean of 8.75, sure to read more than 30 % off it."""
    law = component(level=[10.0, 10.0, 10.0, 5.0], path=0.0, noise=[0.01] * 4)
    mean = np.r_[[10.0, 10.0, 10.0, 5.0], np.zeros(4)]
    (fate,) = told(Mixture((law,)), [joint(mean, np.zeros((8, 8)))], one_set(4), rule("percent from mean", 30.0))
    assert fate.reading_fails[0] == pytest.approx([0.0, 0.0, 0.0, 1.0], abs=1e-3)


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

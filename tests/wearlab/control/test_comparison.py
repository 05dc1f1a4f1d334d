"""A vehicle's level after an event: known effects are covered, chosen tests give back what chance gave them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom, norm

from wearlab.control.change_law import PairLaw
from wearlab.control.comparison import Change, Pair, compare
from wearlab.control.contrast import predicted, without
from wearlab.errors import InputError
from wearlab.records import NoAnswer
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.group import fit_group
from wearlab.wear.scale import STRAIGHT, WorkingScale

LOG = WorkingScale(0.0)


def _changes(effect: float, *, chosen: bool, fleets: int, every: int = 4) -> list[tuple[Change, int]]:
    """Simulated repairs at the fourth of six visits; `chosen`: of the part that jumped most since the visit before."""
    found = []
    for seed in range(fleets):
        data = simulated_fleet(seed, vehicles=40, parts=4, visits=6).data
        y, visit, vehicle, part = (np.array(one) for one in (data.y, data.visit, data.vehicle, data.part))
        rng = np.random.default_rng(1000 + seed)
        events = []
        for v in range(40):
            own = vehicle == v
            days = np.unique(visit[own])
            last, former = (np.flatnonzero(own & (visit == day)) for day in (days[2], days[1]))
            last, former = (rows[np.argsort(part[rows])] for rows in (last, former))
            jump = y[last] - y[former]
            if (chosen and jump.max() < 5.0) or (not chosen and v % every):
                continue
            which = part[last][np.argmax(jump)] if chosen else rng.choice(part[last])
            after = own & (visit >= days[3])
            y[after & (part == which)] += effect
            events.append((v, which, after))
        fit = fit_group(replace(data, y=y), scales=(STRAIGHT,), average=False, workers=1)
        assert not isinstance(fit, NoAnswer)
        for v, which, after in events:
            made = compare(fit, v, [Pair(which, which)], after)
            assert not isinstance(made, NoAnswer)
            found.append((made[0], seed))
    return found


@pytest.fixture(scope="module")
def repaired() -> list[Change]:
    return [one for one, _ in _changes(-8.0, chosen=False, fleets=12)]


@pytest.fixture(scope="module")
def unrepaired() -> list[Change]:
    return [one for one, _ in _changes(0.0, chosen=True, fleets=12)]


def test_nine_of_ten_intervals_hold_a_known_effect(repaired: list[Change]) -> None:
    inside = sum(one.change.low <= -8.0 <= one.change.high for one in repaired)
    # what 90 % of independent intervals would give with a chance of 1 in 1000 on either side
    low, high = binom.ppf([0.001, 0.999], len(repaired), 0.9)
    assert low <= inside <= high
    assert np.mean([one.change.point for one in repaired]) == pytest.approx(-8.0, abs=0.8)


def test_a_repair_without_effect_after_a_bad_test_is_no_improvement(unrepaired: list[Change]) -> None:
    count = len(unrepaired)
    assert count > 100
    low, high = binom.ppf([0.001, 0.999], count, 0.9)
    assert low <= sum(one.change.low <= 0 <= one.change.high for one in unrepaired) <= high
    assert sum(one.change.high < 0 for one in unrepaired) <= binom.ppf(0.999, count, 0.05)
    assert np.mean([one.change.point for one in unrepaired]) == pytest.approx(0.0, abs=0.6)
    # the chosen readings lay above their level, and the answer says by how much
    assert np.mean([one.given_back for one in unrepaired]) < -1.0


def test_power_is_as_promised(repaired: list[Change]) -> None:
    """An effect of d is shown with chance Phi(d / sd - 1.645): sd from the promised smallest change."""
    sd = np.array([one.smallest for one in repaired]) / (1.6449 + 1.2816)
    expected = norm.cdf(8.0 / sd - 1.6449)
    shown = np.array([one.change.high < 0 for one in repaired])
    spread = np.sqrt(np.sum(expected * (1 - expected)))
    assert abs(shown.sum() - expected.sum()) < 3.3 * spread


def test_the_other_parts_are_the_control() -> None:
    """A visit far out of the common that lifts all parts alike is no change of one; without the others it is."""
    with_others: list[float] = []
    without_them: list[float] = []
    for seed in range(6):
        data = simulated_fleet(seed, vehicles=40, parts=4, visits=6, visit=0.8).data
        visit, vehicle, part = (np.asarray(one) for one in (data.visit, data.vehicle, data.part))
        own = vehicle == 3
        hot = own & (visit == visit[own].max())
        lifted = replace(data, y=np.where(hot, data.y + 12.0, data.y))
        fit = fit_group(lifted, scales=(STRAIGHT,), average=False, workers=1)
        assert not isinstance(fit, NoAnswer)
        which = part[hot][0]
        for used, found in ((None, with_others), (~hot | (part == which), without_them)):
            made = compare(fit, 3, [Pair(which, which)], hot, used=used)
            assert not isinstance(made, NoAnswer)
            found.append(made[0].change.point)
    # the sd of one change is about 3.2, that of six 1.3
    assert np.mean(with_others) == pytest.approx(0.0, abs=4.0)
    assert np.mean(without_them) == pytest.approx(12.0, abs=4.0)


def test_a_new_part_against_the_wear_of_the_old_one() -> None:
    """A replaced part: the difference of true levels, the old part's wear going on, is held by 9 of 10 intervals."""
    inside = count = 0
    for seed in range(10):
        fleet = simulated_fleet(100 + seed, vehicles=40, parts=4, visits=6, replaced=0.25, scale=STRAIGHT)
        data = fleet.data
        visit, vehicle, part, x = (np.asarray(one) for one in (data.visit, data.vehicle, data.part, data.exposure))
        fit = fit_group(data, scales=(STRAIGHT,), average=False, workers=1)
        assert not isinstance(fit, NoAnswer)
        rng = np.random.default_rng(seed)
        for v in range(40):
            own = vehicle == v
            days = np.unique(visit[own])
            for k in range(1, days.size):
                new = set(part[own & (visit == days[k])]) - set(part[own & (visit < days[k])])
                gone = set(part[own & (visit == days[k - 1])]) - set(part[own & (visit >= days[k])])
                stayed = set(part[own & (visit == days[k])]) & set(part[own & (visit == days[k - 1])])
                if len(new) != 1 or len(gone) != 1 or not stayed:
                    continue
                old, fresh, one = gone.pop(), new.pop(), stayed.pop()
                at = [float(x[own & (part == one) & (visit == days[j])][0]) for j in (k - 1, k)]
                gap = at[1] - at[0]
                made = compare(fit, v, [Pair(old, fresh, gap)], own & (visit >= days[k]))
                assert not isinstance(made, NoAnswer)
                place = fleet.of_parts([old])[0]
                unread = fleet.last_level[place] + fleet.rate[place] * gap + 7e-3 * np.sqrt(gap) * rng.standard_normal()
                true = fleet.level[(part == fresh) & (visit == days[k])][0] - unread
                inside += made[0].change.low <= true <= made[0].change.high
                count += 1
    assert count > 80
    low, high = binom.ppf([0.001, 0.999], count, 0.9)
    assert low <= inside <= high


def test_difference_and_ratio_of_two_normal_levels() -> None:
    """On a straight scale the difference is normal; on the logarithm the ratio is log-normal."""
    mean, spread = np.array([[20.0, 14.0]]), np.array([[[4.0, 1.0], [1.0, 2.0]]])
    told = PairLaw(np.ones(1), (STRAIGHT,), mean, spread).difference()
    sd = np.sqrt(4.0 + 2.0 - 2.0)
    assert [told.low, told.point, told.high] == pytest.approx([-6 - 1.644854 * sd, -6, -6 + 1.644854 * sd], rel=1e-5)
    logs = PairLaw(np.ones(1), (LOG,), np.log(mean), spread / 100)
    ends = 14 / 20 * np.exp(np.array([-1, 0, 1]) * 1.644854 * sd / 10) - 1
    share = logs.ratio()
    assert [share.low, share.point, share.high] == pytest.approx(ends, rel=1e-5)
    assert logs.chance_of_fall() == pytest.approx(norm.cdf(-np.log(0.7) / (sd / 10)), rel=1e-6)


def test_prediction_is_that_of_the_joint_normal() -> None:
    """With the coefficients known, the target's law is the plain conditional one; a share taken out comes back."""
    rng = np.random.default_rng(3)
    root = rng.standard_normal((6, 6))
    joint = root @ root.T + np.eye(6)
    k, c, v = joint[:4, :4], joint[4:, :4], joint[4:, 4:]
    z, f, y = rng.standard_normal((4, 2)), rng.standard_normal((2, 2)), rng.standard_normal(4)
    known, sure = np.array([0.5, -1.0]), 1e9 * np.eye(2)
    mean, spread = predicted(y, k, z, sure, sure @ known, f, c, v)
    assert mean == pytest.approx(f @ known + c @ np.linalg.solve(k, y - z @ known), abs=1e-6)
    assert spread == pytest.approx(v - c @ np.linalg.solve(k, c.T), abs=1e-6)
    less = z.T @ np.linalg.solve(k, z)
    rest, score = without(3 * np.eye(2) + less, z.T @ np.linalg.solve(k, y) + 1.0, k, z, y)
    assert rest == pytest.approx(3 * np.eye(2))
    assert score == pytest.approx(np.ones(2))


def test_a_factor_on_the_sd_widens_every_interval_about_its_middle() -> None:
    data = simulated_fleet(1, vehicles=12, parts=3, visits=4, repeats=2).data
    fit = fit_group(data, scales=(STRAIGHT,), average=False, workers=1)
    assert not isinstance(fit, NoAnswer)
    own = np.asarray(data.vehicle) == np.asarray(data.vehicle)[0]
    part = np.asarray(data.part)[own][0]
    after = own & (np.asarray(data.visit) >= np.unique(np.asarray(data.visit)[own])[2])
    plain, wide = (
        compare(fit, np.asarray(data.vehicle)[0], [Pair(part, part)], after, widen=factor) for factor in (1.0, 1.5)
    )
    assert not isinstance(plain, NoAnswer)
    assert not isinstance(wide, NoAnswer)
    for name in ("before", "after", "change"):
        one, other = getattr(plain[0], name), getattr(wide[0], name)
        assert other.point == pytest.approx(one.point, rel=1e-9)
        assert other.high - other.low == pytest.approx(1.5 * (one.high - one.low), rel=1e-6)
    assert wide[0].smallest == pytest.approx(1.5 * plain[0].smallest, rel=1e-6)
    # a reading about its level at one visit: its error and its repeats, in the unit of the readings
    sd = fit.best.variances
    assert sd.repeat > 0.1
    assert plain[0].repeatability == pytest.approx(np.hypot(sd.error, sd.repeat), rel=1e-6)


def test_faults_are_told() -> None:
    data = simulated_fleet(1, vehicles=6, parts=2, visits=3).data
    fit = fit_group(data, scales=(STRAIGHT,), average=False, workers=1)
    assert not isinstance(fit, NoAnswer)
    part = np.asarray(data.part)[0]
    never = np.zeros(len(data), dtype=bool)
    told = compare(fit, np.asarray(data.vehicle)[0], [Pair(part, part)], never)
    assert isinstance(told, NoAnswer)
    assert "after" in told.reason
    with pytest.raises(InputError, match="no reading of the part"):
        compare(fit, np.asarray(data.vehicle)[0], [Pair(-5, -5)], never)
    with pytest.raises(InputError, match="one value for each"):
        compare(fit, np.asarray(data.vehicle)[0], [Pair(part, part)], never[:3])

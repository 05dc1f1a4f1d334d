"""One change in the mean: the Nile, the law of the date, and false signals."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import f as f_law

from reference.results import read_table
from wearlab.control.change_point import ChangePoint, change_point, place_chance
from wearlab.errors import InputError
from wearlab.records import NoAnswer


def _found(values: np.ndarray, **more: float) -> ChangePoint:
    found = change_point(values, **more)
    assert isinstance(found, ChangePoint)
    return found


def test_the_nile() -> None:
    # Cobb (1978); Zeileis et al. (2003), Computational Statistics & Data Analysis 44, and the R package strucchange
    table = read_table("nile")
    year = np.array(table["year"], dtype=int)
    found = _found(np.array(table["volume"], dtype=float))
    assert year[[found.last_before, found.low, found.high]].tolist() == [1898, 1895, 1902]
    assert (found.before, found.after) == pytest.approx((1097.75, 849.9722), abs=5e-5)
    assert (found.rss_one_mean, found.rss) == pytest.approx((2835156.75, 1597457.194), abs=5e-4)
    assert found.sup_f == pytest.approx(75.92977, abs=5e-6)
    assert found.chance < 1e-8
    assert (found.low_open, found.high_open) == (False, False)
    assert found.change_low < found.change < found.change_high < 0
    assert np.nanargmax(found.f) == found.last_before
    # 15 % to either side are not tried
    assert np.flatnonzero(~np.isnan(found.f))[[0, -1]].tolist() == [14, 84]


def test_law_of_the_date() -> None:
    # Bai (1997): 7.7 and 11.0 bound 90 % and 95 %
    assert place_chance(0.0, 1.0, 1.0) == pytest.approx(0.5, abs=1e-9)
    assert place_chance(7.69, 1.0, 1.0) == pytest.approx(0.05, abs=5e-4)
    assert place_chance(11.03, 1.0, 1.0) == pytest.approx(0.025, abs=5e-5)
    assert place_chance(0.0, 1.0, 3.0) + place_chance(0.0, 3.0, 1.0) == pytest.approx(1.0, abs=1e-9)


def test_interval_holds_the_true_date() -> None:
    rng = np.random.default_rng(10)
    held = []
    for _ in range(400):
        y = np.r_[rng.normal(0, 1, 40), rng.normal(1.2, 2, 80)]
        found = _found(y, coverage=0.9)
        held.append(found.low <= 39 <= found.high)
    # three standard errors of 90 % are 4.5 %; whole readings make it wider
    assert 0.85 <= np.mean(held) <= 0.985


@pytest.mark.parametrize("n", [8, 40, 150])
def test_false_signals_are_as_rare_as_they_say(n: int) -> None:
    rng = np.random.default_rng(n)
    chance = np.array([_found(rng.normal(size=n), equal_spread=True).chance for _ in range(600)])
    # never more than stated beyond three standard errors (2.7 %), and not idly careful
    assert 0.02 <= np.mean(chance < 0.05) <= 0.077


def test_f_is_that_of_two_means() -> None:
    y = np.array([1.0, 2.0, 1.5, 4.0, 4.4, 3.1])
    found = _found(y, trim=0.49)
    gap = y[:3].mean() - y[3:].mean()
    assert found.sup_f == pytest.approx(gap**2 * 1.5 / (found.rss / 4))
    # three places were tried
    assert found.chance == pytest.approx(3 * f_law.sf(found.sup_f, 1, 4))


def test_missing_readings_keep_their_places() -> None:
    y = np.r_[np.zeros(10), np.full(10, 5.0)] + np.random.default_rng(2).normal(0, 0.5, 20)
    whole, gap = _found(y), _found(np.insert(y, [3, 10], np.nan))
    assert whole.last_before == 9
    assert gap.last_before == 10
    assert gap.sup_f == pytest.approx(whole.sup_f)


def test_an_open_end_is_told() -> None:
    y = np.r_[np.zeros(6), np.full(6, 0.3)] + np.random.default_rng(4).normal(0, 1, 12)
    found = _found(y, equal_spread=True)
    assert found.low_open or found.high_open
    assert 0 <= found.low <= found.last_before <= found.high <= 11


def test_nothing_to_look_for() -> None:
    assert isinstance(change_point([1.0, 2.0, 3.0, 4.0]), NoAnswer)
    assert isinstance(change_point(np.ones(30)), NoAnswer)
    with pytest.raises(InputError):
        change_point(np.arange(9.0), coverage=1.0)
    with pytest.raises(InputError):
        change_point(np.arange(9.0), trim=0.5)
    # two exact levels: the date is certain
    exact = _found(np.r_[np.zeros(8), np.ones(8)])
    assert (exact.low, exact.last_before, exact.high, exact.chance) == (7, 7, 7, 0.0)

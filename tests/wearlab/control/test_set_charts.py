"""T-squared and MEWMA charts of sets."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import kstest

from reference.results import read_table
from wearlab.control.mewma import mewma
from wearlab.control.tsquared import SetReference, TSquared, known_reference, limit, reference_of, t_squared
from wearlab.errors import InputError
from wearlab.records import NoAnswer

# Tracy, Young & Mason (1992): T-squared of the 14 historical sets, and of those left without the first, by numpy
FIRST = "10.9257 2.0410 5.5827 3.8640 0.0372 2.2534 1.4354 1.2077 0.6766 2.1692 4.1717 1.4003 2.3320 0.9032"
WITHOUT = "1.8423 5.3296 3.5842 0.2317 2.1665 1.4636 1.0491 1.9143 5.1615 3.8378 1.6508 6.9982 0.7706"
SPREAD = np.array([[1.0, 0.6, 0.2], [0.6, 2.0, 0.5], [0.2, 0.5, 1.5]])
MEAN = np.array([3.0, 5.0, 4.0])


def _chemical() -> np.ndarray:
    table = read_table("tsquared_chemical")
    columns = ("impurity_pct", "temperature", "concentration")
    return np.array([[float(v) for v in table[name]] for name in columns]).T


def _chart(*args: object, **more: object) -> TSquared:
    found = t_squared(*args, **more)  # type: ignore[arg-type]
    assert isinstance(found, TSquared)
    return found


def _reference(sets: np.ndarray) -> SetReference:
    found = reference_of(sets)
    assert isinstance(found, SetReference)
    return found


def test_phase_one_of_the_chemical_process() -> None:
    sets = _chemical()[:14]
    found = _chart(sets, alpha=0.001)
    assert found.reference.mean == pytest.approx([16.83, 85.19, 43.20857], abs=5e-6)
    assert found.distance.statistic == pytest.approx([float(v) for v in FIRST.split()], abs=6e-5)
    # p (m - 1) exactly
    assert found.distance.statistic.sum() == pytest.approx(39, abs=1e-9)
    for alpha, edge in ((0.05, 6.3571), (0.01, 8.0011), (0.005, 8.5461), (0.001, 9.5385)):
        assert limit(3, alpha, 14, took_part=True) == pytest.approx(edge, abs=6e-5)
        # the authors discard the first set
        assert _chart(sets, alpha=alpha).distance.signals.tolist() == [0]
    assert found.chance[0] < 0.001 < found.chance[1:].min()


def test_phase_two_of_the_chemical_process() -> None:
    sets = _chemical()
    reference = _reference(sets[1:14])
    found = _chart(sets[1:14], alpha=0.001)
    assert found.distance.statistic == pytest.approx([float(v) for v in WITHOUT.split()], abs=6e-5)
    assert found.distance.upper[0] == pytest.approx(9.1108, abs=6e-5)
    for alpha, edge in ((0.05, 14.3767), (0.01, 25.4028), (0.001, 48.666)):
        assert limit(3, alpha, 13) == pytest.approx(edge, abs=6e-4)
    future = _chart(sets[14:], alpha=0.05, reference=reference)
    assert future.distance.statistic == pytest.approx([3.4753], abs=6e-5)
    assert future.distance.upper == pytest.approx([14.3767], abs=6e-5)
    assert future.distance.signals.size == 0


def test_a_chance_is_that_of_its_limit() -> None:
    sets = _chemical()[:14]
    for reference in (None, _reference(np.random.default_rng(1).normal(size=(20, 3))), known_reference(MEAN, SPREAD)):
        found = _chart(sets, alpha=0.05, reference=reference)
        m = found.reference.sets
        for distance, chance in zip(found.distance.statistic, found.chance, strict=True):
            if 1e-10 < chance < 1:
                assert limit(3, float(chance), m, took_part=reference is None) == pytest.approx(distance, rel=1e-5)


def test_a_missing_position_keeps_the_chance() -> None:
    rng = np.random.default_rng(4)
    reference = known_reference(MEAN, SPREAD)
    sets = rng.multivariate_normal(MEAN, SPREAD, 3000)
    sets[rng.random(sets.shape) < 0.3] = np.nan
    found = _chart(sets, alpha=0.05, reference=reference)
    seen = found.positions > 0
    assert set(found.positions) == {0, 1, 2, 3}
    assert np.isnan(found.distance.statistic[~seen]).all()
    assert kstest(found.chance[seen], "uniform").pvalue > 0.01
    assert (found.chance[seen] < 0.05).sum() == found.distance.signals.size


def test_incomplete_sets_are_judged_as_ones_that_took_no_part() -> None:
    # the law over many small phases: F with the sub-vector, beta with the whole
    rng, chances = np.random.default_rng(6), []
    for _ in range(400):
        sets = rng.multivariate_normal(MEAN, SPREAD, 9)
        sets[0, 1] = np.nan
        found = _chart(sets, alpha=0.05)
        assert found.reference.sets == 8
        chances.append(found.chance[:2])
    partial, whole = np.array(chances).T
    assert kstest(partial, "uniform").pvalue > 0.01
    assert kstest(whole, "uniform").pvalue > 0.01


def test_each_position_given_the_rest() -> None:
    reference = known_reference(MEAN, SPREAD)
    found = _chart([[3.0, 5.0, 8.0]], alpha=0.05, reference=reference)
    # regression of the third on the other two, which stand at their means
    rest = SPREAD[2, 2] - SPREAD[2, :2] @ np.linalg.solve(SPREAD[:2, :2], SPREAD[:2, 2])
    assert found.given_the_rest[0, 2] == pytest.approx(4 / np.sqrt(rest))
    assert np.abs(found.given_the_rest[0]).argmax() == 2


def test_too_few_or_dependent_sets_have_no_chart() -> None:
    rng = np.random.default_rng(2)
    assert isinstance(t_squared(rng.normal(size=(4, 3)), alpha=0.01), NoAnswer)
    share = rng.random((10, 2))
    assert isinstance(t_squared(np.column_stack([share, share.sum(axis=1)]), alpha=0.01), NoAnswer)
    with pytest.raises(InputError):
        known_reference(MEAN, np.ones((3, 3)))
    with pytest.raises(InputError):
        t_squared(rng.normal(size=(9, 2)), alpha=0.01, reference=known_reference(MEAN, SPREAD))
    with pytest.raises(InputError):
        t_squared(rng.normal(size=(9, 2)), alpha=1.0)


def test_mewma_of_weight_one_is_t_squared() -> None:
    sets = np.random.default_rng(3).multivariate_normal(MEAN, SPREAD, 30)
    sets[[2, 2, 9], [0, 1, 2]] = np.nan
    reference = known_reference(MEAN, SPREAD)
    edge = limit(3, 0.05)
    one, other = mewma(sets, weight=1.0, limit=edge, reference=reference), _chart(sets, alpha=0.05, reference=reference)
    assert one.distance.statistic == pytest.approx(other.distance.statistic)
    assert one.distance.upper == pytest.approx(other.distance.upper)


def test_mewma_by_hand() -> None:
    reference = known_reference([0.0, 0.0], np.eye(2))
    found = mewma([[1.0, 2.0], [3.0, np.nan]], weight=0.5, limit=9.0, reference=reference)
    # z = (0.5, 1) with variance 1/4 each; then 1.75 with 1/16 + 1/4
    assert found.distance.statistic == pytest.approx([1.25 * 4, 1.75**2 / 0.3125])
    assert found.average == pytest.approx(np.array([[0.5, 1.0], [1.75, np.nan]]), nan_ok=True)
    steady = mewma([[1.0, 2.0]], weight=0.5, limit=9.0, reference=reference, steady=True)
    assert steady.distance.statistic == pytest.approx([1.25 * 3])


def test_mewma_with_gaps_stays_chi_square() -> None:
    rng = np.random.default_rng(9)
    reference = known_reference(MEAN, SPREAD)
    last, edge = [], limit(3, 0.05)
    for _ in range(1500):
        sets = rng.multivariate_normal(MEAN, SPREAD, 5)
        sets[rng.random(sets.shape) < 0.3] = np.nan
        sets[4, 0] = np.nan
        found = mewma(sets, weight=0.3, limit=edge, reference=reference)
        last.append(found.distance.statistic[4] > found.distance.upper[4])
    assert np.mean(last) == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 1500))

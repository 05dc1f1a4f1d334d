"""What is held back and scored, by hand-made lives; densities against their definition and by integration."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.stats import lognorm, norm

from wearlab.errors import InputError
from wearlab.wear.hold_back import HoldBack, hold_back, predictive_log_density
from wearlab.wear.scale import STRAIGHT, WorkingScale

Array = NDArray[np.float64]


def test_last_two_visits_are_held_back_and_the_farther_scored() -> None:
    # part a: five visits with repeats at the last, out of order; part b: three visits, too few
    part = np.array(["a"] * 6 + ["b"] * 3)
    visit = np.array([3, 1, 5, 5, 2, 4, 1, 2, 3])
    exposure = np.array([30.0, 10, 50, 50, 20, 40, 10, 20, 30])
    split = hold_back(part, visit, np.full(9, "V1"), exposure)
    assert split.kept.tolist() == [True, True, False, False, True, False, True, True, True]
    assert split.used.all()
    assert split.scored.tolist() == [2, 3]
    assert split.weight.tolist() == [0.5, 0.5]
    assert split.labels.tolist() == ["V1"]
    assert split.by_vehicle([-1.0, -3.0]) == pytest.approx([-2.0])


def test_a_vehicle_has_one_score_whatever_its_parts() -> None:
    part = np.repeat(["a", "b", "c"], 4)
    vehicle = np.repeat(["V1", "V1", "V2"], 4)
    exposure = np.tile([1.0, 2, 3, 4], 3)
    split = hold_back(part, exposure, vehicle, exposure)
    assert split.scored.tolist() == [3, 7, 11]
    table = np.array([[-1.0, 0.0], [-2.0, 1.0], [-7.0, 2.0]])
    assert split.by_vehicle(table).tolist() == [[-1.5, 0.5], [-7.0, 2.0]]
    assert split.by_vehicle([-np.inf, -1.0, -1.0]).tolist() == [-np.inf, -1.0]


def test_bounds_are_held_back_but_never_scored() -> None:
    exposure = np.tile([1.0, 2, 3, 4, 5], 3)
    part = np.repeat([1, 2, 3], 5)
    bound = np.zeros(15, dtype=np.int8)
    bound[4] = 1  # life 1: the farther is a bound, the nearer is scored
    bound[8:10] = [1, -1]  # life 2: both are bounds, nothing is scored
    split = hold_back(part, exposure, part, exposure, bound)
    assert split.scored.tolist() == [3, 14]
    assert not split.kept[[3, 4, 8, 9, 13, 14]].any()
    assert split.kept.sum() == 9
    assert split.labels.tolist() == [1, 3]


def test_a_moved_part_counts_for_the_vehicle_of_its_last_test() -> None:
    exposure = np.array([1.0, 2, 3, 4])
    split = hold_back(np.full(4, "a"), [1, 2, 1, 2], ["V1", "V1", "V2", "V2"], exposure)
    assert split.labels.tolist() == ["V2"]
    assert split.scored.tolist() == [3]


def test_equal_exposure_is_ordered_by_the_visit_label() -> None:
    split = hold_back(np.full(4, "a"), ["d1", "d4", "d3", "d2"], np.full(4, "V"), np.full(4, 7.0))
    assert split.scored.tolist() == [1]
    assert split.kept.tolist() == [True, False, False, True]


def test_a_large_fleet_is_sampled_the_same_way_every_time() -> None:
    vehicle = np.repeat(np.arange(700), 4)
    exposure = np.tile([1.0, 2, 3, 4], 700)
    short = np.repeat(np.arange(700, 1300), 2)
    vehicle, exposure = np.r_[vehicle, short], np.r_[exposure, np.tile([1.0, 2], 600)]
    first, second = (hold_back(vehicle, exposure, vehicle, exposure) for _ in range(2))
    assert first.vehicles == 500
    assert first.scored.tolist() == second.scored.tolist()
    assert hold_back(vehicle, exposure, vehicle, exposure, seed=1).scored.tolist() != first.scored.tolist()
    used = np.unique(vehicle[first.used])
    assert (used < 700).sum() == 500
    assert (used >= 700).sum() == 500
    assert not first.kept[~first.used].any()
    assert hold_back(vehicle, exposure, vehicle, exposure, most_vehicles=5).vehicles == 5


@settings(max_examples=80, deadline=None)
@given(seed=st.integers(0, 10_000), n=st.integers(0, 60))
def test_split_keeps_its_promises(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    vehicle = rng.integers(0, 4, n)
    part = vehicle * 3 + rng.integers(0, 3, n)
    visit = rng.integers(0, 7, n)
    exposure = visit * 10.0 + part
    bound = rng.choice([0, 0, 0, 1], n)
    split = hold_back(part, visit, vehicle, exposure, bound)
    assert isinstance(split, HoldBack)
    for life in np.unique(part):
        mine = np.flatnonzero(part == life)
        visits = np.unique(visit[mine])
        held = visits[-2:] if visits.size >= 4 else visits[:0]
        assert split.kept[mine].tolist() == (~np.isin(visit[mine], held)).tolist()
        values = [v for v in held if ((visit[mine] == v) & (bound[mine] == 0)).any()]
        expected = mine[(visit[mine] == values[-1]) & (bound[mine] == 0)] if values else mine[:0]
        assert np.intersect1d(split.scored, mine).tolist() == expected.tolist()
    assert split.by_vehicle(np.ones(split.scored.size)) == pytest.approx(np.ones(split.vehicles))
    # the order of the readings means nothing
    turn = rng.permutation(n)
    again = hold_back(part[turn], visit[turn], vehicle[turn], exposure[turn], bound[turn])
    assert again.kept.tolist() == split.kept[turn].tolist()
    assert np.sort(turn[again.scored]).tolist() == split.scored.tolist()


def test_density_on_the_logarithm_is_the_lognormal() -> None:
    y = np.array([0.5, 3.0, 20.0])
    known = lognorm(0.4, scale=np.exp(1.2)).logpdf(y)
    assert predictive_log_density(np.full(3, 1.2), np.full(3, 0.4), y, WorkingScale(0.0)) == pytest.approx(known)


@pytest.mark.parametrize("power", [1.0, 1 / 3, 0.0, -1.0])
def test_density_integrates_to_one_on_the_measured_scale(power: float) -> None:
    scale = WorkingScale(power)
    mean = scale.forward([20.0])
    sd = 0.1 * 20.0 * scale.slope([20.0])

    def density(q: float) -> float:
        return float(np.exp(predictive_log_density(mean, sd, [q], scale))[0])

    assert quad(density, 1e-3, 20)[0] + quad(density, 20, 80)[0] == pytest.approx(1, abs=1e-5)


def test_density_of_a_mixture() -> None:
    mean, sd, w = np.array([[1.0, 4.0]]), np.array([[0.5, 2.0]]), np.array([3.0, 1.0])
    expected = np.log(0.75 * norm(1, 0.5).pdf(2.0) + 0.25 * norm(4, 2).pdf(2.0))
    assert predictive_log_density(mean, sd, [2.0], STRAIGHT, w) == pytest.approx([expected])
    assert predictive_log_density(mean, sd, [2.0], STRAIGHT, w[None]) == pytest.approx([expected])
    # far from both the better one still counts, without underflow
    assert predictive_log_density(mean, sd, [400.0], STRAIGHT, w)[0] == pytest.approx(
        np.log(0.25) + norm(4, 2).logpdf(400.0)
    )


def test_density_where_there_is_none() -> None:
    two = np.ones(2)
    assert predictive_log_density(two, two, [0.0, -3.0], WorkingScale(0.0)).tolist() == [-np.inf, -np.inf]
    assert predictive_log_density([1.0, np.nan], [0.0, 1.0], [1.0, 1.0], STRAIGHT).tolist() == [-np.inf, -np.inf]


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: hold_back([1, 2], [1], [1, 1], [0.0, 1.0]), "one length"),
        (lambda: hold_back([1], [1], [1], [np.nan]), "finite"),
        (lambda: predictive_log_density([1.0], [1.0], [1.0, 2.0], STRAIGHT), "one row"),
        (lambda: predictive_log_density([1.0], [1.0], [1.0], STRAIGHT, [0.0]), "weights"),
        (lambda: hold_back([1], [1], [1], [1.0]).by_vehicle([1.0]), "0 readings"),
    ],
)
def test_wrong_input_is_named(call: object, words: str) -> None:
    with pytest.raises(InputError, match=words):
        call()  # type: ignore[operator]

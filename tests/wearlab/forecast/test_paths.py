"""Draws of all parts of a vehicle together."""

from __future__ import annotations

import numpy as np
import pytest

from set_examples import component, joint
from wearlab.errors import InputError
from wearlab.forecast.paths import LEAST, allotted, draw_paths, measured
from wearlab.wear.mixture import Mixture
from wearlab.wear.scale import CANDIDATES, WorkingScale

ONE = np.array([[0, 1]])


def test_components_get_their_share_of_the_draws() -> None:
    for start in (0.0, 0.37, 0.99):
        assert allotted(np.array([0.5, 0.25, 0.25]), 8, start).tolist() == [4, 2, 2]
    many = allotted(np.full(7, 1 / 7), 3, 0.5)
    assert many.sum() == 3
    assert many.max() == 1
    with pytest.raises(InputError, match="one component with a weight"):
        allotted(np.zeros(2), 4, 0.0)


@pytest.mark.parametrize("scale", CANDIDATES, ids=lambda scale: scale.name)
def test_measured_is_the_scale_s_own_inverse(scale: WorkingScale) -> None:
    levels = np.array([0.02, 1.0, 30.0, 1400.0])
    worked = scale.forward(levels).astype(np.float32)
    assert measured(scale, worked) == pytest.approx(levels, rel=1e-5)
    assert measured(scale, worked).dtype == np.float32


def test_a_level_below_nothing_is_held_at_the_least() -> None:
    below = np.array([-3.0], dtype=np.float32)
    assert measured(WorkingScale(1.0), below)[0] == np.float32(LEAST)
    assert measured(WorkingScale(1 / 3), below)[0] == np.float32(LEAST)


def test_draws_have_the_mean_and_covariance_of_level_and_rate_and_path() -> None:
    """Level after a step of 2: mean, and covariance H C H' + path variance, on 40,000 draws."""
    mean = np.array([10.0, 12.0, 1.0, 0.5])
    root = np.array([[1.0, 0, 0, 0], [0.6, 0.8, 0, 0], [0.1, 0.0, 0.2, 0], [0.0, 0.1, 0.1, 0.2]])
    covariance = root @ root.T
    law = component(level=[10.0, 12.0], path=0.49)
    exposure = np.array([[[1.0, 1.0], [2.0, 2.0]]])
    drawn = draw_paths(
        Mixture((law,)),
        [joint(mean, covariance)],
        ONE,
        exposure,
        np.random.default_rng(5),
        40_000,
        test_at=np.array([1.0]),
    )
    step = np.hstack([np.eye(2), 2.0 * np.eye(2)])
    known = step @ covariance @ step.T + 2.0 * 0.49 * np.eye(2)
    values = drawn.level[1, :, 0].astype(np.float64)
    assert values.mean(axis=1) == pytest.approx(step @ mean, abs=0.03)
    assert np.cov(values) == pytest.approx(known, rel=0.03, abs=0.03)


def test_readings_of_a_test_share_the_error_of_their_visit() -> None:
    law = component(level=[10.0, 12.0], path=0.0, noise=[1.0, 1.5], visit=0.8)
    still = joint(np.array([10.0, 12.0, 0.0, 0.0]), np.zeros((4, 4)))
    drawn = draw_paths(
        Mixture((law,)),
        [still],
        ONE,
        np.array([[[1.0, 1.0], [2.0, 2.0]]]),
        np.random.default_rng(6),
        40_000,
        test_at=np.array([0.5]),
    )
    assert drawn.reading is not None
    assert np.cov(drawn.reading[:, 0].astype(np.float64)) == pytest.approx(
        np.array([[1.0, 0.64], [0.64, 1.5]]), abs=0.03
    )


def test_the_second_half_mirrors_the_paths_of_the_first() -> None:
    law = component(level=[10.0, 12.0], path=0.49)
    covariance = np.diag([1.0, 1.0, 0.1, 0.1])
    mean = np.array([10.0, 12.0, 1.0, 1.0])
    drawn = draw_paths(
        Mixture((law,)),
        [joint(mean, covariance)],
        ONE,
        np.array([[[1.0, 1.0], [2.0, 2.0]]]),
        np.random.default_rng(1),
        8,
    )
    # the middle of a pair is the straight line of its level and rate: its second step goes on as its first
    middle = 0.5 * (drawn.level[:, :, 0, :4] + drawn.level[:, :, 0, 4:])
    other = draw_paths(
        Mixture((component(level=[10.0, 12.0], path=0.0),)),
        [joint(mean, covariance)],
        ONE,
        np.array([[[1.0, 1.0], [2.0, 2.0]]]),
        np.random.default_rng(1),
        8,
    )
    assert middle == pytest.approx(other.level[:, :, 0, :4], rel=1e-5)


def test_parts_of_one_vehicle_advance_by_the_same_distance() -> None:
    """With a power of exposure one distance moves an old part further than a young one; an unknown start, evenly."""
    square = WorkingScale(1.0, 2.0)
    law = component(level=[5.0] * 3, path=0.0, scale=square, gamma=[2.0, 2.0, 1.0], position=[1.0, 9.0, 1.0])
    still = joint(np.r_[np.full(3, 5.0), np.ones(3)], np.zeros((6, 6)))
    exposure = np.array([[[1.0, 3.0, 1.0], [2.0, 4.0, 2.0]]])
    drawn = draw_paths(Mixture((law,)), [still], np.array([[0, 1, 2]]), exposure, np.random.default_rng(1), 2)
    assert drawn.level[1, :, 0, 0] == pytest.approx([5.0 + 3.0, 5.0 + 7.0, 5.0 + 1.0])


def test_absent_parts_and_odd_draws() -> None:
    law = component(level=[10.0, 12.0], path=0.5)
    still = joint(np.array([10.0, 0.0, 1.0, 0.0]), np.diag([1.0, 0.0, 0.1, 0.0]))
    absent = np.array([[0, -1]])
    exposure = np.array([[[1.0, 0.0], [2.0, 0.0]]])
    drawn = draw_paths(Mixture((law,)), [still], absent, exposure, np.random.default_rng(1), 4)
    assert (drawn.level[:, 1] == 1.0).all()
    with pytest.raises(InputError, match="even"):
        draw_paths(Mixture((law,)), [still], absent, exposure, np.random.default_rng(1), 5)

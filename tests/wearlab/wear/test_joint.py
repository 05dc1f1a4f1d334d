"""The parts of a vehicle together: equal to one dense normal law, and to what is told of every part alone."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from reference.dense import Dense, Reading
from reference.unit_fleet import UNIT_FLEET
from wearlab.errors import InputError
from wearlab.wear.data import WearData
from wearlab.wear.evaluate import at_variances
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.group import fit_group
from wearlab.wear.joint import joint_of, joint_posterior
from wearlab.wear.mixture import Mixture
from wearlab.wear.results import WearFit, last_reading
from wearlab.wear.scale import STRAIGHT, WorkingScale
from wearlab.wear.variances import Variances

SD = {
    "vehicle_level": 0.5,
    "vehicle_rate": 0.3,
    "part_level": 0.6,
    "part_rate": 0.25,
    "correlation": 0.4,
    "start": 0.5,
    "path": 0.35,
    "visit": 0.3,
    "repeat": 0.2,
    "error": 0.25,
}


def dense_joint(dense: Dense, sd: dict[str, float], parts: list[Any]) -> tuple[np.ndarray, np.ndarray]:
    """Levels at the last readings, rates, and levels at the first readings, from the model's equation alone."""
    ends: list[Reading] = []
    begins: list[Reading] = []
    for part in parts:
        own = sorted((k for k in range(dense.n) if dense.data.part[k] == part), key=lambda k: dense.readings[k].x)
        for places, k in ((ends, own[-1]), (begins, own[0])):
            r = dense.readings[k]
            places.append(Reading(r.x, r.on, r.vehicle, part, None, r.late, r.family, r.columns * 0, ""))
    lean = sd["correlation"] * sd["part_level"] * sd["part_rate"]

    def with_rate(level: Reading, of: Reading) -> float:
        value = sd["vehicle_rate"] ** 2 * level.on.get(of.vehicle, 0.0)
        return value + (sd["part_rate"] ** 2 * level.x + lean if level.part == of.part else 0.0)

    def block(first: list[Reading], second: list[Reading]) -> np.ndarray:
        return dense._sum(dense._patterns(first, second), sd)

    def rates(first: list[Reading], second: list[Reading]) -> np.ndarray:
        return np.array([[with_rate(a, b) for b in second] for a in first])

    own_rates = np.array(
        [
            [
                sd["vehicle_rate"] ** 2 * (a.vehicle == b.vehicle) + sd["part_rate"] ** 2 * (a.part == b.part)
                for b in ends
            ]
            for a in ends
        ]
    )
    before = np.block(
        [
            [block(ends, ends), rates(ends, ends), block(ends, begins)],
            [rates(ends, ends).T, own_rates, rates(begins, ends).T],
            [block(begins, ends), rates(begins, ends), block(begins, begins)],
        ]
    )
    reach = np.vstack([block(ends, dense.readings), rates(dense.readings, ends).T, block(begins, dense.readings)])

    def slope(r: Reading) -> np.ndarray:
        row = np.zeros(dense.X.shape[1])
        row[2 * dense.families.index(r.family) + 1] = 1.0
        return row

    fixed = np.array(
        [dense.fixed_row(r, with_columns=False) for r in ends]
        + [list(slope(r)) for r in ends]
        + [dense.fixed_row(r, with_columns=False) for r in begins]
    )
    beta, spread, inverse = dense.coefficients(sd)
    left = fixed - reach @ inverse @ dense.X
    mean = fixed @ beta + reach @ inverse @ (dense.y - dense.X @ beta)
    return mean, before - reach @ inverse @ reach.T + left @ spread @ left.T


def small_fleet(seed: int, **more: Any) -> WearData:
    plain: dict[str, Any] = UNIT_FLEET | {
        "vehicles": 4,
        "parts": 3,
        "visits": (2, 4),
        "level": 5.0,
        "rate": 1.0,
    }
    return simulated_fleet(seed, **(plain | more)).data


CASES = {
    "plain": (small_fleet(1), STRAIGHT, {}),
    "moved and replaced, two families": (small_fleet(2, moved=1.0, replaced=0.3, families=2), STRAIGHT, {}),
    "unknown starts and missing readings": (small_fleet(3, unknown=0.4, missing=0.15), STRAIGHT, {}),
    "a power of exposure": (small_fleet(4), WorkingScale(1.0, 1.5), {}),
    "no path and no correlation": (small_fleet(5, repeats=(1, 3)), STRAIGHT, {"path": 0.0, "correlation": 0.0}),
}


@pytest.mark.parametrize("name", CASES)
def test_joint_posterior_equals_one_dense_normal_law(name: str) -> None:
    data, scale, other = CASES[name]
    sd = SD | other
    if data.unknown_start is None or not data.unknown_start.any():
        sd["start"] = 0.0
    dense = Dense(data, scale.power, scale.gamma)
    work, local, theta, found = at_variances(data, Variances(**sd), scale)
    unit = work.design.span**scale.gamma
    label = work.design.data.part_label
    seen = 0
    for chunk in work.design.blocks.chunks:
        for lives in chunk.life:
            parts = work.design.blocks.life_part[lives[lives >= 0]]
            told = joint_posterior(work, local, theta, found.beta, found.covariance, parts[None, :], first=True)
            mean, covariance = dense_joint(dense, sd, label[parts].tolist())
            turn = np.repeat([1.0, unit, 1.0], parts.size)  # rates per working exposure 1
            assert told.mean[0] == pytest.approx(mean * turn, rel=1e-8, abs=1e-8)
            assert told.covariance[0] == pytest.approx(covariance * np.outer(turn, turn), rel=1e-8, abs=1e-8)
            seen += parts.size
    assert seen == label.size


@cache
def fitted(seed: int, **more: Any) -> WearFit:
    fit = fit_group(simulated_fleet(seed, **more).data, scales=(STRAIGHT, WorkingScale(0.0)))
    assert isinstance(fit, WearFit)
    return fit


def sets_of(fit: WearFit) -> np.ndarray:
    home = fit.data.vehicle[last_reading(fit.data)]
    own = [np.flatnonzero(home == code) for code in range(fit.data.vehicle_label.size)]
    width = max(places.size for places in own)
    return np.array([np.r_[places, np.full(width - places.size, -1)] for places in own])


@pytest.mark.parametrize(
    "more",
    [
        {"vehicles": 60, "visits": 4, "replaced": 0.2, "moved": 0.2, "unknown": 0.3, "beyond": 0.04},
        {"vehicles": 9, "visits": 4},  # few vehicles: many draws of the variances
    ],
    ids=["awkward", "few vehicles"],
)
def test_every_part_alone_is_told_as_by_the_mixture(more: dict[str, Any]) -> None:
    fit = fitted(4, **more)
    sets = sets_of(fit)
    seen, width = sets >= 0, sets.shape[1]
    place = sets[seen]
    joint = joint_of(fit, sets)
    assert len(joint) == len(fit.mixture().components) > 1
    for component, told in zip(fit.mixture().components, joint, strict=True):
        own = np.einsum("mii->mi", told.covariance)
        cross = np.einsum("mii->mi", told.covariance[:, :width, width:])
        for found, known in (
            (told.mean[:, :width], component.level),
            (told.mean[:, width:], component.rate),
            (own[:, :width], component.var_level),
            (own[:, width:], component.var_rate),
            (cross, component.cov),
        ):
            assert np.abs(found[seen] - known[place]).max() <= 1e-10 * max(1.0, float(np.abs(known).max()))
        assert (told.mean[:, :width][~seen] == 0).all()
        assert np.linalg.eigvalsh(told.covariance).min() > -1e-9 * own.max()


def test_levels_at_the_first_readings_are_those_of_the_smoother() -> None:
    fit = fitted(4, vehicles=60, visits=4, replaced=0.2, moved=0.2, unknown=0.3, beyond=0.04)
    sets = sets_of(fit)
    seen, width = sets >= 0, sets.shape[1]
    first = np.full(fit.data.part_label.size, -1)
    order = np.lexsort((-fit.data.exposure, -fit.data.turn))
    first[fit.data.part[order]] = order
    told = joint_of(fit, sets, first=True)[int(np.argmax(fit.weights))]
    mean, variance = fit.smoothed
    own = np.einsum("mii->mi", told.covariance)[:, 2 * width :]
    assert told.mean[:, 2 * width :][seen] == pytest.approx(mean[first[sets[seen]]], abs=1e-9)
    assert own[seen] == pytest.approx(variance[first[sets[seen]]], abs=1e-9)


def test_some_sets_are_told_as_among_all() -> None:
    fit = fitted(4, vehicles=60, visits=4, replaced=0.2, moved=0.2, unknown=0.3, beyond=0.04)
    sets = sets_of(fit)
    chosen = np.array([41, 3, 57, 3])
    for some, among in zip(joint_of(fit, sets[chosen]), joint_of(fit, sets), strict=True):
        assert some.mean == pytest.approx(among.mean[chosen], abs=1e-10)
        assert some.covariance == pytest.approx(among.covariance[chosen], abs=1e-10)


def test_a_widened_mixture_widens_the_joint_law() -> None:
    fit = fitted(4, vehicles=9, visits=4)
    sets = sets_of(fit)
    plain = joint_of(fit, sets)
    wide = WearFit(
        fit.data, fit.candidates, fit.weights, fit.choice, fit.mixed.scaled(1.5), fit.gross, fit.notes, fit.smoothed
    )
    for one, other in zip(joint_of(wide, sets), plain, strict=True):
        assert one.wider == pytest.approx(2.25)
        assert one.mean == pytest.approx(other.mean)
        assert one.covariance == pytest.approx(2.25 * other.covariance)


def test_parts_without_a_vehicle_in_common_have_no_joint_law() -> None:
    fit = fitted(4, vehicles=9, visits=4)
    with pytest.raises(InputError, match="never read on one vehicle"):
        joint_of(fit, np.array([[0, fit.data.part_label.size - 1]]))


def test_a_mixture_made_by_hand_has_no_joint_law() -> None:
    fit = fitted(4, vehicles=9, visits=4)
    made = Mixture(tuple(replace(one, solution=None) for one in fit.mixture().components))
    alone = WearFit(fit.data, fit.candidates, fit.weights, fit.choice, made, fit.gross, fit.notes, fit.smoothed)
    with pytest.raises(InputError, match="does not come from a fit"):
        joint_of(alone, np.array([[0, 1]]))

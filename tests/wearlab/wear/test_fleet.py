"""Simulated fleets are what they say they are."""

from __future__ import annotations

import numpy as np
import pytest

from wearlab.errors import InputError
from wearlab.wear.data import coded
from wearlab.wear.fleet import Fleet, simulated_fleet
from wearlab.wear.scale import WorkingScale

#: In units in which everything is near 1, without any noise but what a test turns on.
STILL = {
    "level": 10.0,
    "rate": 1.0,
    "gap": 1.0,
    "exposure_unit": "",
    **dict.fromkeys(
        ("vehicle_level", "vehicle_rate", "part_level", "part_rate", "path", "visit", "repeat", "error", "start"), 0.0
    ),
}


def still(seed: int, **other: object) -> Fleet:
    return simulated_fleet(seed, **(STILL | other))  # type: ignore[arg-type]


def test_same_seed_same_fleet() -> None:
    one, two, other = (simulated_fleet(seed, vehicles=5, replaced=0.3, beyond=0.1) for seed in (7, 7, 8))
    assert np.array_equal(one.data.y, two.data.y)
    assert not np.array_equal(one.data.y, other.data.y)


def test_without_noise_the_line_itself_is_read() -> None:
    fleet = still(1, vehicles=7, parts=3, visits=(1, 5), repeats=2)
    assert np.allclose(fleet.data.y, 10 + fleet.data.exposure)
    assert np.allclose(fleet.level, fleet.data.y)
    assert np.allclose(fleet.rate, 1)
    assert np.allclose(fleet.last_level, 10 + fleet.last_exposure)


@pytest.mark.parametrize("power", [0.0, 1 / 3, -1.0])
def test_powers_of_the_reading(power: float) -> None:
    scale = WorkingScale(power)
    level, rate = float(scale.forward(10.0)), float(scale.forward(12.0) - scale.forward(10.0))
    fleet = still(2, vehicles=4, visits=4, scale=scale, level=level, rate=rate)
    q = scale.inverse(level + rate * fleet.last_exposure)
    assert np.allclose(fleet.last_level, q)
    h = 1e-5
    steps = scale.inverse(level + rate * (fleet.last_exposure + h)) - scale.inverse(
        level + rate * (fleet.last_exposure - h)
    )
    assert np.allclose(fleet.rate, steps / (2 * h))


def test_power_of_exposure() -> None:
    fleet = still(3, vehicles=4, visits=4, scale=WorkingScale(1.0, 2.0))
    assert np.allclose(fleet.data.y, 10 + fleet.data.exposure**2 / fleet.working_unit)
    assert np.allclose(fleet.rate, 2 * fleet.last_exposure / fleet.working_unit)


@pytest.mark.parametrize(
    ("name", "sd"),
    [("vehicle_level", 0.5), ("part_level", 0.5), ("visit", 0.3), ("repeat", 0.3), ("error", 0.4)],
)
def test_spread_of_each_level_effect(name: str, sd: float) -> None:
    fleet = still(4, vehicles=3000, parts=2, visits=2, repeats=2, **{name: sd})
    d = fleet.data
    rest = d.y - 10 - d.exposure
    key = {
        "vehicle_level": d.vehicle,
        "part_level": d.part,
        "visit": d.vehicle * 2 + d.visit,
        "repeat": d.part * 2 + d.visit,
        "error": np.arange(d.y.size),
    }[name]
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    assert np.allclose(rest, rest[first][inverse])  # shared by whom it should be, and by nobody else
    assert abs(rest[first].std() / sd - 1) < 4 / np.sqrt(2 * first.size)
    assert abs(rest[first].mean()) < 4 * sd / np.sqrt(first.size)


@pytest.mark.parametrize("correlation", [-0.5, 0.0, 0.6])
def test_level_and_rate_of_a_part_are_correlated(correlation: float) -> None:
    fleet = still(5, vehicles=5000, part_level=0.5, part_rate=0.2, correlation=correlation)
    assert np.allclose(fleet.part_effects.std(axis=0), [0.5, 0.2], rtol=0.03)
    assert abs(np.corrcoef(fleet.part_effects.T)[0, 1] - correlation) < 4 / np.sqrt(fleet.part.size)
    assert np.allclose(fleet.rate - 1, fleet.part_effects[:, 1])


def test_path_is_a_wiener_process_from_exposure_zero() -> None:
    fleet = still(6, vehicles=4000, parts=1, visits=3, gap_spread=0.0, path=0.5)
    walk = (fleet.data.y - 10 - fleet.data.exposure).reshape(-1, 3)
    covariance = 0.25 * np.minimum.outer([1, 2, 3], [1, 2, 3])
    assert np.allclose(np.cov(walk.T), covariance, atol=0.05)
    assert np.allclose(fleet.last_level, 10 + 3 + walk[:, 2])
    assert np.allclose(fleet.rate, 1)


def test_renewed_parts_begin_again() -> None:
    fleet = still(7, vehicles=200, parts=3, visits=5, replaced=0.4)
    d = fleet.data
    assert fleet.part.size == pytest.approx(600 * 1.4, rel=0.1)
    for label in fleet.part[600:]:  # numbered after the parts that were there from the start
        own = d.part == label
        before = (d.vehicle == d.vehicle[own][0]) & (d.visit == d.visit[own].min() - 1)
        assert d.exposure[own].min() < d.exposure[~own & (d.vehicle == d.vehicle[own][0])].max()
        assert before.any()
        assert np.ptp(d.vehicle[own]) == 0


def test_exchanged_parts_carry_their_exposure() -> None:
    fleet = still(8, vehicles=100, parts=3, visits=5, moved=0.5, vehicle_rate=0.3)
    d = fleet.data
    assert d.gathered is not None
    travelled = 0
    for label in fleet.part:
        own = np.flatnonzero(d.part == label)
        own = own[np.argsort(d.visit[own])]
        assert (np.diff(d.exposure[own]) > 0).all()
        if np.ptp(d.vehicle[own]) == 0:
            assert np.array_equal(d.gathered[own], d.exposure[own])
            continue
        travelled += 1
        former, present = d.vehicle[own[0]], d.vehicle[own[-1]]
        left = (d.exposure - d.gathered)[own[-1]]
        assert d.exposure[own[d.vehicle[own] == former]].max() < left
        there = own[d.vehicle[own] == present]
        rates = fleet.vehicle_effects[:, 1]
        expected = 10 + d.exposure[there] + rates[former] * left + rates[present] * d.gathered[there]
        assert np.allclose(d.y[there], expected)
        assert fleet.rate[label] == pytest.approx(1 + rates[present])
    assert travelled == 50


@pytest.mark.parametrize("vehicles", [1, 2, 3])
def test_an_odd_vehicle_exchanges_with_nobody(vehicles: int) -> None:
    d = still(17, vehicles=vehicles, parts=2, visits=3, moved=1.0).data
    pairs = np.unique(np.column_stack([d.part, d.vehicle]), axis=0)
    assert len(pairs) == 2 * vehicles + 2 * (vehicles // 2)


def test_unknown_starts_count_from_the_first_visit() -> None:
    fleet = still(9, vehicles=500, parts=2, visits=4, unknown=0.5, start=2.0, start_level=3.0)
    d = fleet.data
    assert d.unknown_start is not None
    late = d.unknown_start & (d.visit == 0)
    assert np.allclose(d.exposure[late], 0)
    assert (d.exposure[~d.unknown_start] > 0).all()
    assert late.sum() == pytest.approx(500, rel=0.15)
    assert d.y[late].mean() == pytest.approx(13, abs=4 * 2 / np.sqrt(500))
    assert d.y[late].std() == pytest.approx(2, rel=0.15)


def test_shares_of_what_is_missing_beyond_and_spoiled() -> None:
    full = simulated_fleet(10, vehicles=200, gross=0.02)
    assert full.gross.size == round(0.02 * len(full.data))
    assert len(simulated_fleet(10, vehicles=200, missing=0.25).data) == pytest.approx(0.75 * len(full.data), rel=0.05)
    beyond = simulated_fleet(10, vehicles=200, beyond=0.3).data
    assert beyond.bound is not None
    assert beyond.bound.mean() == pytest.approx(0.3, abs=0.001)
    end = beyond.y.max()
    assert np.array_equal(beyond.bound == 1, beyond.y == end)
    assert simulated_fleet(10, vehicles=200, scale_end=end).data.y.max() == end
    clean = simulated_fleet(10, vehicles=200, gross=0)
    spoiled = simulated_fleet(10, vehicles=200, gross=3, gross_size=50.0)
    assert spoiled.gross.size == 3
    assert (np.abs(spoiled.data.y - spoiled.level)[spoiled.gross] > 80).all()
    assert np.array_equal(spoiled.level, clean.level)


def test_rounded_readings_and_zeros() -> None:
    fleet = still(11, vehicles=50, level=0.2, rate=0.5, resolution=1.0, error=0.3)
    d = fleet.data
    assert d.bound is not None
    assert d.resolution is not None
    zero = d.bound == -1
    assert zero.any()
    assert np.allclose(d.y[zero], 0.5)
    assert np.array_equal(d.y[~zero], np.round(d.y[~zero]))


def test_conditions_and_season_multiply_the_reading() -> None:
    fleet = still(12, vehicles=30, conditions=True, exponents=(0.8, 0.6), season=0.1)
    d = fleet.data
    assert d.covariates is not None
    assert d.covariate_names == ("pressure", "viscosity", "season cosine", "season sine")
    assert d.covariate_kind == ("factor",) * 4
    assert np.allclose(fleet.coefficients, [0.8, 0.6, -0.1, 0.0])
    assert np.allclose(d.y, fleet.level * np.exp(d.covariates @ fleet.coefficients))
    assert np.allclose(np.hypot(d.covariates[:, 2], d.covariates[:, 3]), 1)
    late = still(12, vehicles=30, season=0.1, last_in_season=True).data
    assert late.covariates is not None
    assert np.allclose(late.covariates[late.visit == 5, 0], -1)  # mid-year, when readings are highest


def test_viscosity_not_recorded() -> None:
    d = still(13, vehicles=100, conditions=True, viscosity_missing=0.4).data
    assert d.covariates is not None
    assert d.visit_sd is not None
    lost = d.visit_sd > 0
    assert lost.mean() == pytest.approx(0.4, abs=0.08)
    assert np.array_equal(lost, d.covariates[:, 1] == 0)
    assert np.allclose(d.visit_sd[lost], 0.7 * 0.15)


def test_periods_have_one_offset_each() -> None:
    fleet = still(14, vehicles=50, periods=2)
    d = fleet.data
    assert d.period is not None
    assert set(d.period) == {"", "period 1", "period 2"}
    for k, name in enumerate(("", "period 1", "period 2")):
        rows = d.period == name
        assert np.allclose(np.log(d.y / fleet.level)[rows], fleet.period_offsets[k])


def test_families_differ() -> None:
    fleet = still(15, vehicles=90, families=3)
    d = fleet.data
    assert d.family is not None
    for k in range(3):
        rows = d.family == k
        assert np.allclose(d.y[rows], fleet.family_effects[k, 0] + fleet.family_effects[k, 1] * d.exposure[rows])


def test_everything_at_once_is_valid_input() -> None:
    fleet = simulated_fleet(
        16,
        vehicles=40,
        visits=(1, 6),
        repeats=(1, 3),
        families=3,
        missing=0.2,
        replaced=0.2,
        moved=0.3,
        unknown=0.2,
        resolution=1.0,
        beyond=0.1,
        conditions=True,
        viscosity_missing=0.3,
        season=0.1,
        periods=3,
        gross=0.01,
        shared_visits=False,
    )
    numbers = coded(fleet.data)
    assert np.unique(numbers.visit).size == len(fleet.data)
    assert np.array_equal(numbers.part_label, fleet.part)
    assert np.isfinite(fleet.rate).all()
    assert np.array_equal(fleet.of_parts(fleet.part[::-1]), np.arange(fleet.part.size)[::-1])
    with pytest.raises(InputError):
        fleet.of_parts([10**6])

"""The factor of recalibration on forecasts whose error is known, and what it does to a mixture."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from wearlab.errors import InputError
from wearlab.forecast.passage import passage
from wearlab.forecast.recalibration import Recalibration, factor_of
from wearlab.records import NoAnswer
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.group import fit_group
from wearlab.wear.scale import STRAIGHT


def _factor(too_small: float, vehicles: int, seed: int, shared: float = 0.5, gross: int = 0) -> Recalibration:
    rng = np.random.default_rng(seed)
    vehicle = np.repeat(np.arange(vehicles), 4)
    z = np.sqrt(shared) * rng.standard_normal(vehicles)[vehicle] + np.sqrt(1 - shared) * rng.standard_normal(
        vehicle.size
    )
    z *= too_small
    z[:gross] = 40.0
    found = factor_of(ndtr(z), vehicle)
    assert isinstance(found, Recalibration)
    return found


@pytest.mark.parametrize("too_small", [0.7, 1.0, 1.6])
def test_finds_the_factor(too_small: float) -> None:
    found = [_factor(too_small, 400, seed) for seed in range(5)]
    assert np.mean([one.raw for one in found]) == pytest.approx(too_small, rel=0.05)
    assert np.mean([one.factor for one in found]) == pytest.approx(too_small, rel=0.08)
    assert np.mean([one.after for one in found]) == pytest.approx(0.9, abs=0.02)


def test_thin_evidence_is_shrunk_and_less_than_twenty_vehicles_correct_nothing() -> None:
    few, many = (np.mean([_factor(1.6, n, s).factor / _factor(1.6, n, s).raw for s in range(20)]) for n in (20, 300))
    assert few < many < 1.0
    found = factor_of(np.full(19, 0.999), np.arange(19))
    assert isinstance(found, NoAnswer)
    assert "fewer than 20" in found.reason
    # honest forecasts of twenty vehicles are moved less than their own error
    moved = np.std([np.log(_factor(1.0, 20, s).factor) for s in range(40)])
    assert moved < np.std([np.log(_factor(1.0, 20, s).raw) for s in range(40)])


@pytest.mark.parametrize("too_small", [0.7, 1.0, 1.6])
def test_normal_errors_of_a_known_spread_give_back_that_spread(too_small: float) -> None:
    """Without chance: the quantiles of the normal law stand for its draws, one a vehicle, so the factor is exact."""
    z = too_small * ndtri((np.arange(20_000) + 0.5) / 20_000)
    found = factor_of(ndtr(z), np.arange(z.size))
    assert isinstance(found, Recalibration)
    assert found.raw == pytest.approx(too_small, rel=2e-4)


def test_a_wild_reading_widens_no_group() -> None:
    plain = _factor(1.0, 60, 3).factor
    assert _factor(1.0, 60, 3, gross=1).factor == pytest.approx(plain, abs=0.05)
    # four of 240 at 40 sd count as 3 sd each: (1 + 4 * 9 / 240) ** 0.5 is 1.07; unbounded they would make it 1.3
    assert _factor(1.0, 60, 3, gross=4).factor == pytest.approx(plain, abs=0.1)


def test_a_vehicle_has_one_vote_however_often_it_was_read() -> None:
    rng = np.random.default_rng(9)
    vehicle = np.r_[np.repeat(np.arange(59), 4), np.full(400, 59)]
    z = rng.standard_normal(vehicle.size)
    z[-400:] = 2.5  # one vehicle off in all of its 400 readings
    found = factor_of(ndtr(z), vehicle)
    assert isinstance(found, Recalibration)
    # 59 honest scores of 1 and one of 6.25; by readings it would be (236 + 400 * 6.25) / 636, a factor of 2
    assert found.raw == pytest.approx(np.sqrt((59 + 6.25) / 60), abs=0.08)


def test_what_the_factor_would_do_is_told_on_the_other_half_of_the_vehicles() -> None:
    """Every second vehicle scatters twice as much as told: learnt on one half, the factor is wrong for the other."""
    rng = np.random.default_rng(2)
    vehicle = np.repeat(np.arange(400), 4)
    found = factor_of(ndtr(rng.standard_normal(vehicle.size) * (1 + vehicle % 2)), vehicle)
    assert isinstance(found, Recalibration)
    # with 2 where 1 was right, and with 1 where 2 was
    known = 1 - (2 * ndtr(-2 * 1.6449) + 2 * ndtr(-1.6449 / 2)) / 2
    assert found.after == pytest.approx(known, abs=0.03)


def test_scaled_mixture_has_wider_passages_around_the_same_middle() -> None:
    fleet = simulated_fleet(5, vehicles=12, parts=2, visits=5)
    fit = fit_group(fleet.data, scales=(STRAIGHT,), average=False, workers=1)
    mixture = fit.mixture()
    wider = mixture.scaled(1.5)
    one, other = mixture.components[0], wider.components[0]
    for name in ("var_level", "cov", "var_rate", "noise", "var_fresh", "family_covariance", "var_vehicle_rate"):
        np.testing.assert_allclose(getattr(other, name), 2.25 * getattr(one, name))
    assert other.path_variance == pytest.approx(2.25 * one.path_variance)
    index = np.arange(one.level.size)
    limit = one.level + 4.0
    told = [
        passage(m, index, limit, np.ones(index.size), np.zeros(index.size), (0.1, 0.9)).quantiles
        for m in (mixture, wider)
    ]
    # seen from the last reading the middle of the law stays about where it was and both ends move out
    assert (told[1][0] <= told[0][0] + 1e-6).all()
    assert (told[1][1] >= told[0][1] - 1e-6).all()
    assert mixture.scaled(1.0) is mixture
    for wrong in (0.0, -1.0, np.nan):
        with pytest.raises(InputError):
            mixture.scaled(wrong)

"""The general methods beside the wear model: rates by hand, vehicles kept whole, errors clustered by vehicle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wearlab.records import NoAnswer
from wearlab.study.candidates import Candidate
from wearlab.study.influences import Influences, influences
from wearlab.study.part_rates import part_rates
from wearlab.study.rate_models import RateModels, rate_models
from wearlab.wear.fleet import Fleet, simulated_fleet
from wearlab.wear.scale import STRAIGHT

VEHICLES = 48


def fleet_of(seed: int, **other: object) -> Fleet:
    return simulated_fleet(seed, vehicles=VEHICLES, **other)  # type: ignore[arg-type]


def asked(fleet: Fleet, y: np.ndarray[tuple[int], np.dtype[np.float64]], *candidates: Candidate) -> Influences:
    found = influences(replace(fleet.data, y=y), candidates, STRAIGHT)
    assert isinstance(found, Influences)
    return found


def told(found: Influences, **other: int) -> RateModels:
    models = rate_models(found, **other)
    assert not isinstance(models, NoAnswer)
    return models


def pace_of(fleet: Fleet) -> Candidate:
    pace = np.random.default_rng(1).normal(30, 5, VEHICLES)
    return Candidate("pace", pace[np.asarray(fleet.data.vehicle)], "km an engine hour")


def test_the_rate_of_a_part_is_generalised_least_squares_by_hand() -> None:
    fleet = fleet_of(2, repeats=2, missing=0.1)
    found = asked(fleet, np.asarray(fleet.data.y), pace_of(fleet))
    rates = part_rates(found.base, found.family_rate)
    sd, data = found.base.variances, fleet.data
    unit = float(found.family_rate[0]) / found.base.unit
    for place in (0, 17, 101):
        rows = np.flatnonzero(found.base.design.blocks.life == rates.life[place])
        rows = rows[np.asarray(found.base.estimate.work.doubt)[rows] == 0]
        x, visit = np.asarray(data.exposure)[rows], np.asarray(data.visit)[rows]
        cover = sd.path**2 * np.minimum.outer(x, x) + (sd.visit**2 + sd.repeat**2) * np.equal.outer(visit, visit)
        cover += sd.error**2 * np.eye(rows.size)
        design, inverse = np.column_stack([np.ones(rows.size), x]), np.linalg.inv(cover)
        beta_cover = np.linalg.inv(design.T @ inverse @ design)
        slope = (beta_cover @ design.T @ inverse @ np.asarray(data.y)[rows])[1]
        if rows.size == np.count_nonzero(found.base.design.blocks.life == rates.life[place]):
            assert rates.rate[place] == pytest.approx(slope / unit, rel=1e-6)
            assert rates.sd[place] == pytest.approx(np.sqrt(beta_cover[1, 1]) / unit, rel=1e-6)
    # a share of the family's rate: their weighted mean is it
    assert np.average(rates.rate, weights=rates.weight) == pytest.approx(1.0, abs=0.06)


def test_parts_read_once_have_no_rate_of_their_own() -> None:
    fleet = fleet_of(3, visits=(1, 5))
    found = asked(fleet, np.asarray(fleet.data.y), pace_of(fleet))
    rates = part_rates(found.base, found.family_rate)
    once = np.bincount(np.asarray(fleet.data.part), minlength=rates.life.max() + 1) == 1
    assert rates.silent == once.sum() > 0
    assert not once[rates.life].any()


def test_a_planted_effect_is_told_of_vehicles_not_learned_from() -> None:
    fleet = fleet_of(4, vehicle_rate=1e-5)
    vehicle = np.asarray(fleet.data.vehicle)
    rounds = np.random.default_rng(3).random(VEHICLES) < 0.4
    y = fleet.data.y + 0.8 * 1.2e-4 * rounds[vehicle] * fleet.data.exposure
    duty = Candidate("duty", np.where(rounds, "rounds", "trunk").astype(object)[vehicle])
    models = told(asked(fleet, y, duty, pace_of(fleet)), shuffles=2)
    assert models.net_score > 0.2
    assert models.trees_score > 0.2
    assert models.net_importance[0] > 0.2 > 10 * abs(models.net_importance[1])
    assert models.trees_importance[0] > 0.2 > 4 * abs(models.trees_importance[1])
    assert models.regression_p[0] < 1e-4


def test_vehicles_are_kept_whole() -> None:
    # vehicles differ much, parts of one hardly: whoever has seen a part of a vehicle knows the others by its number
    fleet = fleet_of(5, vehicle_rate=6e-5, part_rate=4e-6, error=0.5, repeat=0.1, visit=0.1, path=1e-4)
    vehicle = np.asarray(fleet.data.vehicle)
    number = np.random.default_rng(5).permutation(VEHICLES).astype(np.float64)
    found = asked(fleet, np.asarray(fleet.data.y), Candidate("number", number[vehicle]))
    models = told(found, shuffles=0)
    assert models.score < 0.05
    # the same table with parts dealt to the folds one by one seems to know
    from sklearn.ensemble import RandomForestRegressor
    from sklearn.model_selection import KFold, cross_val_score

    rates = part_rates(found.base, found.family_rate)
    forest = RandomForestRegressor(30, random_state=1)
    dealt = KFold(5, shuffle=True, random_state=1)
    assert cross_val_score(forest, number[rates.vehicle][:, None], rates.rate, cv=dealt).mean() > 0.5


def test_the_regression_clusters_its_errors_by_vehicle() -> None:
    fleet = fleet_of(6, vehicle_rate=6e-5)
    found = asked(fleet, np.asarray(fleet.data.y), pace_of(fleet))
    effect = told(found, shuffles=0).regression[0].percent
    rates = part_rates(found.base, found.family_rate)
    x = np.column_stack([np.ones(rates.life.size), found.frame.per_life(found.coded[0].columns)[rates.life, 0]])
    bread = np.linalg.inv((x * rates.weight[:, None]).T @ x)
    beta = bread @ (x * rates.weight[:, None]).T @ rates.rate
    score = x * (rates.weight * (rates.rate - x @ beta))[:, None]
    sums = np.stack([np.bincount(rates.vehicle, score[:, k]) for k in (0, 1)], axis=1)
    n, groups = rates.life.size, VEHICLES
    meat = sums.T @ sums * groups / (groups - 1) * (n - 1) / (n - 2)
    sd = 100 * np.sqrt((bread @ meat @ bread)[1, 1])
    assert effect.point == pytest.approx(100 * beta[1], rel=1e-9)
    # t with one degree of freedom less than there are vehicles: 1.678 for 47 at 90 % (tables of Student's t)
    assert (effect.high - effect.low) / 2 == pytest.approx(1.678 * sd, rel=1e-3)


def test_candidates_that_rated_parts_cannot_tell_apart_have_no_regression() -> None:
    # two numbers that differ on vehicles without a rate only
    fleet = fleet_of(7)
    vehicle, visit = np.asarray(fleet.data.vehicle), np.asarray(fleet.data.visit)
    kept = (vehicle < 36) | (visit == 0)
    pace = np.random.default_rng(7).normal(30, 5, VEHICLES)
    other = np.where(np.arange(VEHICLES) < 36, pace, pace[::-1])
    data = fleet.data.take(kept)
    told_of = np.asarray(data.vehicle)
    found = influences(data, [Candidate("pace", pace[told_of]), Candidate("speed", other[told_of])], STRAIGHT)
    assert isinstance(found, Influences)
    assert len(found.asked) == 2
    models = told(found, shuffles=0)
    assert models.regression == ()
    assert np.isnan(models.regression_p).all()

"""Hidden tests stay hidden, forecasts of them hold on fleets of our own model, and crossings are followed honestly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wearlab.forecast.hindsight import Held, held_back, hide, one_a_vehicle, rolling, weighed
from wearlab.forecast.hindsight_scores import crossing_outcome, not_tested_again, reading_scores
from wearlab.forecast.scores import covered
from wearlab.records import NoAnswer
from wearlab.wear.data import WearData, coded
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT, WorkingScale


def of(data: WearData, visits: int = 1, **options: object) -> Held:
    found = held_back(data, visits, scales=(STRAIGHT,), workers=1, **options)  # type: ignore[arg-type]
    assert isinstance(found, Held)
    return found


@pytest.fixture(scope="module")
def fleet() -> WearData:
    return simulated_fleet(11, vehicles=60, parts=4, visits=5).data


def test_hides_the_last_visits_of_every_vehicle() -> None:
    vehicle = np.array([0, 0, 0, 0, 1, 1, 2])
    visit = np.array([1, 2, 2, 3, 1, 2, 1])
    part = np.array([0, 0, 1, 1, 2, 2, 3])
    data = coded(WearData(y=np.ones(7), exposure=visit * 1.0, vehicle=vehicle, part=part, visit=visit))
    known, last = hide(data, 1)
    assert known.tolist() == [True, True, True, False, True, False, True]
    assert (last == ~known).all()
    known, last = hide(data, 2)
    # the vehicle of two visits stays whole: nothing would be left of it
    assert known.tolist() == [True, False, False, False, True, True, True]
    assert np.flatnonzero(last).tolist() == [3]


def test_hidden_readings_change_no_forecast(fleet: WearData) -> None:
    held = of(fleet)
    changed = np.asarray(fleet.y).copy()
    changed[held.source] += 50.0
    other = of(replace(fleet, y=changed))
    assert (held.law.mean == other.law.mean).all()
    assert (held.law.sd == other.law.sd).all()
    assert (other.y == held.y + 50).all()
    assert (held.y == np.asarray(fleet.y)[held.source]).all()
    assert (held.ahead > 0).all()


def test_forecasts_hold_on_our_own_fleets() -> None:
    for visits in (1, 2):
        shares = []
        for seed in range(4):
            held = of(simulated_fleet(30 + seed, vehicles=60, parts=4, visits=5).data, visits)
            shares.append([covered(held.pit, c).mean() for c in (0.5, 0.8, 0.9)])
            score = {one.forecast: one for one in reading_scores(held)}
            assert score["wear model"].crps < min(one.crps for name, one in score.items() if name != "wear model")
            assert sum(score["wear model"].pit) == score["wear model"].n == held.y.size
        assert np.mean(shares, axis=0) == pytest.approx([0.5, 0.8, 0.9], abs=0.05)


def test_scores_of_the_law_agree_with_its_quantiles(fleet: WearData) -> None:
    held = of(fleet)
    low, high = held.law.quantiles((0.05, 0.95))
    assert ((low <= held.y) & (held.y <= high) == covered(held.pit, 0.9)).all()
    assert held.law.below(low) == pytest.approx(np.full(low.size, 0.05), abs=1e-6)
    wider = reading_scores(held, factor=2.0)[0]
    assert wider.coverage_90 > reading_scores(held)[0].coverage_90
    some = np.zeros(held.y.size, dtype=np.bool_)
    some[:17] = True
    assert reading_scores(held, some)[0].n == 17
    assert reading_scores(held, ~np.ones(held.y.size, dtype=np.bool_)) == ()


def test_crossings_are_followed_as_far_as_the_tests_go(fleet: WearData) -> None:
    held = of(fleet)
    up = np.ones(held.y.size)
    gone = crossing_outcome(held, np.full(held.y.size, -5.0), up, 3)
    assert (gone.parts, gone.pulled, gone.brier) == (0, 3, None)
    far = crossing_outcome(held, np.full(held.y.size, 1e4), up, 0)
    assert (far.open, far.inside, far.early, far.late) == (held.y.size, 0, 0, 0)
    assert far.expected == pytest.approx(0.0, abs=1e-9)
    near = crossing_outcome(held, np.full(held.y.size, 44.0), up, 0)
    assert near.inside + near.early + near.late + near.open == near.parts > 50
    assert near.inside + near.early == near.read_past
    # forecasts of our own fleet: the number of readings past is within three sd of what was told
    assert abs(near.read_past - near.expected) < 3 * np.sqrt(near.expected)
    assert near.brier is not None
    assert near.brier < min(near.rivals.values())
    # a limit below, on readings turned upside down, is the same
    turned = crossing_outcome(of(replace(fleet, y=100 - np.asarray(fleet.y))), np.full(held.y.size, 56.0), -up, 0)
    assert (turned.parts, turned.read_past, turned.open) == (near.parts, near.read_past, near.open)


def test_a_pulled_part_and_a_new_one_are_no_miss(fleet: WearData) -> None:
    held = of(fleet)
    row = int(held.source[0])
    pulled = fleet.take(np.delete(np.arange(len(fleet)), row))
    assert not_tested_again(held).size == 0
    less = of(pulled)
    assert not_tested_again(less).size == 1
    assert less.y.size == held.y.size - 1
    renewed = np.asarray(fleet.part).copy()
    renewed[row] = renewed.max() + 1
    fresh = of(replace(fleet, part=renewed))
    assert (fresh.new_parts, fresh.y.size) == (1, held.y.size - 1)
    beyond = np.zeros(len(fleet), dtype=np.int8)
    beyond[row] = 1
    assert of(replace(fleet, bound=beyond)).beyond == 1


def test_a_reading_after_an_event_is_not_scored(fleet: WearData) -> None:
    held = of(fleet)
    step = np.zeros((len(fleet), 1))
    step[held.source[:4]] = 1.0
    cleaned = replace(
        fleet, covariates=step, covariate_names=("cleaned",), covariate_role=("step",), prior_sd=np.ones(1)
    )
    assert of(cleaned).after_event == 4
    assert of(cleaned).y.size == held.y.size - 4


def test_large_fleets_are_sampled_and_short_ones_silent(fleet: WearData) -> None:
    sampled = of(fleet, most_vehicles=20)
    assert np.unique(np.asarray(fleet.vehicle)[sampled.source]).size == 20
    once = fleet.take(np.asarray(fleet.visit) == np.asarray(fleet.visit).min())
    found = rolling(once, workers=1)
    assert isinstance(found, NoAnswer)
    assert "nothing can be hidden" in found.reason
    assert one_a_vehicle([1.0, 3.0, 10.0], np.array([4, 4, 7])).tolist() == [2.0, 10.0]


def test_given_weights_are_those_of_the_scales() -> None:
    data = simulated_fleet(3, vehicles=15, parts=1, visits=5).data
    scales = (STRAIGHT, WorkingScale(1.0, 2.0))
    found = held_back(data, 1, scales=scales, weights=[0.9, 0.1], workers=1)
    assert isinstance(found, Held)
    by_scale = {scale: sum(c.weight for c in found.fit.mixture().components if c.scale == scale) for scale in scales}
    assert list(by_scale.values()) == pytest.approx([0.9, 0.1])
    assert weighed(found.fit.mixture(), scales, [0.5, 0.5]).weights.sum() == pytest.approx(1.0)

"""Candidates inside the wear model: planted shares come back, alone means without the others, few vehicles say so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wearlab.records import NoAnswer
from wearlab.study.candidates import Candidate
from wearlab.study.influences import Influences, discovered, influences
from wearlab.study.rate_models import RateModels, rate_models
from wearlab.wear.evaluate import at_variances
from wearlab.wear.fleet import Fleet, simulated_fleet
from wearlab.wear.scale import STRAIGHT, WorkingScale

VEHICLES = 48
DUTY = np.array(["rounds", "trunk", "trunk"], dtype=object)[np.arange(VEHICLES) % 3]


def quiet(seed: int = 3, **other: object) -> Fleet:
    """A fleet whose parts and vehicles wear alike but for little."""
    small: dict[str, object] = {
        "vehicle_level": 0.05, "vehicle_rate": 2e-7, "part_level": 0.05, "part_rate": 2e-7, "path": 1e-5, "visit": 0.01,
        "repeat": 0.01, "error": 0.02, "family_spread": 0.0,
    }  # fmt: skip
    return simulated_fleet(seed, vehicles=VEHICLES, **(small | other))  # type: ignore[arg-type]


def asked(found: Influences | NoAnswer) -> Influences:
    assert isinstance(found, Influences)
    return found


def test_a_planted_share_of_the_rate_comes_back() -> None:
    fleet = quiet(families=2)
    vehicle = np.asarray(fleet.data.vehicle)
    rounds = DUTY[vehicle] == "rounds"
    y = fleet.data.y + 0.30 * 1.2e-4 * rounds * fleet.data.exposure
    found = asked(influences(replace(fleet.data, y=y), [Candidate("duty", DUTY[vehicle])], STRAIGHT))
    one = found.asked[0]
    told = {effect.label: effect.percent for effect in one.effects}
    # a third wears 30 % faster, so that the average is 10 % up: 1.3 / 1.1 and 1 / 1.1 of it
    assert told["rounds"].point == pytest.approx(100 * (1.3 / 1.1 - 1), abs=0.3)
    assert told["trunk"].point == pytest.approx(100 * (1 / 1.1 - 1), abs=0.3)
    assert told["rounds"].low < told["rounds"].point < told["rounds"].high
    assert one.p < 1e-6


def test_a_level_that_differs_is_no_rate() -> None:
    fleet = quiet(5)
    vehicle = np.asarray(fleet.data.vehicle)
    y = fleet.data.y + 6.0 * (DUTY[vehicle] == "rounds")
    found = asked(influences(replace(fleet.data, y=y), [Candidate("duty", DUTY[vehicle])], STRAIGHT))
    assert max(abs(effect.percent.point) for effect in found.asked[0].effects) < 0.3
    assert found.asked[0].p > 0.01


def test_a_vehicle_that_changes_counts_under_both() -> None:
    fleet = quiet(7, visits=8)
    visit, exposure, part = (np.asarray(v) for v in (fleet.data.visit, fleet.data.exposure, fleet.data.part))
    rounds = (np.asarray(fleet.data.vehicle) % 2 == 0) == (visit < 4)  # everyone changes half way
    y = np.array(fleet.data.y)
    for one in np.unique(part):
        here = np.flatnonzero(part == one)
        here = here[np.argsort(exposure[here])]
        y[here] += 0.5 * 1.2e-4 * np.cumsum(rounds[here] * np.diff(exposure[here], prepend=0.0))
    words = np.where(rounds, "rounds", "trunk").astype(object)
    found = asked(influences(replace(fleet.data, y=y), [Candidate("duty", words)], STRAIGHT))
    told = {effect.label: effect.percent.point for effect in found.asked[0].effects}
    # between the two words: half the rate; the rate that it is a share of lies between 1 and 1.5 of the planted one
    assert 100 * 0.5 / 1.5 < told["rounds"] - told["trunk"] < 100 * 0.5
    assert told["rounds"] - told["trunk"] == pytest.approx(100 * 0.5 / 1.25, abs=2.0)


def test_alone_is_the_same_model_without_the_others() -> None:
    fleet = simulated_fleet(11, vehicles=VEHICLES)
    vehicle = np.asarray(fleet.data.vehicle)
    rng = np.random.default_rng(11)
    pace = rng.normal(30, 5, VEHICLES)
    fuel = 40 - 0.5 * pace + rng.normal(0, 2, VEHICLES)
    both = [Candidate("pace", pace[vehicle]), Candidate("fuel", fuel[vehicle])]
    found = asked(influences(fleet.data, both, STRAIGHT))
    names = found.fit.design.data.names
    data = found.fit.design.data.source
    kept = [k for k, name in enumerate(names) if name != "influence fuel, 1"]
    without = replace(
        data,
        covariates=np.asarray(data.covariates)[:, kept],
        covariate_names=tuple(names[k] for k in kept),
        covariate_kind=("added",) * len(kept),
        covariate_role=("condition",) * len(kept),
        prior_mean=np.zeros(len(kept)),
        prior_sd=np.full(len(kept), np.inf),
    )
    work, _, _, alone = at_variances(without, found.fit.variances, STRAIGHT)
    place = [column.name for column in work.design.columns].index("influence pace, 1")
    pace_told = found.asked[0].effects[0]
    assert pace_told.alone.point == pytest.approx(
        100 * alone.beta[place], rel=5e-3
    )  # doubted readings count in full there
    assert abs(pace_told.alone.point - pace_told.percent.point) > 0.1
    # beside a candidate that it goes with, it is known less well
    assert pace_told.percent.high - pace_told.percent.low > 1.1 * (pace_told.alone.high - pace_told.alone.low)


@pytest.mark.parametrize("scale", [WorkingScale(0.0), WorkingScale(1.0, 1.5)], ids=lambda scale: scale.name)
def test_on_other_working_scales(scale: WorkingScale) -> None:
    log = scale.power == 0
    shape = {"level": 3.0, "rate": 6e-6} if log else {}
    spread = {"vehicle_level": 2e-3, "part_level": 2e-3, "visit": 1e-3, "repeat": 1e-3, "error": 1e-3,
              "vehicle_rate": 1e-8, "part_rate": 1e-8, "path": 1e-7}  # fmt: skip
    fleet = quiet(13, scale=scale, **shape, **(spread if log else {}))
    vehicle = np.asarray(fleet.data.vehicle)
    rate = float(fleet.family_effects[0, 1])
    span = fleet.working_unit
    xi = span * scale.exposure(np.asarray(fleet.data.exposure) / span)
    y = scale.inverse(scale.forward(fleet.data.y) + 0.3 * rate * (DUTY[vehicle] == "rounds") * xi)
    found = asked(influences(replace(fleet.data, y=y), [Candidate("duty", DUTY[vehicle])], scale))
    assert found.asked[0].effects[0].label == "rounds"
    assert found.asked[0].effects[0].percent.point == pytest.approx(100 * (1.3 / 1.1 - 1), abs=0.5)


def test_few_vehicles_and_no_clear_rate_have_no_answer() -> None:
    few = simulated_fleet(1, vehicles=12)
    vehicle = np.asarray(few.data.vehicle)
    found = influences(few.data, [Candidate("duty", DUTY[vehicle])], STRAIGHT)
    assert isinstance(found, NoAnswer)
    assert "tested at two distances: 12" in found.reason
    still = simulated_fleet(1, vehicles=VEHICLES, rate=0.0)
    found = influences(still.data, [Candidate("duty", DUTY[np.asarray(still.data.vehicle)])], STRAIGHT)
    assert isinstance(found, NoAnswer)
    assert "cannot be told from zero" in found.reason


def test_chances_are_adjusted_over_the_questions_of_all_groups() -> None:
    made = []
    for seed in (1, 2):
        fleet = simulated_fleet(seed, vehicles=30)
        vehicle = np.asarray(fleet.data.vehicle)
        made.append(asked(influences(fleet.data, [Candidate("duty", DUTY[vehicle])], STRAIGHT)))
    p = [group.asked[0].p for group in made]
    told = [group.asked[0].adjusted for group in discovered(made)]
    assert told[int(np.argmin(p))] == pytest.approx(min(2 * min(p), max(p)))
    assert told[int(np.argmax(p))] == pytest.approx(max(p))


def test_nothing_to_ask_leaves_the_model_as_it_is() -> None:
    fleet = simulated_fleet(1, vehicles=30)
    found = asked(influences(fleet.data, [Candidate("duty", np.full(len(fleet.data), "", dtype=object))], STRAIGHT))
    assert found.asked == ()
    assert found.left_out[0].name == "duty"
    assert isinstance(rate_models(found), NoAnswer)
    assert not isinstance(rate_models(found), RateModels)

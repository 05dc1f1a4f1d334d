"""The flags where there is nothing to tell, and the size of the normal values they rest on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from conftest import ROOT
from studies.hindsight import CURVED, OWN, read, row, summary
from studies.mechanisms import MECHANISMS
from wearlab.forecast.hindsight import held_back
from wearlab.forecast.misfit import BEND, LEAN, SHORT, SPREAD, bend, normal_mean, signs
from wearlab.records import NoAnswer
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT, WorkingScale

STUDY = read(ROOT / "docs/studies/hindsight.csv")


def test_bend_of_straight_and_of_bent_wear() -> None:
    straight = [bend(simulated_fleet(s, vehicles=25, parts=2, visits=6).data, 1.0, workers=1) for s in range(10)]
    values = np.array(straight, dtype=np.float64)
    assert np.abs(values.mean()) < 1.0
    assert 0.4 < values.std(ddof=1) < 1.7
    bent = simulated_fleet(3, vehicles=25, parts=2, visits=6, scale=WorkingScale(1.0, 2.0)).data
    up = bend(bent, 1.0, workers=1)
    assert up is not None
    assert up > 3 * BEND
    assert bend(bent, -1.0, workers=1) == pytest.approx(-up, rel=1e-6)
    nothing = replace(bent, unknown_start=np.ones(len(bent), dtype=np.bool_))
    assert bend(nothing, 1.0, workers=1) is None


def test_wear_that_speeds_up_is_flagged_whichever_way_it_goes() -> None:
    bent = simulated_fleet(3, vehicles=25, parts=2, visits=6, scale=WorkingScale(1.0, 2.0)).data
    turned = replace(bent, y=200.0 - np.asarray(bent.y))
    for data, sign in ((bent, 1.0), (turned, -1.0)):
        held = held_back(data, 1, scales=(STRAIGHT,), workers=1)
        told = signs(data, held, sign=sign, workers=1)
        assert told.accelerating
        assert told.bend is not None
        assert told.bend > BEND
        # a straight line's forecasts of two hidden visits fall short
        assert told.short is not None
        assert told.short > SHORT
    # the same wear taken for the other way slows down
    assert not signs(data, held, sign=-sign, workers=1).accelerating


def test_normal_mean_has_one_score_a_vehicle() -> None:
    rng = np.random.default_rng(6)
    vehicle = np.repeat(np.arange(50), 8)
    told = [normal_mean(ndtr(rng.standard_normal(50))[vehicle], vehicle) for _ in range(200)]
    assert np.std(told) == pytest.approx(1.0, abs=0.15)
    assert normal_mean(np.full(400, 0.9), vehicle) > 5


def test_few_vehicles_raise_no_flag() -> None:
    data = simulated_fleet(1, vehicles=8, parts=2, visits=4).data
    told = signs(data, held_back(data, 1, scales=(STRAIGHT,), workers=1))
    assert (told.accelerating, told.misfit, told.bend) == (False, False, None)
    assert "fewer than 10" in told.sentences[0]
    assert signs(data, NoAnswer("nothing can be hidden")).sentences[0].endswith("nothing can be hidden.")


def test_spoiled_forecasts_are_a_misfit() -> None:
    data = simulated_fleet(4, vehicles=40, parts=2, visits=5).data
    held = held_back(data, 1, scales=(STRAIGHT,), workers=1)
    assert not isinstance(held, NoAnswer)
    assert not signs(data, held, workers=1).misfit
    narrow = replace(held, pit=held.law.scaled(0.5).below(held.y))
    assert signs(data, narrow, workers=1).misfit
    aside = replace(held, pit=held.law.below(held.y + 2.0))
    assert signs(data, aside, workers=1).misfit


def test_flags_of_the_study() -> None:
    for one in STUDY:
        assert one.accelerating == (one.bend > BEND or one.short > SHORT)
        assert one.misfit == (one.spread > SPREAD or one.lean > LEAN)
    told = {name: summary([one for one in STUDY if one.mechanism == name]) for name in MECHANISMS}
    assert 0.86 <= told[OWN].coverage <= 0.94
    # asked within 1.10 of the score with the true variances: held where the scale is known, and by the fleets' median;
    # over all crossings the choice of the scale costs 1.16, most where a fleet's limit lies three times as far out as
    # its readings
    assert told[OWN].ratio_given <= 1.05
    assert told[OWN].ratio_middle <= 1.06
    assert told[OWN].ratio <= 1.18
    # asked one fleet in ten; of 36 fleets the share has a standard error of 0.05
    assert told[OWN].flagged <= 4.5 / 36
    assert told[CURVED].flagged <= 0.5 / 36
    # our own model on a curved scale: asked 0.86
    assert 0.85 <= told[CURVED].coverage <= 0.94
    foreign = [told[name] for name in MECHANISMS if name not in (OWN, CURVED)]
    assert len(foreign) == 3
    for one in foreign:
        assert one.coverage >= 0.80
    # asked: nine of ten of the fleets whose coverage fails are flagged. All are where wear bends; a process of jumps
    # is straight and honest on average, and its three failures, of small fleets, are not foreseen
    bent = [told[name] for name in ("cubic clearance", "contamination")]
    assert sum(one.failed_and_flagged for one in bent) == sum(one.failed for one in bent) > 0
    assert sum(one.failed_and_flagged for one in foreign) >= 0.7 * sum(one.failed for one in foreign)
    assert told["gamma process"].failed <= 3.5


def test_a_row_of_the_study_is_made_again() -> None:
    small = min(STUDY, key=lambda one: one.units * one.readings)
    made = row(small.mechanism, small.seed)
    assert (made.units, made.readings, made.n) == (small.units, small.readings, small.n)
    assert (made.accelerating, made.misfit) == (small.accelerating, small.misfit)
    assert made.crps == pytest.approx(small.crps, rel=0.02)
    assert made.covered_90 == pytest.approx(small.covered_90, abs=1)

"""Crossings among hidden readings: what came is put into its class, whatever side the limit lies on.

Readings and limits are set where the forecast's own quantiles put them, so that every class and chance is known.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from wearlab.forecast.hindsight import Held, held_back
from wearlab.forecast.hindsight_scores import CrossingOutcome, crossing_outcome, histories, reading_scores
from wearlab.wear.data import WearData
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT


@cache
def fleet() -> WearData:
    return simulated_fleet(11, vehicles=60, parts=4, visits=5).data


@cache
def held(turned: bool = False) -> Held:
    """The fleet with its last visits hidden; `turned`: upside down, so that it wears downwards."""
    y = np.asarray(fleet().y)
    found = held_back(replace(fleet(), y=100.0 - y if turned else y), 1, scales=(STRAIGHT,), workers=1)
    assert isinstance(found, Held)
    return found


def followed(chance: float, past: bool, *, turned: bool = False, factor: float = 1.0) -> CrossingOutcome:
    """Limits that the next reading keeps short of with a chance; every reading came 1 past them, or 1 short."""
    found, side = held(turned), -1.0 if turned else 1.0
    (limit,) = found.law.quantiles((1 - chance if turned else chance,))
    came = replace(found, y=limit + side * (1.0 if past else -1.0))
    return crossing_outcome(came, limit, np.full(limit.size, side), 0, factor)


@pytest.mark.parametrize("turned", [False, True])
def test_a_part_that_nobody_has_seen_past_is_open_and_no_miss(turned: bool) -> None:
    """Half of them were to be past by then: the interval has begun and goes on."""
    told = followed(0.5, past=False, turned=turned)
    assert told.parts > 200
    assert (told.open, told.late, told.inside, told.early, told.read_past) == (told.parts, 0, 0, 0, 0)
    assert told.expected == pytest.approx(0.5 * told.parts, rel=1e-6)
    assert told.brier == pytest.approx(0.25)


@pytest.mark.parametrize("turned", [False, True])
def test_past_within_the_interval_or_before_it(turned: bool) -> None:
    within = followed(0.5, past=True, turned=turned)
    assert (within.inside, within.early, within.late, within.open) == (within.parts, 0, 0, 0)
    assert within.read_past == within.parts
    # the level passes with far less than 5 in 100 by then
    before = followed(0.9999, past=True, turned=turned)
    assert (before.inside, before.early, before.late, before.open) == (0, before.parts, 0, 0)
    assert before.parts > 200
    assert before.brier == pytest.approx(0.9999**2, abs=1e-4)


@pytest.mark.parametrize("turned", [False, True])
def test_late_is_what_should_long_have_passed(turned: bool) -> None:
    """Limits that 95 in 100 readings lie past, of parts whose last reading lay short of them."""
    told = followed(0.05, past=False, turned=turned)
    assert told.parts >= 3
    assert (told.late, told.open, told.inside, told.early) == (told.parts, 0, 0, 0)
    assert told.expected == pytest.approx(0.95 * told.parts, rel=1e-6)


@pytest.mark.parametrize("turned", [False, True])
def test_a_factor_widens_chances_and_intervals(turned: bool) -> None:
    told = followed(0.9999, past=True, turned=turned, factor=3.0)
    # three times the sd: 3.719 sd out become 1.240, and with it the interval has begun
    assert told.expected == pytest.approx(0.1075 * told.parts, rel=0.02)
    assert (told.inside, told.early) == (told.parts, 0)


def test_rivals_are_asked_on_the_side_of_the_limit() -> None:
    """Limits out of reach, on either side: nobody expects the reading there, and it does not come."""
    for turned, side, far in ((False, 1.0, 1e4), (True, -1.0, -1e4)):
        found = held(turned)
        told = crossing_outcome(found, np.full(found.y.size, far), np.full(found.y.size, side), 0)
        assert set(told.rivals) == {"line per part", "no change", "family rate"}
        assert max(told.rivals.values()) < 1e-3
        assert told.expected == pytest.approx(0.0, abs=1e-9)


def test_a_part_read_past_its_limit_is_left_out() -> None:
    found = held()
    known = histories(found)
    last = known.y[known.last[found.part]]
    ahead = np.arange(last.size) % 3 > 0
    told = crossing_outcome(found, np.where(ahead, last + 0.5, last - 0.5), np.ones(last.size), 0)
    assert told.parts == int(ahead.sum())
    unknown = crossing_outcome(found, np.where(ahead, last + 0.5, np.nan), np.ones(last.size), 0)
    assert unknown.parts == int(ahead.sum())


def test_bias_is_what_came_beyond_what_was_told() -> None:
    plain = reading_scores(held())[0]
    (middle,) = held().law.quantiles((0.5,))
    assert plain.bias == pytest.approx(np.mean(held().y - middle))
    assert plain.error == pytest.approx(np.median(np.abs(held().y - middle)))
    raised = reading_scores(replace(held(), y=held().y + 30.0))
    for one in raised:
        assert 20 < one.bias < 45


def test_an_event_that_changes_the_rate_counts_from_its_beginning() -> None:
    """Exposure since a change of rate: new at four hidden readings, under way before at four others."""
    source = held().source
    column = np.zeros((len(fleet()), 1))
    column[source[:4]] = 500.0
    exposure, part = np.asarray(fleet().exposure), np.asarray(fleet().part)
    for row in source[4:8]:
        own = np.flatnonzero(part == part[row])
        begun = np.sort(exposure[own])[1]
        column[own] = np.maximum(exposure[own] - begun, 0.0)[:, None]
    changed = replace(
        fleet(), covariates=column, covariate_names=("since",), covariate_role=("rate",), prior_sd=np.ones(1)
    )
    found = held_back(changed, 1, scales=(STRAIGHT,), workers=1)
    assert isinstance(found, Held)
    assert found.after_event == 4
    assert sorted(found.source.tolist()) == sorted(source[4:].tolist())

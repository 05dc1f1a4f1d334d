"""Planted causes are found and named, and nothing is found where nothing was planted, within the budget.

Seeded simulations; the truth is planted by the test itself.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from wearlab.control.budget import FalseSignals, false_signals, limit_for
from wearlab.control.cause_scores import CauseScores
from wearlab.control.episodes import Episode, episodes, telling
from wearlab.control.innovations import whitened
from wearlab.control.shared import chance_of_signal, lasting
from wearlab.control.signatures import signatures
from wearlab.errors import InputError
from wearlab.records import NoAnswer
from wearlab.wear import fit_group
from wearlab.wear.data import WearData
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT
from wearlab.wear.scale_fit import ScaleFit

VEHICLES, PARTS, VISITS, ERROR = 40, 4, 7, 2.0
SPOILED = 5  # the vehicle
FROM = 4  # the visit


def fleet(seed: int, vehicles: int = VEHICLES) -> WearData:
    return simulated_fleet(seed, vehicles=vehicles, parts=PARTS, visits=VISITS, error=ERROR).data


def fit(data: WearData) -> ScaleFit:
    found = fit_group(data, scales=(STRAIGHT,), average=False)
    assert not isinstance(found, NoAnswer)
    return found.best


@cache
def quiet() -> tuple[ScaleFit, FalseSignals]:
    own = fit(fleet(3, 120))
    return own, false_signals(own)


@cache
def limit() -> float:
    return limit_for(1.0, [(quiet()[1], VEHICLES / 2)])


def turns(data: WearData) -> NDArray[np.int64]:
    """Number of each reading's visit on its vehicle."""
    out = np.zeros(len(data), dtype=np.int64)
    for vehicle in np.unique(data.vehicle):
        of = data.vehicle == vehicle
        out[of] = np.searchsorted(np.unique(data.visit[of]), data.visit[of])
    return out


def planted(kind: str, seed: int) -> WearData:
    data = fleet(seed)
    own = data.vehicle == np.unique(data.vehicle)[SPOILED]
    part = data.part == np.unique(data.part[own])[1]
    turn, y = turns(data), data.y.copy()
    late = own & (turn >= FROM)
    if kind == "reading":
        y[own & part & (turn == FROM)] += 6 * ERROR
    elif kind == "step":
        y[late & part] += 6 * ERROR
    elif kind == "visit":
        y[own & (turn == FROM)] += 4 * ERROR
    elif kind == "vehicle":
        y[late] += 4 * ERROR
    else:
        start = data.exposure[own & part & (turn == FROM - 1)][0]
        y[late & part] += 4e-4 * (data.exposure[late & part] - start)
    return replace(data, y=y)


def of_the_vehicle(own: ScaleFit) -> list[Episode]:
    label = own.design.data.vehicle_label
    return [one for one in episodes(own, limit()) if label[one.vehicle] == np.sort(label)[SPOILED]]


@pytest.mark.parametrize(("kind", "least"), [("reading", 9), ("step", 7), ("wear", 7), ("visit", 8), ("vehicle", 9)])
def test_the_planted_cause_is_named_first(kind: str, least: int) -> None:
    named: Counter[str] = Counter()
    for seed in range(10):
        own = fit(planted(kind, seed))
        found = of_the_vehicle(own)
        if found:
            cause = found[0].causes[0]
            named[cause.kind] += 1
            if cause.kind == kind == "vehicle":
                # in 10 fleets a 99 % interval, widened by what the fitted variances may be off
                assert abs(cause.size - 4 * ERROR) < 3.5 * cause.sd
                early, late = (int(own.design.data.turn[k]) for k in (cause.onset_early, cause.onset_late))
                assert early <= FROM <= late
    assert named[kind] >= least, named


def test_what_the_newest_visit_cannot_tell_is_named_with_the_test_that_would() -> None:
    data = planted("reading", 2)
    until = data.take(turns(data) <= FROM)
    found = of_the_vehicle(fit(until))
    assert found
    kinds = {cause.kind for cause in found[0].causes}
    assert {"reading", "step"} <= kinds
    assert any("once more" in test for test in telling(found[0].causes))


def test_false_signals_keep_to_the_budget() -> None:
    _, known = quiet()
    asked = 0.02  # a visit
    at = limit_for(asked * 100, [(known, 100.0)])
    begun = seen = 0
    for seed in range(20, 32):
        own = fit(fleet(seed, 120))
        for white in whitened(own):
            over = CauseScores.of(white, signatures(white).d).largest(white.w[:, None])[:, 0] >= at
            fresh = over.copy()
            fresh[:, 1:] &= ~over[:, :-1]
            begun, seen = begun + int(fresh.sum()), seen + over.size
    # 25 % and, beside it, three standard errors of a count of about 200
    assert begun / seen == pytest.approx(asked, rel=0.25 + 3 / np.sqrt(asked * seen))


def test_limits_rise_as_the_budget_falls() -> None:
    _, known = quiet()
    limits = [limit_for(budget, [(known, 200.0)]) for budget in (5.0, 1.0, 0.1)]
    assert limits == sorted(limits)
    assert limit_for(1.0, [(known, 200.0), (known, 200.0)]) > limits[1]
    with pytest.raises(InputError):
        limit_for(0.0, [(known, 10.0)])


def test_a_rig_that_drifts_is_told_with_size_and_day() -> None:
    inside = 0
    for seed in range(8):
        data = fleet(seed)
        turn = turns(data)
        vehicle = np.unique(data.vehicle, return_inverse=True)[1]
        rig = ((vehicle + turn) % 3).astype(np.int64)
        day = (150 * turn + 3 * vehicle).astype(np.int64)
        y = data.y * np.where((rig == 1) & (day >= 600), 1.08, 1.0)
        drifted = lasting(fit(replace(data, y=y)), rig, day)[1]
        best = drifted.best
        assert abs(drifted.z[best]) > 4
        inside += abs(drifted.size[best] - 0.08) < 1.645 * drifted.sd[best]
        early, late = drifted.onset()
        assert early <= 615
        assert late >= 600 - 150
        assert chance_of_signal(drifted, int(day.max()) - 30, 4.0) < chance_of_signal(drifted, 0, 3.0)
    assert inside >= 4  # of 8 at 90 %: 3 or fewer has a chance below 0.001

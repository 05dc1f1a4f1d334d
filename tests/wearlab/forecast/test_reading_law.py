"""A forecast reading spreads by what its own visit does not tell: conditions not recorded, a rig not seen before.

The truth is planted by the test: known shocks are laid on simulated readings. Seeded.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from wearlab.forecast.hindsight import held_back
from wearlab.forecast.scores import covered
from wearlab.records import NoAnswer
from wearlab.wear.data import WearData
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT

VISITS, SHOCK, OFFSET = 5, 0.20, 0.15


def fleet(seed: int) -> tuple[WearData, NDArray[np.int64], NDArray[np.int64]]:
    """40 vehicles of one part, and each reading's number of visit and of vehicle; all last visits are shaken."""
    data = simulated_fleet(seed, vehicles=40, parts=1, visits=VISITS, error=1.0).data
    vehicle = np.unique(data.vehicle, return_inverse=True)[1]
    turn = np.zeros(len(data), dtype=np.int64)
    for v in range(vehicle.max() + 1):
        turn[vehicle == v] = np.searchsorted(np.unique(data.visit[vehicle == v]), data.visit[vehicle == v])
    return data, turn, vehicle.astype(np.int64)


def held_pit(data: WearData) -> NDArray[np.float64]:
    found = held_back(data, 1, scales=(STRAIGHT,), weights=(1.0,))
    assert not isinstance(found, NoAnswer)
    return found.pit


def test_a_condition_that_was_not_recorded_widens_the_forecast() -> None:
    rng = np.random.default_rng(5)
    inside = []
    for seed in range(6):
        data, turn, vehicle = fleet(seed)
        shaken = turn == turn.max()
        shock = rng.normal(0, SHOCK, vehicle.max() + 1)[vehicle]
        y = data.y * np.where(shaken, np.exp(shock), 1.0)
        inside.append(covered(held_pit(replace(data, y=y, visit_sd=np.where(shaken, SHOCK, 0.0))), 0.9))
    share = float(np.concatenate(inside).mean())
    # 240 vehicles: 4 binomial standard errors of 0.9 are 0.077; without the shock's spread about 0.6 lie inside
    assert abs(share - 0.9) < 0.077


def test_a_rig_period_not_seen_before_widens_the_forecast() -> None:
    rng = np.random.default_rng(6)
    inside = []
    for seed in range(6):
        data, turn, vehicle = fleet(seed)
        last = turn == turn.max()
        # a rig of its own for each last visit, so that the offsets are as many draws
        names = np.array([f"rig {v}" if late else "" for v, late in zip(vehicle, last, strict=True)])
        offset = rng.normal(0, OFFSET, vehicle.max() + 1)[vehicle]
        y = data.y * np.where(last, np.exp(offset), 1.0)
        inside.append(covered(held_pit(replace(data, y=y, period=names, period_sd=OFFSET)), 0.9))
    assert abs(float(np.concatenate(inside).mean()) - 0.9) < 0.077

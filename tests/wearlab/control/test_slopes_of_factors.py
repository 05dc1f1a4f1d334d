"""Slopes of factors hold no noise of their own readings: offsets of rigs are right, and no quiet rig signals.

Seeded simulations; the true offsets are those that the fleets were drawn with.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from studies.coverage import TRUE
from wearlab.control.shared import lasting
from wearlab.records import NoAnswer
from wearlab.wear import fit_group
from wearlab.wear.evaluate import at_variances
from wearlab.wear.fleet import Fleet, simulated_fleet
from wearlab.wear.scale import STRAIGHT
from wearlab.wear.scale_fit import ScaleFit

SEEDS = range(500, 506)


@cache
def fleets() -> list[tuple[Fleet, ScaleFit]]:
    out = []
    for seed in SEEDS:
        made = simulated_fleet(seed, vehicles=60, visits=(6, 8), periods=2, **{**asdict(TRUE), "repeat": 0.0})
        fit = fit_group(made.data, scales=(STRAIGHT,), average=False, workers=1)
        assert not isinstance(fit, NoAnswer)
        out.append((made, fit.best))
    return out


def rigs(made: Fleet, fit: ScaleFit) -> NDArray[np.float64]:
    """Largest |z| of each rig over all first days."""
    assert made.data.period is not None
    rig = np.unique(made.data.period, return_inverse=True)[1].astype(np.int64)
    day = (182 * made.data.visit + 3 * made.data.vehicle).astype(np.int64)
    return np.array([abs(one.z[one.best]) for one in lasting(fit, rig, day)])


def test_no_rig_signals_where_nothing_happened() -> None:
    told = np.concatenate([rigs(made, fit) for made, fit in fleets()])
    # 18 rigs with some hundred first days each: a chance of one in a thousand each lies above 4; with slopes at values
    # fitted to the readings themselves the first rig of every fleet stands above 5
    assert told.max() < 4.2


def test_offsets_of_rigs_are_near_the_truth() -> None:
    off: list[float] = []
    for made, fit in fleets():
        place = [fit.fixed.place(f"period period {k}") for k in (1, 2)]
        off += ((fit.estimate.evaluated.beta[place] - made.period_offsets[1:]) / fit.fixed.sd[place]).tolist()
    # 12 offsets whose errors are shared by the two of a fleet: a standard error of their mean is about 0.25; slopes at
    # fitted values put it above 1
    assert abs(np.mean(off)) < 0.75


def test_a_slope_does_not_follow_its_own_reading() -> None:
    made = simulated_fleet(7, vehicles=12, visits=5, periods=2)
    slope = []
    for change in (0.0, 4.0):
        y = made.data.y.copy()
        y[0] += change
        work, *_ = at_variances(replace(made.data, y=y), TRUE)
        slope.append(work.design.log_slope)
    moved = np.abs(slope[1] - slope[0]) / 4.0
    # the coefficients follow a little; its own part's next reading more
    assert moved[0] < 0.05 < moved[1:].max()

"""Offsets of rigs over time and of channels, on readings whose true offsets are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wearlab.control.rig_offsets import channel_offsets, drift_columns, hangs_on_rig, offset_on, periods
from wearlab.records import NoAnswer
from wearlab.wear.data import CovariateKind
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.group import fit_group
from wearlab.wear.line import Interval
from wearlab.wear.scale import WorkingScale

FACTOR: tuple[CovariateKind, ...] = ("factor",)


def test_periods_are_cut_at_calibrations() -> None:
    day = np.array([0, 100, 200, 300, 50])
    found = periods(["R1", "R1", "R1", "R1", ""], day, {"R1": [150]})
    assert [(one.name, one.rows.tolist()) for one in found] == [
        ("R1 before 1970-05-31", [0, 1]),
        ("R1 from 1970-05-31", [2, 3]),
    ]
    made, names = drift_columns(found, day)
    assert names == ("drift of R1 before 1970-05-31", "drift of R1 from 1970-05-31")
    assert made[:, 1] * 365.25 == pytest.approx([0, 0, 0, 100, 0])


def test_a_drift_of_eight_per_cent_is_found() -> None:
    """Two rigs; the second one reads high, growing to 8 % over two years, and is then calibrated."""
    rng = np.random.default_rng(8)
    log = WorkingScale(0.0)
    data = simulated_fleet(
        rng, vehicles=60, visits=10, level=3.0, rate=2e-6, vehicle_level=0.05, vehicle_rate=3e-7, part_level=0.09,
        part_rate=4e-7, path=1e-4, visit=0.035, repeat=0.03, error=0.05, scale=log,
    ).data  # fmt: skip
    visit, vehicle = np.asarray(data.visit), np.asarray(data.vehicle)
    day = np.empty(len(data), dtype=np.int64)
    rig = np.empty(len(data), dtype=object)
    for v in range(60):
        for k, one in enumerate(np.unique(visit[vehicle == v])):
            here = (vehicle == v) & (visit == one)
            day[here] = 150 * k + int(rng.integers(0, 120))
            rig[here] = rng.choice(["R1", "R2"])
    off = np.where((rig == "R2") & (day < 730), 0.08 * day / 730, 0.0)
    found = periods(rig.tolist(), day, {"R1": [730], "R2": [730]})
    drift, names = drift_columns(found, day)
    label = np.full(len(data), "", dtype=object)
    for one in found[1:]:
        label[one.rows] = one.name
    more = replace(
        data,
        y=data.y * (1 + off),
        covariates=drift,
        covariate_names=names,
        covariate_kind=FACTOR * len(names),
        prior_mean=np.zeros(len(names)),
        prior_sd=np.full(len(names), 0.05),
        period=label.astype(str),
    )
    fit = fit_group(more, scales=(log,), workers=1)
    assert not isinstance(fit, NoAnswer)
    drifting = next(one for one in found if one.name.startswith("R2 before"))
    at = offset_on(fit.best.fixed, drifting, 730)
    assert at.low < 8.0 < at.high
    assert at.low > 2.0
    for one in found:
        if one.rig == "R2" and one is not drifting:
            late = offset_on(fit.best.fixed, one, one.last)
            assert late.low < 0.0 < late.high


def test_the_channel_that_reads_high_is_found() -> None:
    """Channels change positions from test to test; the third one reads 10 % high."""
    rng = np.random.default_rng(9)
    level, part, test, channel = [], [], [], []
    for k in range(150):
        vehicle, visit = k % 30, 0.05 * rng.standard_normal()
        for position, tube in enumerate(rng.permutation(4)):
            own = np.random.default_rng(100 + 4 * vehicle + position).standard_normal()
            level.append(20 * np.exp(0.2 * own + visit + 0.05 * rng.standard_normal()) * (1.1 if tube == 2 else 1.0))
            part.append(4 * vehicle + position)
            test.append(k)
            channel.append(f"R1 {tube + 1}")
    told = channel_offsets(level, part, test, channel)
    assert not isinstance(told, NoAnswer)
    by = {one.channel: one for one in told}
    others = np.mean([by[f"R1 {k}"].offset.point for k in (1, 2, 4)])
    assert by["R1 3"].offset.point - others == pytest.approx(10.0, abs=2.5)
    assert by["R1 3"].offset.low > 0
    assert by["R1 3"].readings == 150


def test_one_channel_is_compared_with_nothing() -> None:
    assert isinstance(channel_offsets([1.0, 2.0], [1, 2], [1, 1], ["a", "a"]), NoAnswer)


@pytest.mark.parametrize(
    ("level", "offset", "hangs"),
    [
        (29.0, Interval(8.0, 4.0, 12.0, 0.9), True),
        (31.0, Interval(8.0, 4.0, 12.0, 0.9), False),
        (27.0, Interval(8.0, 4.0, 12.0, 0.9), False),
        (29.0, Interval(8.0, -1.0, 12.0, 0.9), False),
        (27.0, Interval(-8.0, -12.0, -4.0, 0.9), True),
    ],
)
def test_a_verdict_hangs_on_the_rig_between_limit_and_moved_limit(level: float, offset: Interval, hangs: bool) -> None:
    assert hangs_on_rig(level, 28.0, offset) is hangs

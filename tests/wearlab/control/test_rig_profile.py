"""What a rig read high month by month: beside dense algebra, and against a drift planted by the test itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wearlab.control.innovations import whitened
from wearlab.control.rig_profile import rig_profile
from wearlab.errors import InputError
from wearlab.records import NoAnswer
from wearlab.wear.data import WearData
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.group import fit_group
from wearlab.wear.scale import WorkingScale
from wearlab.wear.scale_fit import ScaleFit

LOG = WorkingScale(0.0)


def fleet(seed: int, vehicles: int, visits: int) -> WearData:
    return simulated_fleet(
        seed, vehicles=vehicles, visits=visits, parts=3, level=3.0, rate=2e-6, vehicle_level=0.05, vehicle_rate=3e-7,
        part_level=0.09, part_rate=4e-7, path=1e-4, visit=0.035, repeat=0.03, error=0.05, scale=LOG,
    ).data  # fmt: skip


def fitted(data: WearData, *, robust: bool = True) -> ScaleFit:
    found = fit_group(data, scales=(LOG,), average=False, robust=robust, workers=1)
    assert not isinstance(found, NoAnswer)
    return found.best


def test_it_is_the_joint_estimate_of_dense_algebra() -> None:
    """Coefficients and offsets together by (Z' V^-1 Z + prior)^-1 Z' V^-1 y, V whole and Z with every column."""
    # without weights for gross errors, which the fit counts and the offsets do not
    fit = fitted(fleet(3, 6, 4), robust=False)
    design = fit.design
    stretch = np.random.default_rng(1).integers(-1, 3, design.n)
    v = np.zeros((design.n, design.n))
    for white in whitened(fit):
        for b in range(len(white.rows)):
            at = white.visit[b] >= 0
            rows = white.rows[b, at]
            lower = white.lower[b][np.ix_(at, at)]
            v[np.ix_(rows, rows)] = lower @ lower.T
    x = np.zeros((design.n, design.p))
    np.add.at(x, (design.entries.reading, design.entries.column), design.values())
    z = np.column_stack([x, (stretch[:, None] == np.arange(3)) * design.log_slope[:, None]])
    prior = np.zeros((design.p + 3,) * 2)
    prior[: design.p, : design.p] = np.diag(design.precision)
    spread = 0.05**2 * (np.eye(3) + np.ones((3, 3)))
    prior[design.p :, design.p :] = np.linalg.inv(spread)
    inverse = np.linalg.inv(z.T @ np.linalg.solve(v, z) + prior)
    dense = inverse @ (z.T @ np.linalg.solve(v, design.y))
    told = rig_profile(fit, stretch)
    assert told.offset == pytest.approx(dense[design.p :], rel=1e-6, abs=1e-9)
    assert told.sd == pytest.approx(np.sqrt(np.diag(inverse))[design.p :], rel=1e-6)
    assert told.readings.tolist() == [int((stretch == k).sum()) for k in range(3)]


def test_a_drift_shows_with_its_true_size_until_it_is_taken_back() -> None:
    """Half of the tests are made on a rig that drifts to 8 % and is then set right, in nine stretches of time."""
    rng = np.random.default_rng(8)
    data = fleet(4, 60, 9)
    visit, vehicle = np.asarray(data.visit), np.asarray(data.vehicle)
    stretch = np.full(len(data), -1)
    for v in range(60):
        for k, one in enumerate(np.unique(visit[vehicle == v])):
            if rng.random() < 0.5:
                stretch[(vehicle == v) & (visit == one)] = k
    true = np.array([0.0, 0.01, 0.02, 0.04, 0.06, 0.08, 0.0, 0.0, 0.0])
    off = np.where(stretch >= 0, true[np.maximum(stretch, 0)], 0.0)
    label = np.where(stretch < 0, "", np.where(stretch < 6, "R before", "R from")).astype(str)
    fit = fitted(replace(data, y=np.asarray(data.y) * (1 + off), period=label, period_sd=0.025))
    own = [f"period {name}" for name in ("R before", "R from")]
    told = rig_profile(fit, stretch, own)
    z = (told.offset - np.log1p(true)) / told.sd
    # nine offsets, their intervals wide by the same few tests: three sd each
    assert np.abs(z).max() < 3
    assert (np.abs(z) < 1.645).sum() >= 6
    assert told.offset[5] - 1.645 * told.sd[5] > 0.03
    # the fit's own offsets have to be taken back, else the drift is told against its own mean
    assert rig_profile(fit, stretch).offset[5] < told.offset[5] - 0.01


def test_where_a_rig_reads_true_the_offsets_scatter_as_told() -> None:
    z = []
    for seed in range(6):
        fit = fitted(fleet(20 + seed, 30, 6))
        stretch = np.random.default_rng(seed).integers(-1, 6, fit.design.data.visit.max() + 1)[fit.design.data.visit]
        told = rig_profile(fit, stretch)
        z.append(told.offset / told.quiet)
        assert (told.quiet < told.sd).all()
    # 36 values, little correlated: four standard errors of their mean square
    assert np.mean(np.square(z)) == pytest.approx(1.0, abs=4 * np.sqrt(2 / 36))


def test_every_reading_needs_a_stretch() -> None:
    fit = fitted(fleet(3, 6, 4))
    with pytest.raises(InputError, match="needs a stretch"):
        rig_profile(fit, np.zeros(3, dtype=np.int64))
    assert rig_profile(fit, np.full(fit.design.n, -1)).offset.size == 0

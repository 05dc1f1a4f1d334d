"""A rig and a tube that read off on every vehicle: named once, as theirs, and closed by the calibration."""

from __future__ import annotations

from datetime import date, timedelta
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from conftest import Run
from pipelines.steps.signals import SignalsTold, current_signals
from pipelines.workspace import Workspace
from small_fleet import AS_OF, SmallFleet

VEHICLES, VISITS = 24, 7
#: the rig R1 reads this much high from a day until its calibration; tube 3 of the rig R2 from a day on
RIG_OFF, TUBE_OFF = 0.15, 0.15
RIG_FROM, CALIBRATED, TUBE_FROM = date(2024, 1, 1), date(2025, 2, 1), date(2024, 6, 1)


def built(home: Path, *, calibrated: bool, seed: int = 6) -> Workspace:
    fleet, rng = SmallFleet(), np.random.default_rng(seed)
    for number in range(VEHICLES):
        name, rig = f"V{number + 1}", f"R{1 + number % 2}"
        fleet.original(name, "2022-01-01", depot="North" if number % 3 else "South")
        level, rate = 10 + rng.normal(0, 0.8, 4), 0.7 + rng.normal(0, 0.1, 4)
        for visit in range(VISITS):
            day = date(2022, 9, 1) + timedelta(days=190 * visit + 7 * number)
            km = 100.0 * (day - date(2022, 1, 1)).days
            true = level + rate * km / 10_000
            if rig == "R1" and day >= RIG_FROM and not (calibrated and day >= CALIBRATED):
                true *= 1 + RIG_OFF
            if rig == "R2" and day >= TUBE_FROM:
                true[2] *= 1 + TUBE_OFF
            read = np.round(true * np.exp(rng.normal(0, 0.03, 4)), 1)
            fleet.test(
                name, day.isoformat(), km, {str(k + 1): float(v) for k, v in enumerate(read)},
                resolution=0.1, fuel_temp_c=45.0, temp_kind="tank", rail_bar=280.0, rig=rig,
            )  # fmt: skip
    for row in fleet.rows["reading"]:
        row["channel"] = row["position"]
    if calibrated:
        fleet.work("calibration", CALIBRATED.isoformat(), rig="R1")
    return fleet.written(home)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    return built(tmp_path_factory.mktemp("shared") / "home", calibrated=True)


@pytest.fixture(scope="module")
def told(place: Workspace) -> SignalsTold:
    return current_signals(place, AS_OF)


def test_a_rig_that_reads_high_is_named_and_its_calibration_closes_it(told: SignalsTold) -> None:
    found = [one for one in told.signals if one["kind"] == "rig"]
    assert [one["rig"] for one in found] == ["R1"]
    (rig,) = found
    assert rig["onset_early"] - timedelta(days=30) <= RIG_FROM <= rig["onset_late"] + timedelta(days=30)
    assert rig["size_low"] < 100 * RIG_OFF < rig["size_high"]
    assert rig["vehicles"] == VEHICLES // 2
    assert rig["closed"] == f"the rig was calibrated on {CALIBRATED}"
    assert RIG_FROM < rig["detected_on"] < CALIBRATED


def test_a_tube_that_reads_high_is_told_apart_from_its_rig(told: SignalsTold) -> None:
    found = max((one for one in told.signals if one["rig"] == "R2"), key=lambda one: abs(one["z"]))
    assert (found["kind"], found["channel"], found["open"]) == ("tube", "3", True)
    assert found["size_low"] < 100 * TUBE_OFF < found["size_high"]
    assert found["onset_early"] - timedelta(days=30) <= TUBE_FROM <= found["onset_late"] + timedelta(days=30)


def test_a_rig_without_a_calibration_stays_open(tmp_path: Path) -> None:
    told = current_signals(built(tmp_path / "home", calibrated=False), AS_OF)
    found = max((one for one in told.signals if one["rig"] == "R1"), key=lambda one: abs(one["z"]))
    assert (found["kind"], found["closed"], found["open"]) == ("rig", None, True)


def test_the_command_says_which_rig_and_on_how_many_vehicles(place: Workspace, told: SignalsTold, run: Run) -> None:
    show = partial(run, "signals", "--home", place.home, "--as-of", AS_OF)
    said = show().out
    assert "Tube 3 of rig R2: return flow, warm idle" in said
    assert "on 12 vehicles" in " ".join(said.split())
    assert "Check first: That tube and its hose" in said
    key = next(one["key"] for one in told.signals if one["kind"] == "tube")
    done = show("--accept", key, "--reason", "tube changed")
    assert done.code == 0, done.err
    left = show("--json").json["signals"]
    assert key not in [one["key"] for one in left]

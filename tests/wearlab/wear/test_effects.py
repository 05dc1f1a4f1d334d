"""Which effects are told as one, for designs in which they cannot be told apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wearlab.records import NoAnswer
from wearlab.wear import WearFit, fit_group
from wearlab.wear.blocks import blocks
from wearlab.wear.data import WearData, coded
from wearlab.wear.design import Problem, problem
from wearlab.wear.effects import Told, told_apart
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT, WorkingScale
from wearlab.wear.variances import INDEX

ALL = {"vehicle_level", "vehicle_rate", "part_level", "part_lean", "part_rate", "path", "visit", "repeat", "error"}


def designed(data: WearData, scale: WorkingScale = STRAIGHT, *, penalty: bool = True) -> Problem:
    known = coded(data)
    return problem(known, blocks(known), scale, flat=not penalty)


def told(data: WearData, *, penalty: bool = True, without: tuple[str, ...] = ()) -> Told:
    return told_apart(designed(data, penalty=penalty), 2.0, penalty=penalty, without=without)


def fleet(**other: object) -> WearData:
    given: dict[str, object] = {"vehicles": 6, "parts": 3, "visits": 4, "repeats": 2}
    return simulated_fleet(1, **(given | other)).data  # type: ignore[arg-type]


def says(found: Told, words: str) -> bool:
    return any(words in note for note in found.notes)


def test_everything_can_be_told() -> None:
    found = told(fleet())
    assert set(found.coordinates.names) == ALL
    assert found.notes == ()
    assert not found.error_assumed


def test_one_part_a_vehicle() -> None:
    """No part beside it shares its vehicle: level and rate are those of both together, a visit has one part."""
    found = told(fleet(parts=1))
    assert set(found.coordinates.names) == {"part_level", "part_lean", "part_rate", "path", "repeat", "error"}
    assert says(found, "one part a vehicle")
    assert says(found, "no visit has two parts")


@pytest.mark.parametrize("vehicles", [1, 2])
def test_too_few_vehicles_to_compare(vehicles: int) -> None:
    found = told(fleet(vehicles=vehicles))
    assert {"vehicle_level", "vehicle_rate"}.isdisjoint(found.coordinates.names)
    assert says(found, "too few vehicles")


def test_one_visit_a_part_with_repeats() -> None:
    """Repeats tell the reading error; nothing tells a rate of one part from its level, or a path."""
    found = told(fleet(visits=1))
    assert set(found.coordinates.names) == {"vehicle_level", "part_level", "error"}
    assert says(found, "how much rates differ between parts cannot be told")
    assert says(found, "wear that does not run straight")
    assert not found.error_assumed


@pytest.mark.parametrize("scale", [STRAIGHT, WorkingScale(0.0)])
def test_one_visit_a_part_without_repeats(scale: WorkingScale) -> None:
    """No part was read twice: the reading error is the stated one, of the middle reading, on the working scale."""
    data = replace(fleet(visits=1, repeats=1), relative_error=0.2)
    found = told_apart(designed(data, scale), 2.0, penalty=True)
    assert set(found.coordinates.names) == {"vehicle_level", "part_level"}
    assert found.error_assumed
    assert says(found, "a reading error of 20% and the graduation is assumed")
    held = 0.2 * np.median(data.y) if scale.power == 1 else 0.2
    assert found.coordinates.held[INDEX["error"]] == pytest.approx(held**2)
    assert found.start[INDEX["error"]] == pytest.approx(held**2)


def test_no_repeats() -> None:
    found = told(fleet(repeats=1))
    assert ALL - set(found.coordinates.names) == {"repeat"}
    assert says(found, "hardly a part was read twice at one visit")


def test_two_visits_a_part() -> None:
    """Two points lie on a line: no path; with repeats the spread of rates is still told from the error."""
    assert ALL - set(told(fleet(visits=2)).coordinates.names) == {"path"}
    found = told(fleet(visits=2, repeats=1))
    assert ALL - set(found.coordinates.names) == {"path", "part_rate", "part_lean", "repeat"}


def test_every_part_tested_at_a_visit_of_its_own() -> None:
    found = told(fleet(repeats=1, shared_visits=False))
    assert "visit" not in found.coordinates.names
    assert says(found, "no visit has two parts")


def test_two_visits_with_two_parts_are_too_few() -> None:
    """Three vehicles; all but two tests are of one part alone."""
    data = fleet(vehicles=3, parts=2, repeats=1)
    alone = np.where((data.visit == 0) & (data.vehicle < 2), data.visit, data.visit * 10 + data.part)
    found = told(replace(data, visit=alone))
    assert "visit" not in found.coordinates.names
    assert says(found, "too few visits have two parts")


def test_exposures_that_are_all_equal() -> None:
    data = fleet(repeats=1)
    found = told(replace(data, exposure=np.full(len(data), 1e4)))
    assert {"part_rate", "path"}.isdisjoint(found.coordinates.names)


def test_unknown_starts_need_known_ones_beside_them() -> None:
    data = fleet()
    some = np.isin(data.part, np.unique(data.part)[:5])
    assert "start" in told(replace(data, unknown_start=some)).coordinates.names
    assert "start" not in told(replace(data, unknown_start=np.ones(len(data), dtype=bool))).coordinates.names
    assert "start" not in told(replace(data, unknown_start=some), penalty=False).coordinates.names


def test_fewer_readings_than_fixed_effects() -> None:
    """Two readings and a level and a rate: nothing is left over to tell an error from."""
    data = fleet()
    found = told(data.take(np.flatnonzero(data.part == 0)[[0, -1]]))
    assert found.error_assumed
    assert says(found, "no reading is left over")
    assert found.coordinates.size == 0
    np.testing.assert_array_equal(found.coordinates.shorten(np.zeros(0), np.zeros(0)), np.zeros(0))


def test_fixed_effects_that_use_up_all_readings() -> None:
    """A level, a rate and a covariate a reading: vehicles and parts differ by nothing that is left to see."""
    data = fleet()
    design = designed(replace(data, covariates=np.eye(len(data))[:, 2:]))
    found = told_apart(design, 1.0, penalty=True)
    assert design.p == design.n
    assert found.coordinates.size == 0
    assert found.error_assumed
    assert sum(found.start) == found.start[INDEX["error"]] > 0


def test_nothing_is_assumed_without_penalty() -> None:
    found = told(fleet(visits=1, repeats=1), penalty=False)
    assert set(found.coordinates.names) == {"vehicle_level", "error"}  # what else there is goes to the error
    assert not found.error_assumed
    assert not any(found.coordinates.held)


def test_left_out() -> None:
    found = told(fleet(), without=("path", "correlation", "vehicle_rate"))
    assert set(found.coordinates.names) == ALL - {"path", "vehicle_rate", "part_lean"}
    assert not found.coordinates.pair
    assert found.start[INDEX["path"]] == 0


def test_starting_variances_share_out_the_residual() -> None:
    """Sum of what each contributes at the mean exposure: about the variance 4 of the residuals."""
    design = designed(fleet())
    start = dict(zip(INDEX, told_apart(design, 2.0, penalty=True).start, strict=True))
    reach, path = float(np.mean(design.x**2)), float(np.mean(design.x))
    levels = sum(start[name] for name in ("vehicle_level", "part_level", "visit", "repeat", "error"))
    total = levels + reach * (start["vehicle_rate"] + start["part_rate"]) + path * start["path"]
    assert 0.9 * 4 < total < 1.1 * 4
    assert start["part_covariance"] == 0


def fitted(data: WearData) -> WearFit:
    found = fit_group(data, scales=(STRAIGHT,), average=False, workers=1)
    assert not isinstance(found, NoAnswer)
    return found


def test_merged_levels_are_the_root_of_the_sum_of_squares() -> None:
    """Vehicles differ by 3, parts by 4; with one part a vehicle that is told as a single 5."""
    fit = fitted(
        simulated_fleet(
            3, vehicles=500, parts=1, visits=3, repeats=2, vehicle_level=3.0, vehicle_rate=0.0, part_level=4.0,
            part_rate=0.0, path=0.0, visit=0.0, repeat=0.0, error=0.5,
        ).data
    )  # fmt: skip
    assert fit.best.variances.vehicle_level == 0
    assert fit.best.variances.part_level == pytest.approx(5.0, rel=0.1)
    assert any("one part a vehicle" in note for note in fit.notes)


def test_merged_errors_are_the_root_of_the_sum_of_squares() -> None:
    """Repeats of one part share 0.6, readings differ by 0.8; with one reading a visit that is an error of 1."""
    fit = fitted(
        simulated_fleet(
            4, vehicles=150, parts=2, visits=6, vehicle_level=0.0, vehicle_rate=0.0, part_level=3.0, part_rate=0.0,
            path=0.0, visit=0.0, repeat=0.6, error=0.8,
        ).data
    )  # fmt: skip
    assert fit.best.variances.repeat == 0
    assert fit.best.variances.error == pytest.approx(1.0, rel=0.05)

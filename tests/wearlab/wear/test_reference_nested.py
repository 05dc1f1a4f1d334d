"""Part in vehicle, visits and repeats: the numbers are lme4's for the same readings (nested_lme4.R)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from reference.comparison import QUANTITIES, Case, both, compared, differ, plain
from reference.results import read_results, read_table
from wearlab.wear.data import WearData
from wearlab.wear.scale_fit import ScaleFit

KNOWN = read_results("nested_lme4")
TABLE = {name: np.array(column) for name, column in read_table("nested_fleet").items()}
ONCE = TABLE["repeat"] == "1"
COLUMNS: dict[str, Callable[[], np.ndarray]] = {
    "z": lambda: TABLE["z"].astype(float),
    "rig2": lambda: (TABLE["rig"] == "rig2").astype(float),
    "rig3": lambda: (TABLE["rig"] == "rig3").astype(float),
}
THEIRS = {"z": "z", "rigrig2": "rig2", "rigrig3": "rig3"}
COMMON = {"(Intercept)": "level", "x": "rate"}
FAMILIES = {
    "familyash": "level ash",
    "familybirch": "level birch",
    "familyash:x": "rate ash",
    "familybirch:x": "rate birch",
}
EFFECTS = {
    "vehicle:(Intercept)": "vehicle_level",
    "vehicle:x": "vehicle_rate",
    "part:(Intercept)": "part_level",
    "part:x": "part_rate",
}
SHARED = {"visit:(Intercept)": "visit", "part_visit:(Intercept)": "repeat", "Residual": "error"}


def _fleet(*, columns: tuple[str, ...] = (), families: bool = False) -> WearData:
    return WearData(
        y=TABLE["y"].astype(float),
        exposure=TABLE["x"].astype(float),
        vehicle=TABLE["vehicle"],
        part=TABLE["part"],
        visit=TABLE["visit"],
        covariates=np.column_stack([COLUMNS[name]() for name in columns]) if columns else None,
        covariate_names=columns,
        family=TABLE["family"] if families else None,
        exposure_unit="10,000 km",
        unit="ml",
    )


def _case(model: str, data: WearData, fixed: dict[str, str]) -> Case:
    return Case(model, data, fixed | THEIRS, EFFECTS | SHARED, EFFECTS)


CASES = {
    case.model: case
    for case in [
        _case("once", _fleet().take(ONCE), COMMON),
        _case("once covariate", _fleet(columns=("z",)).take(ONCE), COMMON),
        _case("repeats", _fleet(), COMMON),
        _case("repeats families", _fleet(families=True), FAMILIES),
        _case("repeats everything", _fleet(columns=("z", "rig2", "rig3"), families=True), FAMILIES),
    ]
}


@cache
def _fit(model: str, method: str) -> ScaleFit:
    return plain(CASES[model].data, method)


@pytest.mark.parametrize(("model", "method", "quantity"), compared(CASES, KNOWN))
def test_same_numbers_as_lme4(model: str, method: str, quantity: str) -> None:
    ours, theirs = both(CASES[model], _fit(model, method), KNOWN[f"{model} {method}"], quantity)
    assert differ(ours, theirs, quantity) == pytest.approx(0, abs=1), (ours, theirs)


def test_every_fit_says_that_it_converged() -> None:
    assert {_fit(model, "reml").status for model in CASES} == {"converged"}


def test_without_repeats_nothing_is_shared_by_repeats() -> None:
    assert _fit("once", "reml").variances.repeat == 0


def test_exposure_in_kilometres_gives_the_same_fit() -> None:
    data = CASES["repeats"].data
    fit = plain(replace(data, exposure=1e4 * data.exposure, exposure_unit="km"))
    known = KNOWN["repeats reml"]
    assert 1e4 * fit.fixed.estimate[1] == pytest.approx(known["fixed"]["x"], rel=1e-4)
    assert 1e4 * fit.variances.part_rate == pytest.approx(known["sd"]["part:x"], rel=1e-4)
    assert 1e4 * fit.variances.vehicle_rate == pytest.approx(known["sd"]["vehicle:x"], rel=1e-4)
    assert fit.criterion == pytest.approx(known["loglik"]["reml"] - np.log(1e4), abs=1e-5)


def test_the_order_of_the_readings_does_not_matter() -> None:
    case = CASES["repeats families"]
    shuffled = case.data.take(np.random.default_rng(3).permutation(len(case.data)))
    fit = plain(shuffled)
    for quantity in QUANTITIES:
        ours, theirs = both(case, fit, KNOWN["repeats families reml"], quantity)
        assert differ(ours, theirs, quantity) == pytest.approx(0, abs=1), quantity

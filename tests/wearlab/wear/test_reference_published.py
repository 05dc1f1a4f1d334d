"""Special cases of the wear model are mixed models of published data sets: the numbers are lme4's (known_models.R)."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from reference.comparison import NO_PATH, Case, both, compared, differ, plain
from reference.results import read_results, read_table
from wearlab.wear.data import WearData
from wearlab.wear.scale_fit import ScaleFit

KNOWN = read_results("known_models")
LEVEL, PAIR = {"(Intercept)": "level"}, ("Subject:(Intercept)", "Subject:{}")


def _readings(
    y: list[str], unit: list[str], exposure: list[str] | None, columns: dict[str, np.ndarray] | None = None
) -> WearData:
    """One part a vehicle, every reading its own visit; without exposure nothing wears."""
    n, columns = len(y), columns or {}
    return WearData(
        y=np.array(y, dtype=float),
        exposure=np.zeros(n) if exposure is None else np.array(exposure, dtype=float),
        vehicle=np.array(unit),
        part=np.array(unit),
        visit=np.arange(n),
        covariates=np.column_stack(list(columns.values())) if columns else None,
        covariate_names=tuple(columns),
        exposure_unit="1",
    )


def _sleepstudy() -> WearData:
    table = read_table("sleepstudy")
    return _readings(table["Reaction"], table["Subject"], table["Days"])


def _orthodont(centre: float = 0.0) -> WearData:
    table = read_table("orthodont")
    data = _readings(table["distance"], table["Subject"], table["age"])
    return replace(data, exposure=data.exposure - centre)


def _orthodont_levels(*, females: bool) -> WearData:
    table = read_table("orthodont")
    sex, age = np.array(table["Sex"]) == "Female", np.array(table["age"], dtype=float)
    columns = {"age": age} if females else {"age": age, "female": sex.astype(float)}
    data = _readings(table["distance"], table["Subject"], None, columns)
    return data.take(sex) if females else data


def _lines(model: str, data: WearData, slope: str, without: tuple[str, ...] = NO_PATH) -> Case:
    names = {"Subject:(Intercept)": "part_level", f"Subject:{slope}": "part_rate"}
    return Case(model, data, LEVEL | {slope: "rate"}, names | {"Residual": "error"}, names, without)


def _levels(model: str, data: WearData, fixed: dict[str, str], group: str = "Subject") -> Case:
    names = {f"{group}:(Intercept)": "part_level"}
    return Case(model, data, LEVEL | fixed, names | {"Residual": "error"}, names)


def _sleepstudy_days_as_covariate() -> WearData:
    table = read_table("sleepstudy")
    return _readings(table["Reaction"], table["Subject"], None, {"Days": np.array(table["Days"], dtype=float)})


CASES = {
    case.model: case
    for case in [
        _lines("sleepstudy", _sleepstudy(), "Days"),
        _lines("sleepstudy uncorrelated", _sleepstudy(), "Days", (*NO_PATH, "correlation")),
        _levels("sleepstudy level", _sleepstudy_days_as_covariate(), {"Days": "Days"}),
        _lines("orthodont", _orthodont(), "age"),
        _lines("orthodont centred", _orthodont(11.0), "centred"),
        _levels("orthodont sex", _orthodont_levels(females=False), {"age": "age", "SexFemale": "female"}),
        _levels("orthodont females", _orthodont_levels(females=True), {"age": "age"}),
        _levels("dyestuff", _readings(*(read_table("dyestuff")[c] for c in ("Yield", "Batch")), None), {}, "Batch"),
    ]
}


@cache
def _fit(model: str, method: str) -> ScaleFit:
    return plain(CASES[model].data, method, CASES[model].without)


@pytest.mark.parametrize(("model", "method", "quantity"), compared(CASES, KNOWN))
def test_same_numbers_as_lme4(model: str, method: str, quantity: str) -> None:
    ours, theirs = both(CASES[model], _fit(model, method), KNOWN[f"{model} {method}"], quantity)
    assert differ(ours, theirs, quantity) == pytest.approx(0, abs=1), (ours, theirs)


@pytest.mark.parametrize("model", list(CASES))
def test_one_part_a_vehicle_has_no_effect_of_the_vehicle_and_one_reading_a_visit_none_of_the_visit(model: str) -> None:
    found = _fit(model, "reml").variances
    assert (found.vehicle_level, found.vehicle_rate, found.visit, found.repeat, found.path, found.start) == (0,) * 6


def test_sleepstudy_as_printed() -> None:
    # Bates, Maechler, Bolker & Walker (2015), Journal of Statistical Software 67(1), model fm1
    fit = _fit("sleepstudy", "reml")
    assert fit.fixed.estimate == pytest.approx([251.405, 10.467], abs=5e-4)
    assert np.sqrt(np.diag(fit.fixed.covariance)) == pytest.approx([6.825, 1.546], abs=5e-4)
    found = fit.variances
    assert (found.part_level, found.part_rate, found.error) == pytest.approx((24.740, 5.922, 25.592), abs=1e-3)
    assert found.correlation == pytest.approx(0.07, abs=5e-3)
    assert -2 * fit.criterion == pytest.approx(1743.6, abs=0.05)


def test_orthodont_as_printed_by_nlme() -> None:
    # nlme 3.1.162, lme(distance ~ age, random = ~ age | Subject); Pinheiro & Bates (2000), ch. 4
    fit = _fit("orthodont", "reml")
    assert fit.fixed.estimate == pytest.approx([16.76111111, 0.66018519], abs=1e-7)
    assert np.sqrt(np.diag(fit.fixed.covariance)) == pytest.approx([0.77525, 0.07125], abs=1e-5)
    found = fit.variances
    assert (found.part_level, found.part_rate, found.error) == pytest.approx((2.32703, 0.226428, 1.310040), rel=1e-4)
    assert found.correlation == pytest.approx(-0.609, abs=5e-4)
    assert fit.criterion == pytest.approx(-221.318343, abs=1e-5)


def test_dyestuff_as_printed() -> None:
    # Davies & Goldsmith (1972), table 6.3; balanced, so that the REML variances are those of the analysis of variance:
    # mean squares 11271.5 between and 2451.25 within batches of five
    found = _fit("dyestuff", "reml").variances
    assert found.error**2 == pytest.approx(2451.25, rel=1e-6)
    assert found.part_level**2 == pytest.approx((11271.5 - 2451.25) / 5, rel=1e-4)


@pytest.mark.parametrize("hours", [24.0, 1e-3])
def test_another_unit_of_exposure_changes_only_the_units(hours: float) -> None:
    # the restricted likelihood integrates over the rate, whose unit shifts its logarithm by log(hours)
    days = _fit("sleepstudy", "reml")
    data = _sleepstudy()
    fit = plain(replace(data, exposure=hours * data.exposure))
    assert fit.fixed.estimate == pytest.approx(days.fixed.estimate / [1, hours], rel=1e-5)
    assert fit.variances.part_rate == pytest.approx(days.variances.part_rate / hours, rel=1e-4)
    assert fit.variances.correlation == pytest.approx(days.variances.correlation, rel=1e-3)
    assert fit.criterion == pytest.approx(days.criterion - np.log(hours), abs=1e-5)


def test_another_unit_of_the_reading_changes_only_the_units() -> None:
    # reaction time in seconds: 178 = n - p readings after the fixed effects each shift the logarithm by log(1000)
    milliseconds, data = _fit("sleepstudy", "reml"), _sleepstudy()
    fit = plain(replace(data, y=data.y / 1000))
    assert 1000 * fit.fixed.estimate == pytest.approx(milliseconds.fixed.estimate, rel=1e-5)
    assert 1000 * fit.variances.error == pytest.approx(milliseconds.variances.error, rel=1e-4)
    assert fit.criterion == pytest.approx(milliseconds.criterion + 178 * np.log(1000), abs=1e-5)

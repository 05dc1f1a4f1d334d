"""Readings beyond the scale with no random effects are tobit regression: the numbers are AER's (known_models.R).

Every reading has a vehicle, part and visit of its own and no exposure, so that all effects merge into the error and the
rate has nothing to act on.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from reference.comparison import plain
from reference.results import Known, read_results, read_table
from wearlab.wear.data import WearData
from wearlab.wear.scale_fit import ScaleFit

KNOWN = read_results("known_models")
CAUSES = ("age", "yearsmarried", "religiousness", "occupation", "rating")
#: columns, lower and upper end of the scale
CASES = {
    "affairs": ("affairs", "affairs", CAUSES, 0.0, np.inf),
    "affairs both sides": ("affairs", "affairs", CAUSES, 0.0, 4.0),
    "tobin": ("tobin", "durable", ("age", "quant"), 0.0, np.inf),
}


def _readings(model: str) -> WearData:
    file, answer, causes, low, high = CASES[model]
    table = {name: column for name, column in read_table(file).items() if name in (answer, *causes)}
    y = np.clip(np.array(table[answer], dtype=float), low, high)
    own = np.arange(y.size)
    return WearData(
        y=y,
        exposure=np.zeros(y.size),
        vehicle=own,
        part=own,
        visit=own,
        bound=np.where(y <= low, -1, np.where(y >= high, 1, 0)).astype(np.int8),
        covariates=np.column_stack([np.array(table[name], dtype=float) for name in causes]),
        covariate_names=causes,
        exposure_unit="1",
    )


@cache
def _fit(model: str) -> ScaleFit:
    return plain(_readings(model), "ml")


def _named(known: Known, quantity: str) -> dict[str, float]:
    return {"level" if name == "(Intercept)" else name: value for name, value in known[quantity].items()}


@pytest.mark.parametrize("model", list(CASES))
def test_same_coefficients(model: str) -> None:
    fixed = _fit(model).fixed
    assert dict(zip(fixed.names, fixed.estimate, strict=True)) == pytest.approx(_named(KNOWN[model], "fixed"), rel=1e-4)


@pytest.mark.parametrize("model", list(CASES))
def test_same_standard_errors(model: str) -> None:
    fixed = _fit(model).fixed
    ours = dict(zip(fixed.names, np.sqrt(np.diag(fixed.covariance)), strict=True))
    assert ours == pytest.approx(_named(KNOWN[model], "se"), rel=1e-4)


@pytest.mark.parametrize("model", list(CASES))
def test_same_error(model: str) -> None:
    found, known = _fit(model), KNOWN[model]
    assert found.variances.error == pytest.approx(known["sd"]["error"], rel=1e-4)
    others = ("vehicle_level", "vehicle_rate", "part_level", "part_rate", "path", "visit", "repeat", "start")
    assert [getattr(found.variances, name) for name in others] == [0.0] * len(others)


@pytest.mark.parametrize("model", list(CASES))
def test_same_standard_error_of_the_error(model: str) -> None:
    # the other program's parameter is the logarithm
    found, known = _fit(model), KNOWN[model]
    assert found.variance_se.error / found.variances.error == pytest.approx(known["log_sd_se"]["error"], rel=1e-4)


@pytest.mark.parametrize("model", list(CASES))
def test_same_likelihood(model: str) -> None:
    assert _fit(model).criterion == pytest.approx(KNOWN[model]["loglik"]["ml"], abs=1e-4)


def test_affairs_as_printed() -> None:
    # Fair (1978), as printed in Greene, Econometric Analysis, 5th ed., table 22.3, and by AER 1.2.10
    fit = _fit("affairs")
    printed = [8.174197, -0.179333, 0.554142, -1.686220, 0.326053, -2.284973]
    assert fit.fixed.estimate == pytest.approx(printed, rel=1e-4)
    assert fit.criterion == pytest.approx(-705.576222, abs=1e-4)

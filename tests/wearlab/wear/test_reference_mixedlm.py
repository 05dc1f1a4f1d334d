"""Small fleets beside statsmodels' MixedLM, where it converges; it stops at about 1e-4 of a standard deviation."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from reference.comparison import plain, predicted
from wearlab.wear.data import WearData
from wearlab.wear.scale_fit import ScaleFit


@dataclass(frozen=True)
class Shape:
    """A fleet and how MixedLM is told its model; `sd` leads from its names to ours."""

    readings: pd.DataFrame
    formula: str
    re_formula: str
    components: dict[str, str]
    sd: dict[str, str]
    correlated: bool


def _frame(rows: list[tuple[object, ...]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["vehicle", "part", "visit", "x", "y"])


def _single_parts() -> Shape:
    """One part a vehicle, level and rate correlated, and what the repeats of a visit share."""
    dice, rows = np.random.default_rng(4), []
    for v in range(30):
        level, rate = dice.multivariate_normal([0, 0], [[1.0, 0.12], [0.12, 0.09]])
        for t, x in enumerate(np.cumsum(dice.uniform(0.8, 1.4, int(dice.integers(4, 7))))):
            shared = dice.normal(0, 0.4)
            for _ in range(int(dice.integers(1, 4))):
                rows.append(
                    (f"v{v:02d}", f"p{v:02d}", f"{t}", x, 5 + 0.6 * x + level + rate * x + shared + dice.normal(0, 0.3))
                )
    sd = {"vehicle": "part_level", "x": "part_rate", "visit": "shared"}
    return Shape(_frame(rows), "y ~ x", "1 + x", {"visit": "0 + C(visit)"}, sd, correlated=True)


def _levels() -> Shape:
    """Parts in vehicles that do not wear, and visits: levels only."""
    dice, rows = np.random.default_rng(5), []
    for v in range(40):
        vehicle, parts = dice.normal(0, 1), dice.normal(0, 0.7, 4)
        for t in range(int(dice.integers(3, 6))):
            shared = dice.normal(0, 0.4)
            for p in range(4):
                rows.append(
                    (f"v{v:02d}", f"v{v:02d}:{p}", f"{t}", 0.0, 5 + vehicle + parts[p] + shared + dice.normal(0, 0.3))
                )
    components = {"part": "0 + C(part)", "visit": "0 + C(visit)"}
    sd = {"vehicle": "vehicle_level", "part": "part_level", "visit": "visit"}
    return Shape(_frame(rows), "y ~ 1", "1", components, sd, correlated=True)


def _nested() -> Shape:
    """Parts in vehicles, both with a level and a rate, and visits; nothing correlated, which MixedLM cannot nest."""
    dice, rows = np.random.default_rng(6), []
    for v in range(40):
        vehicle, parts = dice.normal(0, (0.8, 0.2)), dice.normal(0, (0.6, 0.2), (3, 2))
        for t, x in enumerate(np.cumsum(dice.uniform(0.8, 1.4, int(dice.integers(4, 7))))):
            shared = dice.normal(0, 0.3)
            for p in range(3):
                level, rate = vehicle + parts[p]
                rows.append(
                    (
                        f"v{v:02d}",
                        f"v{v:02d}:{p}",
                        f"{t}",
                        x,
                        5 + level + (0.6 + rate) * x + shared + dice.normal(0, 0.3),
                    )
                )
    components = {
        "vehicle_x": "0 + x",
        "part": "0 + C(part)",
        "part_x": "0 + C(part):x",
        "visit": "0 + C(visit)",
    }
    sd = {
        "vehicle": "vehicle_level",
        "vehicle_x": "vehicle_rate",
        "part": "part_level",
        "part_x": "part_rate",
        "visit": "visit",
    }
    return Shape(_frame(rows), "y ~ x", "1", components, sd, correlated=False)


SHAPES = {"single parts": _single_parts(), "levels": _levels(), "nested": _nested()}


@cache
def _theirs(name: str) -> Any:
    shape = SHAPES[name]
    model = smf.mixedlm(
        shape.formula, shape.readings, groups="vehicle", re_formula=shape.re_formula, vc_formula=shape.components
    )
    fit = model.fit(reml=True, method="lbfgs", maxiter=500)
    assert fit.converged
    return fit


@cache
def _ours(name: str) -> ScaleFit:
    shape = SHAPES[name]
    columns = {
        column: shape.readings[column].to_numpy(dtype=object).astype(str) for column in ("vehicle", "part", "visit")
    }
    data = WearData(
        y=shape.readings["y"].to_numpy(),
        exposure=shape.readings["x"].to_numpy(),
        exposure_unit="1",
        **columns,
    )
    return plain(data, without=("path",) if shape.correlated else ("path", "correlation"))


@pytest.mark.parametrize("name", list(SHAPES))
def test_same_optimum(name: str) -> None:
    assert _ours(name).criterion == pytest.approx(_theirs(name).llf, abs=1e-5)


@pytest.mark.parametrize("name", list(SHAPES))
def test_same_fixed_effects(name: str) -> None:
    ours, theirs = _ours(name).fixed, _theirs(name)
    assert ours.estimate == pytest.approx(theirs.fe_params.to_numpy(), rel=1e-4)
    assert np.sqrt(np.diag(ours.covariance)) == pytest.approx(theirs.bse_fe.to_numpy(), rel=1e-3)


@pytest.mark.parametrize("name", list(SHAPES))
def test_same_variances(name: str) -> None:
    ours, theirs, sd = _ours(name).variances, _theirs(name), SHAPES[name].sd
    found = {
        sd[str(group)]: float(variance) ** 0.5
        for group, variance in zip(theirs.model.exog_vc.names, theirs.vcomp, strict=True)
    }
    names = ["vehicle", *theirs.cov_re.columns[1:]]
    found |= {sd[str(k)]: float(variance) ** 0.5 for k, variance in zip(names, np.diag(theirs.cov_re), strict=True)}
    mine = {key: getattr(ours, key) for key in found if key != "shared"}
    if "shared" in found:  # with one part a vehicle what a visit shares and what its repeats share are one effect
        mine["shared"] = float(np.hypot(ours.visit, ours.repeat))
    assert mine == pytest.approx(found, rel=1e-3)
    assert ours.error == pytest.approx(theirs.scale**0.5, rel=1e-3)


def test_same_correlation() -> None:
    covariance = _theirs("single parts").cov_re.to_numpy()
    expected = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
    assert _ours("single parts").variances.correlation == pytest.approx(expected, rel=1e-3)


def test_same_predicted_effects_of_single_parts() -> None:
    ours = predicted(_ours("single parts"))
    for vehicle, values in _theirs("single parts").random_effects.items():
        part = str(vehicle).replace("v", "p")
        assert (ours["part_level"][part], ours["part_rate"][part]) == pytest.approx(tuple(values.iloc[:2]), abs=1e-3)

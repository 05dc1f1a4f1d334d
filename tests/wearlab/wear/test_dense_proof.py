"""The batched computation equals a plain dense one on fifty small fleets that have every awkwardness at once."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from reference.dense import NAMES, Dense
from reference.unit_fleet import UNIT_FLEET
from wearlab.wear.data import WearData
from wearlab.wear.evaluate import criterion_at, innovations_at, score_at
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.scale import STRAIGHT, WorkingScale
from wearlab.wear.state import posterior_at
from wearlab.wear.variances import Variances

FLEETS = 50
CLOSE = 1e-8
LOG = WorkingScale(0.0)


@dataclass(frozen=True)
class Case:
    """A fleet, the variances at which it is looked at, and the plain computation."""

    data: WearData
    scale: WorkingScale
    sd: dict[str, float]
    dense: Dense

    @property
    def variances(self) -> Variances:
        return Variances(**self.sd)

    @property
    def order(self) -> list[int]:
        """By visit, then part; repeats as they stand."""
        return list(np.lexsort((np.arange(len(self.data)), self.data.part, self.data.visit)))


def drawn(rng: np.random.Generator) -> tuple[WearData, WorkingScale]:
    """A small fleet: straight with added covariates, at times on a power of exposure, or logarithmic with factors,
    rig periods and lost temperatures.
    """
    log = bool(rng.random() < 0.4)
    bent = not log and bool(rng.random() < 0.2)
    flat_data = UNIT_FLEET | {
        "vehicles": int(rng.integers(2, 5)),
        "parts": int(rng.integers(1, 4)),
        "visits": (1, 4),
        "repeats": (1, 3) if rng.random() < 0.5 else 1,
        "families": int(rng.integers(1, 3)),
        "missing": 0.15,
        "replaced": 0.3,
        "moved": 0.0 if bent else 1.0,
        "unknown": 0.3 if rng.random() < 0.6 and not bent else 0.0,
    }
    if log:
        fleet = simulated_fleet(
            rng, level=1.0, rate=0.1, scale=LOG, conditions=True, viscosity_missing=0.3, periods=2, **flat_data
        )
        return fleet.data, LOG
    data = simulated_fleet(rng, level=5.0, rate=1.0, **flat_data).data
    n = len(data)
    data = replace(data, resolution=np.where(rng.random(n) < 0.5, 0.5, np.nan))
    if rng.random() < 0.7:
        data = replace(
            data,
            covariates=rng.standard_normal((n, 3)) * (rng.random((n, 3)) < 0.7),
            covariate_names=("known a little", "known well", "not known"),
            prior_mean=np.array([0.5, -0.2, 0.0]),
            prior_sd=np.array([0.7, 0.1, np.inf]),
        )
    return data, WorkingScale(1.0, 1.5) if bent else STRAIGHT


def well_posed(data: WearData, scale: WorkingScale) -> bool:
    """The flat coefficients can be told, and there is something left to tell variances from."""
    if not 12 <= len(data) <= 60:
        return False
    X = Dense(data, scale.power, scale.gamma).X
    return np.linalg.matrix_rank(X) == X.shape[1] and float(np.linalg.cond(X)) < 1e3 and len(data) > X.shape[1] + 3


@cache
def cases() -> tuple[Case, ...]:
    rng = np.random.default_rng(20261)
    found: list[Case] = []
    while len(found) < FLEETS:
        data, scale = drawn(rng)
        data = data.take(rng.permutation(len(data)))  # readings come in any order
        if not well_posed(data, scale):
            continue
        sd = {name: float(rng.uniform(0.15, 0.9) * (rng.random() < 0.8)) for name in NAMES}
        sd["error"] = float(rng.uniform(0.15, 0.5))
        sd["correlation"] = float(rng.uniform(-0.8, 0.8)) if sd["part_level"] * sd["part_rate"] > 0 else 0.0
        if data.unknown_start is None or not 0 < data.unknown_start.mean() < 1:
            sd["start"] = 0.0  # where no life or every life began unseen there is nothing to compare it with
        found.append(Case(data, scale, sd, Dense(data, scale.power, scale.gamma)))
    return tuple(found)


def close(found: Any, known: Any) -> None:
    known = np.asarray(known, dtype=float)
    np.testing.assert_allclose(found, known, rtol=CLOSE, atol=CLOSE * max(1.0, float(np.abs(known).max())))


def test_the_fleets_have_every_awkwardness() -> None:
    def share(has: Any) -> float:
        return float(np.mean([bool(has(case.data)) for case in cases()]))

    def travelled(d: WearData) -> bool:
        return any(np.unique(d.vehicle[d.part == label]).size > 1 for label in np.unique(d.part))

    def repeated(d: WearData) -> bool:
        key = list(zip(d.vehicle, d.part, d.visit, strict=True))
        return len(set(key)) < len(key)

    assert share(travelled) > 0.3
    assert share(repeated) > 0.3
    assert share(lambda d: d.unknown_start is not None and d.unknown_start.any()) > 0.3
    assert share(lambda d: d.family is not None and np.unique(d.family).size == 2) > 0.3
    assert share(lambda d: d.prior_sd is not None) > 0.5
    assert share(lambda d: d.period is not None and np.unique(d.period).size > 1) > 0.2
    assert share(lambda d: d.visit_sd is not None and (d.visit_sd > 0).any()) > 0.1
    assert share(lambda d: np.unique(d.part).size > np.unique(d.vehicle).size) > 0.5
    assert share(lambda d: d.part.max() + 1 > np.unique(d.part).size) > 0.1  # parts of which every reading is missing


def test_dense_score_is_the_slope_of_the_dense_likelihood() -> None:
    """The yardstick itself: traces and differences of it agree."""
    for case in cases()[:10]:
        by_trace, by_difference = case.dense.score(case.sd), case.dense.differences(case.sd)
        np.testing.assert_allclose(
            [by_trace[name] for name in NAMES], [by_difference[name] for name in NAMES], rtol=1e-6, atol=1e-6
        )


@pytest.mark.parametrize("number", range(FLEETS))
def test_restricted_likelihood(number: int) -> None:
    case = cases()[number]
    close(criterion_at(case.data, case.variances, scale=case.scale), case.dense.criterion(case.sd))


@pytest.mark.parametrize("number", range(FLEETS))
def test_full_likelihood(number: int) -> None:
    case = cases()[number]
    data = replace(case.data, covariates=None, covariate_names=(), covariate_kind=(), prior_mean=None, prior_sd=None)
    data = replace(data, period=None)
    found = criterion_at(data, case.variances, scale=case.scale, method="ml")
    close(found, Dense(data, case.scale.power, case.scale.gamma).criterion(case.sd, "ml"))


@pytest.mark.parametrize("number", range(FLEETS))
def test_score(number: int) -> None:
    case = cases()[number]
    found = score_at(case.data, case.variances, scale=case.scale)
    known = case.dense.score(case.sd)
    assert {field.name for field in fields(found)} == set(NAMES)
    close([getattr(found, name) for name in NAMES], [known[name] for name in NAMES])


@pytest.mark.parametrize("number", range(0, FLEETS, 5))
def test_score_is_the_slope_of_the_likelihood(number: int) -> None:
    """By differences of the program's own likelihood, both methods."""
    case = cases()[number]
    for method in ("reml", "ml"):
        found = score_at(case.data, case.variances, scale=case.scale, method=method)
        for name in NAMES:
            h = 1e-4 * max(abs(case.sd[name]), 0.1)
            if case.sd[name] == 0:
                assert (
                    getattr(found, name) == 0 or name == "correlation"
                )  # a standard deviation of 0 is a turning point
                continue
            at = [
                criterion_at(
                    case.data, Variances(**{**case.sd, name: case.sd[name] + k * h}), scale=case.scale, method=method
                )
                for k in (-2, -1, 1, 2)
            ]
            slope = (at[0] - 8 * at[1] + 8 * at[2] - at[3]) / (12 * h)
            assert getattr(found, name) == pytest.approx(slope, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("number", range(FLEETS))
def test_innovations(number: int) -> None:
    case = cases()[number]
    close(innovations_at(case.data, case.variances, scale=case.scale), case.dense.innovations(case.sd, case.order))


@pytest.mark.parametrize("number", range(FLEETS))
def test_posterior_of_every_part(number: int) -> None:
    case = cases()[number]
    found = posterior_at(case.data, case.variances, scale=case.scale)
    for k, label in enumerate(np.unique(case.data.part)):
        mean, covariance = case.dense.posterior(case.sd, label)
        close([found.level[k], found.rate[k]], mean)
        close([found.var_level[k], found.cov[k], found.var_rate[k]], covariance[[0, 0, 1], [0, 1, 1]])

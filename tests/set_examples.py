"""Components, joint laws and sets made by hand, for tests of what several parts do together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wearlab.forecast.set_figures import SetRule
from wearlab.forecast.set_rules import Fate, Sets, fates
from wearlab.wear.joint import Joint
from wearlab.wear.mixture import Component, Mixture
from wearlab.wear.scale import STRAIGHT, WorkingScale
from wearlab.wear.variances import Variances

#: distances looked at: the latest test, today and ahead
GRID = np.array([0.0, 2.5, 5.0, 7.5, 10.0, 12.5, 15.0, 17.5, 20.0, 25.0, 30.0])


def component(
    level: Sequence[float],
    path: float,
    *,
    rate: Sequence[float] | float = 0.0,
    var_level: Sequence[float] | float = 0.0,
    var_rate: Sequence[float] | float = 0.0,
    scale: WorkingScale = STRAIGHT,
    gamma: Sequence[float] | None = None,
    position: Sequence[float] | None = None,
    noise: Sequence[float] | None = None,
    visit: float = 0.0,
    unit: float = 1.0,
    weight: float = 1.0,
) -> Component:
    """A component of P parts; `path` is the variance of the path per working exposure 1."""
    size = len(level)

    def row(values: Sequence[float] | float | None, default: float = 0.0) -> np.ndarray:
        return np.broadcast_to(np.asarray(default if values is None else values, dtype=float), (size,)).copy()

    none = np.zeros(1)
    return Component(
        weight=weight,
        scale=scale,
        level=row(list(level)),
        rate=row(rate),
        var_level=row(var_level),
        var_rate=row(var_rate),
        cov=row(0.0),
        fresh=row(0.0),
        var_fresh=row(0.0),
        noise=row(noise),
        position=row(position),
        unit_exposure=row(unit),
        gamma=row(gamma, scale.gamma),
        vehicle_rate=none,
        var_vehicle_rate=none,
        vehicle_level=none,
        family_level=none,
        family_rate=none,
        family_covariance=np.zeros((1, 2, 2)),
        path_variance=path,
        variances=Variances(path=path**0.5, visit=visit),
    )


def joint(mean: np.ndarray, covariance: np.ndarray) -> Joint:
    """The law of one set."""
    return Joint(np.asarray(mean, dtype=float)[None, :], np.asarray(covariance, dtype=float)[None, :, :])


def one_set(width: int, grid: np.ndarray = GRID, known: list[bool] | None = None, counted: bool = True) -> Sets:
    here = np.array([known or [True] * width])
    return Sets(
        places=np.where(here, np.arange(width), -1),
        complete=here.all(axis=1) & counted,
        valid=here,
        exposure=np.repeat(grid[None, :, None], width, axis=2),
        test_at=np.array([1.0]),
    )


def rule(kind: str, limit: float, **more: object) -> SetRule:
    return SetRule(kind, np.array([limit]), **more)  # type: ignore[arg-type]


def told(
    mixture: Mixture, laws: list[Joint], sets: Sets, *rules: SetRule, draws: int = 4000, seed: int = 3
) -> list[Fate]:
    return list(fates(mixture, laws, sets, rules, draws=draws, seed=seed))

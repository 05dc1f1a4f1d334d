"""The chance that a limit is passed, mixed over the components of the wear model, for many parts at once.

A limit is carried to the working scale, exposure to its power; every component then has the law of `first_passage`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from wearlab.errors import InputError
from wearlab.forecast.first_passage import passage_chance
from wearlab.wear.mixture import LevelAndRate
from wearlab.wear.scale import WorkingScale

Array = NDArray[np.float64]

#: Parts worked on at once.
CHUNK = 4096


class Component(LevelAndRate, Protocol):
    """One working scale (and draw of the variances), with level and rate of every part on it."""

    @property
    def weight(self) -> float: ...
    @property
    def scale(self) -> WorkingScale: ...


class Mixture(Protocol):
    """The wear model's answer for forecasts: components with weights that sum to 1."""

    @property
    def components(self) -> Sequence[Component]: ...


@dataclass(frozen=True, slots=True, eq=False)
class Limits:
    """Limits of parts, over all components."""

    mixture: Mixture
    index: NDArray[np.int64]
    limit: Array
    sign: Array

    @classmethod
    def of(cls, mixture: Mixture, index: ArrayLike, limit: ArrayLike, direction: ArrayLike) -> Limits:
        places = np.asarray(index, dtype=np.int64)
        limits, sides = (np.asarray(values, dtype=np.float64) for values in (limit, direction))
        if not places.shape == limits.shape == sides.shape or places.ndim != 1:
            raise InputError("index, limit and direction are of one length")
        if not (np.abs(sides) == 1).all():
            raise InputError("the direction of a limit is +1 (above) or -1 (below)")
        return cls(mixture, places, limits, sides)

    def placed(self, exposure: ArrayLike) -> Array:
        values = np.asarray(exposure, dtype=np.float64)
        if values.shape != self.index.shape:
            raise InputError("every part needs its exposure")
        return values

    def chunks(self) -> Iterator[tuple[slice, Chunk]]:
        for first in range(0, self.index.size, CHUNK):
            rows = slice(first, first + CHUNK)
            yield rows, Chunk.of(self.mixture, self.index[rows], self.limit[rows], self.sign[rows])


@dataclass(frozen=True, slots=True, eq=False)
class _Law:
    """One component, turned so that every limit lies above: `values` of shape (6, p), see `passage_chance`."""

    weight: float
    scale: WorkingScale
    values: Array
    position: Array
    unit: Array
    gamma: Array


@dataclass(frozen=True, slots=True, eq=False)
class Chunk:
    """The parts searched at once; `start` is the exposure of the last reading, `unit` a typical span, both (p,)."""

    laws: tuple[_Law, ...]
    start: Array
    unit: Array

    @classmethod
    def of(cls, mixture: Mixture, index: NDArray[np.int64], limit: Array, sign: Array) -> Chunk:
        laws = tuple(_law(one, index, limit, sign) for one in mixture.components if one.weight > 0)
        first = laws[0]
        return cls(laws, first.position ** (1.0 / first.gamma) * first.unit, first.unit)

    def chance(self, exposure: Array, rows: NDArray[np.intp] | None = None) -> Array:
        """Return the chance of passage by `exposure`, mixed over the components; shape of `exposure`."""
        pick = slice(None) if rows is None else rows
        total = np.zeros(exposure.shape)
        for law in self.laws:
            worked = (np.maximum(exposure, 0.0) / law.unit[pick]) ** law.gamma[pick]
            ahead = np.maximum(worked - law.position[pick], 0.0)
            gap, gap_var, drift, drift_var, covariance, diffusion = law.values[:, pick]
            total += law.weight * passage_chance(gap, gap_var, drift, drift_var, covariance, diffusion, ahead)
        return np.minimum(total, 1.0)

    def probit(self, ahead: Array, rows: NDArray[np.intp] | None = None) -> Array:
        """Return the probit of the chance of passage, given the logarithm of the typical spans to go."""
        pick = slice(None) if rows is None else rows
        chance = self.chance(self.start[pick] + self.unit[pick] * np.exp(ahead), rows)
        return np.asarray(ndtri(np.clip(chance, 1e-12, 1 - 1e-12)), dtype=np.float64)


def _law(one: Component, index: NDArray[np.int64], limit: Array, sign: Array) -> _Law:
    reachable = one.scale.allows(limit)
    with np.errstate(divide="ignore", invalid="ignore"):
        worked = one.scale.forward(np.where(reachable, limit, 1.0))
    gap = sign * (worked - one.level[index])
    # a limit that no reading can have on this scale lies below all of them
    gap = np.where(reachable, gap, np.where(np.isnan(limit) | np.isnan(gap), np.nan, -sign * np.inf))
    values = np.array(
        [
            gap,
            one.var_level[index],
            sign * one.rate[index],
            one.var_rate[index],
            # of the gap, which falls when the level rises, and the drift
            -one.cov[index],
            np.full(index.size, float(one.path_variance)),
        ]
    )
    return _Law(float(one.weight), one.scale, values, one.position[index], one.unit_exposure[index], one.gamma[index])

"""When a part's true level passes its limit, on exposure, from what the wear model knows of level and rate.

The level is the true one, not a reading: a lucky or unlucky reading passes nothing. Given a part's level and rate
(normal, correlated) the level wanders on as a Wiener path with drift, so that the first passage has an inverse
Gaussian law; `first_passage` mixes it over level and rate, here it is mixed over the working scales (and, in small
groups, over draws of the variances), each with its weight. A limit is carried to the working scale, exposure to its
power.

Passage counts from the last reading on. What the readings say of the time before is in the level: a level past its
limit at the last reading has been passed by then.
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
from wearlab.wear.scale import WorkingScale

Array = NDArray[np.float64]

#: Exposure looked ahead, in units of the group's typical span; a quantile beyond it is infinite ("never").
HORIZON = 100.0

#: Parts searched at once.
_CHUNK = 4096
#: logarithms of typical spans to go at which every quantile is first enclosed; what is passed within the first
#: (a millionth of a span) is told as passed at the last reading
_GRID = np.log(np.array([1e-6, 0.02, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 20.0, HORIZON]))
#: quantiles are exact to 1e-4 in the chance, or to this share of the exposure to go
_EXACT = 2e-4
_ROUNDS = 60


class Component(Protocol):
    """One working scale (and draw of the variances): level and rate of every part on it, arrays of shape (P,)."""

    @property
    def weight(self) -> float: ...
    @property
    def scale(self) -> WorkingScale: ...
    @property
    def level(self) -> Array: ...
    @property
    def rate(self) -> Array: ...
    @property
    def var_level(self) -> Array: ...
    @property
    def var_rate(self) -> Array: ...
    @property
    def cov(self) -> Array: ...
    @property
    def path_variance(self) -> float: ...
    @property
    def position(self) -> Array: ...
    @property
    def unit_exposure(self) -> Array: ...
    @property
    def gamma(self) -> Array: ...


class Mixture(Protocol):
    """The wear model's answer for forecasts: components with weights that sum to 1."""

    @property
    def components(self) -> Sequence[Component]: ...


@dataclass(frozen=True, slots=True, eq=False)
class Passage:
    """Quantiles of the exposure at the first passage, and the chance that it lies behind.

    `quantiles` has shape (Q, P), in exposure since the life began. Infinite: not within `HORIZON`, or
    never. The exposure of the last reading: passed by then. `past`, shape (P,): the chance that the limit
    was passed before `exposure_now`. Both are NaN for a part without a level or limit.
    """

    quantiles: Array
    past: Array


def passage(
    mixture: Mixture,
    index: ArrayLike,
    limit: ArrayLike,
    direction: ArrayLike,
    exposure_now: ArrayLike,
    quantiles: Sequence[float] = (0.1, 0.5, 0.9),
) -> Passage:
    """Return the exposure at which each limit is first passed.

    Parameters
    ----------
    mixture
        Of the group (`WearFit.mixture()`).
    index
        Places of the parts in the mixture's arrays, shape (P,); a part may stand for several limits.
    limit, direction
        Limit on the measured scale and its failing side, +1 above and -1 below, shape (P,).
    exposure_now
        Exposure of today, shape (P,), in the unit the model was fitted with; NaN where it is not known.
    quantiles
        Chances between 0 and 1.

    Raises
    ------
    InputError
        A quantile is not between 0 and 1, or the arrays are not of one length.
    """
    levels = np.asarray(quantiles, dtype=np.float64)
    if not ((levels > 0) & (levels < 1)).all():
        raise InputError("a quantile lies between 0 and 1")
    task = _Task.of(mixture, index, limit, direction)
    now = task.placed(exposure_now)
    found = np.full((levels.size, task.index.size), np.nan)
    past = np.full(task.index.size, np.nan)
    for rows, part in task.chunks():
        gone = now[rows]
        past[rows] = np.where(np.isnan(gone), part.chance(part.start), part.chance(gone))
        found[:, rows] = part.quantiles(levels)
    return Passage(found, past)


def chance_before(
    mixture: Mixture,
    index: ArrayLike,
    limit: ArrayLike,
    direction: ArrayLike,
    exposure_now: ArrayLike,
    exposure: ArrayLike,
) -> Array:
    """Return the chance that each limit is passed by `exposure`, shape (P,); arguments as in `passage`.

    What was passed before today counts: an `exposure` behind `exposure_now` is read as `exposure_now`.
    """
    task = _Task.of(mixture, index, limit, direction)
    until = np.fmax(task.placed(exposure), task.placed(exposure_now))
    told = np.full(task.index.size, np.nan)
    for rows, part in task.chunks():
        told[rows] = part.chance(until[rows])
    return told


@dataclass(frozen=True, slots=True, eq=False)
class _Task:
    """Limits of parts, over all components."""

    mixture: Mixture
    index: NDArray[np.int64]
    limit: Array
    sign: Array

    @classmethod
    def of(cls, mixture: Mixture, index: ArrayLike, limit: ArrayLike, direction: ArrayLike) -> _Task:
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

    def chunks(self) -> Iterator[tuple[slice, _Chunk]]:
        for first in range(0, self.index.size, _CHUNK):
            rows = slice(first, first + _CHUNK)
            yield rows, _Chunk.of(self.mixture, self.index[rows], self.limit[rows], self.sign[rows])


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
class _Chunk:
    """The parts searched at once; `start` is the exposure of the last reading, `unit` a typical span, both (p,)."""

    laws: tuple[_Law, ...]
    start: Array
    unit: Array

    @classmethod
    def of(cls, mixture: Mixture, index: NDArray[np.int64], limit: Array, sign: Array) -> _Chunk:
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

    def quantiles(self, levels: Array) -> Array:
        """Return the exposures by which each limit is passed with these chances, shape (Q, p).

        Chances on a coarse grid of exposures to go enclose every quantile; regula falsi (Illinois) closes in,
        for the logarithm of the exposure to go on the probit of the chance, in which a law is nearly straight.
        """
        grid = np.array([self.probit(np.full(self.unit.size, place)) for place in _GRID])
        wanted = ndtri(levels)[:, None]
        above = (grid[:, None, :] >= wanted).astype(np.int64)
        # the first place of the grid that is past; the chance never falls, so the one before is short of it
        first = np.where(above.any(axis=0), above.argmax(axis=0), _GRID.size)
        found = np.where(first < _GRID.size, self.start, np.inf)
        found[:, np.isnan(grid[0])] = np.nan
        quantile, part = np.nonzero((first > 0) & (first < _GRID.size) & ~np.isnan(grid[0]))
        upper = first[quantile, part]
        at_low, at_high = (grid[place, part] - wanted[quantile, 0] for place in (upper - 1, upper))
        exact = _close_in(self, part, wanted[quantile, 0], _GRID[upper - 1], _GRID[upper], at_low, at_high)
        found[quantile, part] = self.start[part] + self.unit[part] * np.exp(exact)
        return found

    def probit(self, ahead: Array, rows: NDArray[np.intp] | None = None) -> Array:
        """Return the probit of the chance of passage, given the logarithm of the typical spans to go."""
        pick = slice(None) if rows is None else rows
        chance = self.chance(self.start[pick] + self.unit[pick] * np.exp(ahead), rows)
        return np.asarray(ndtri(np.clip(chance, 1e-12, 1 - 1e-12)), dtype=np.float64)


def _close_in(
    chunk: _Chunk, part: NDArray[np.intp], wanted: Array, low: Array, high: Array, at_low: Array, at_high: Array
) -> Array:
    """Return where the probit reaches `wanted` between `low` (short of it) and `high` (not), shape (n,)."""
    result = high.copy()
    rows = np.arange(part.size)
    kept = np.zeros(part.size)
    for turn in range(_ROUNDS):
        if not rows.size:
            break
        # every fourth step halves the span, so that a flat side cannot stall it
        share = np.full(rows.size, 0.5) if turn % 4 == 3 else np.clip(at_low / (at_low - at_high), 0.01, 0.99)
        middle = low + share * (high - low)
        value = chunk.probit(middle, part[rows]) - wanted[rows]
        result[rows] = middle
        over = value >= 0
        again = np.where(over, 1.0, -1.0)
        at_low = np.where(over, np.where(kept == again, at_low / 2, at_low), value)
        at_high = np.where(over, value, np.where(kept == again, at_high / 2, at_high))
        low, high = np.where(over, low, middle), np.where(over, middle, high)
        rest = (np.abs(value) >= _EXACT) & (high - low >= _EXACT)
        rows, low, high, kept = rows[rest], low[rest], high[rest], again[rest]
        at_low, at_high = at_low[rest], at_high[rest]
    return result


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

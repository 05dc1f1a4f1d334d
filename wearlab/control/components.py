"""Variance components of uneven data by REML: y = X beta + sum of Z_k u_k + e, u_k ~ N(0, sd_k^2), e ~ N(0, sd^2).

Every factor (visit and position, technician, rig, channel ...) labels each reading with a level; factors may cross or
nest, and levels may hold any number of readings. With theta_k = sd_k / sd the restricted criterion is

    log|I + theta Z'Z theta| + log|X'V^-1 X| + (n - p) log(2 pi sd^2) + rss / sd^2

from one Cholesky factor of the mixed model equations (Bates, Maechler, Bolker & Walker, J. Statistical Software 67(1)
2015). The factor with the most levels is eliminated first, where its block is diagonal, by sums over levels of equal
count: a hundred thousand visits cost no more than ten.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import log, pi

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize
from scipy.sparse import csr_matrix, hstack
from scipy.special import chdtri

from wearlab.errors import InputError
from wearlab.language import _, msg, number
from wearlab.records import NoAnswer

Array = NDArray[np.float64]

#: Least repeatability that is looked for, as a share of the spread of all readings.
_LEAST = 1e-5
_AWAY = 1e12
_NO_SCATTER = msg("readings under one and the same conditions do not differ, so there is no repeatability")


@dataclass(frozen=True, slots=True)
class VarianceComponent:
    """One factor: `sd` with its profile interval (`low`, `high`), and each level's effect with its sd, (levels,).

    `low` is 0 where the readings allow that there is no such effect. Without an interval both are NaN.
    """

    factor: str
    sd: float
    low: float
    high: float
    levels: tuple[str, ...]
    effect: Array
    effect_sd: Array


@dataclass(frozen=True, slots=True)
class ComponentFit:
    """All components, the last of them `repeatability`; fixed coefficients with sd, (p,); the REML criterion.

    `untold` are factors these readings cannot tell, each with its reason.
    """

    components: tuple[VarianceComponent, ...]
    fixed: Array
    fixed_sd: Array
    criterion: float
    readings: int
    untold: tuple[str, ...]

    def component(self, factor: str) -> VarianceComponent:
        """Return the component of one factor."""
        return next(each for each in self.components if each.factor == factor)


def variance_components(
    values: ArrayLike,
    factors: Mapping[str, ArrayLike],
    *,
    columns: ArrayLike | None = None,
    coverage: float | None = 0.9,
) -> ComponentFit | NoAnswer:
    """Fit readings (n,), NaN = missing, with a level (n,) of every factor for each.

    Parameters
    ----------
    columns
        Fixed effects besides the mean, shape (n, k).
    coverage
        Of the intervals; None leaves them out, which is faster.
    """
    y = np.asarray(values, dtype=np.float64)
    given = {name: np.asarray(level) for name, level in factors.items()}
    if y.ndim != 1 or any(level.shape != y.shape for level in given.values()):
        raise InputError("every factor needs one level for every reading")
    if coverage is not None and not 0 < coverage < 1:
        raise InputError(f"a coverage lies between 0 and 1, not {coverage}")
    more = np.empty((y.size, 0)) if columns is None else np.asarray(columns, dtype=np.float64)
    if more.shape[:1] != y.shape or more.ndim != 2 or not np.isfinite(more).all() or np.isinf(y).any():
        raise InputError("fixed effects are finite, one row a reading, and no reading is infinite")
    seen = ~np.isnan(y)
    y, fixed = y[seen], np.column_stack([np.ones(int(seen.sum())), more[seen]])
    if y.size <= fixed.shape[1] + 1:
        return NoAnswer(_("{n} readings are too few for variance components", n=number(y.size)))
    if np.linalg.matrix_rank(fixed) < fixed.shape[1]:
        raise InputError("the fixed effects depend on each other")
    told, untold = _tellable({name: level[seen] for name, level in given.items()})
    unit = float(np.std(y))
    if not unit > 0:
        return NoAnswer(_("all readings are equal: their scatter is below their resolution"))
    if _no_scatter(y, fixed, told, unit):
        return NoAnswer(_(_NO_SCATTER))
    sums = _Sums.of((y - y.mean()) / unit, fixed, told)
    best, least = _least(sums, {})
    if best[-1] < 2 * _LEAST:
        return NoAnswer(_(_NO_SCATTER))
    effects, effect_sds, beta, beta_sd = sums.solved(best)
    names = (*told, "repeatability")
    found = []
    for place, name in enumerate(names):
        low, high = (np.nan, np.nan) if coverage is None else _profile(sums, place, best, least, coverage)
        levels = tuple(str(level) for level in told[name][0]) if name in told else ()
        effect, effect_sd = (effects[name], effect_sds[name]) if name in told else (np.empty(0), np.empty(0))
        found.append(
            VarianceComponent(
                name, float(best[place]) * unit, low * unit, high * unit, levels, effect * unit, effect_sd * unit
            )
        )
    shift = np.zeros(fixed.shape[1])
    shift[0] = y.mean()
    criterion = least + (y.size - fixed.shape[1]) * 2 * log(unit)
    return ComponentFit(tuple(found), beta * unit + shift, beta_sd * unit, criterion, y.size, untold)


@dataclass(frozen=True, slots=True)
class _Sums:
    """Sums of products, all the criterion needs; columns are levels of the smaller factors, fixed effects, y."""

    names: tuple[str, ...]
    largest: str
    blocks: dict[str, slice]
    gram: Array
    of_count: tuple[tuple[float, int, Array], ...]
    cross: Array
    count: Array
    n: int
    p: int

    @classmethod
    def of(cls, y: Array, fixed: Array, told: Mapping[str, tuple[Array, NDArray[np.intp]]]) -> _Sums:
        largest = max(told, key=lambda name: told[name][0].size, default="")
        pieces, blocks, begin = [], {}, 0
        for name, (levels, code) in told.items():
            if name != largest:
                pieces.append(csr_matrix((np.ones(y.size), (np.arange(y.size), code)), shape=(y.size, levels.size)))
                blocks[name] = slice(begin, begin + levels.size)
                begin += levels.size
        full = hstack([*pieces, csr_matrix(fixed), csr_matrix(y[:, None])]).tocsr()
        gram = (full.T @ full).toarray()
        cross, count, of_count = np.empty((0, full.shape[1])), np.empty(0), []
        if largest:
            levels, code = told[largest]
            marks = csr_matrix((np.ones(y.size), (code, np.arange(y.size))), shape=(levels.size, y.size))
            cross, count = (marks @ full).toarray(), np.bincount(code, minlength=levels.size).astype(np.float64)
            for size in np.unique(count):
                rows = cross[count == size]
                of_count.append((float(size), rows.shape[0], rows.T @ rows))
        return cls(tuple(told), largest, blocks, gram, tuple(of_count), cross, count, y.size, fixed.shape[1])

    def reduced(self, sds: Array) -> tuple[Array, Array, float]:
        """Return the equations without the largest factor, the scale of their columns, and its log determinant."""
        theta = dict(zip(self.names, np.abs(sds[:-1]) / sds[-1], strict=True))
        matrix, size = self.gram.copy(), self.gram.shape[0]
        square, half_log = theta.get(self.largest, 0.0) ** 2, 0.0
        for count, levels, products in self.of_count:
            matrix -= square / (1 + square * count) * products
            half_log += levels * np.log1p(square * count)
        scale, ones = np.ones(size), np.zeros(size)
        for name, block in self.blocks.items():
            scale[block], ones[block] = theta[name], 1.0
        matrix *= scale * scale[:, None]
        matrix.flat[:: size + 1] += ones
        return matrix, scale, float(half_log)

    def criterion(self, sds: Array) -> float:
        """Return -2 log of the restricted likelihood at these sds, repeatability last."""
        matrix, _scale, logs = self.reduced(sds)
        # residuals of exactly 0 would end the factor
        matrix[-1, -1] += 1e-14 * self.n
        try:
            diagonal = np.diag(np.linalg.cholesky(matrix))
        except np.linalg.LinAlgError:
            return _AWAY  # a step of the search so wide that the equations are no longer told apart
        logs += 2 * float(np.sum(np.log(diagonal[:-1])))
        return logs + (self.n - self.p) * log(2 * pi * sds[-1] ** 2) + float(diagonal[-1] / sds[-1]) ** 2

    def solved(self, sds: Array) -> tuple[dict[str, Array], dict[str, Array], Array, Array]:
        """Return effects and their sds by factor, fixed coefficients and their sds."""
        matrix, scale, _logs = self.reduced(sds)
        inverse = np.linalg.inv(matrix[:-1, :-1])
        found = inverse @ matrix[:-1, -1]
        spread = sds[-1] * np.sqrt(np.diag(inverse))
        effects = {name: scale[b] * found[b] for name, b in self.blocks.items()}
        effect_sds = {name: scale[b] * spread[b] for name, b in self.blocks.items()}
        if self.largest:
            theta = abs(sds[self.names.index(self.largest)]) / sds[-1]
            pull = theta / (1 + theta**2 * self.count)
            left = self.cross[:, :-1] * scale[:-1]
            effects[self.largest] = theta * pull * (self.cross[:, -1] - left @ found)
            own = pull**2 * np.sum((left @ inverse) * left, axis=1) + 1 / (1 + theta**2 * self.count)
            effect_sds[self.largest] = theta * sds[-1] * np.sqrt(own)
        return effects, effect_sds, found[-self.p :], spread[-self.p :]


def _tellable(given: Mapping[str, ArrayLike]) -> tuple[dict[str, tuple[Array, NDArray[np.intp]]], tuple[str, ...]]:
    told: dict[str, tuple[Array, NDArray[np.intp]]] = {}
    untold = []
    for name, level in given.items():
        levels, code = np.unique(np.asarray(level), return_inverse=True)
        pairs = {other: len(np.unique(code * (known[1].max() + 1) + known[1])) for other, known in told.items()}
        same = [other for other, count in pairs.items() if count == levels.size == told[other][0].size]
        if levels.size < 2:
            untold.append(_("{name}: there is only one", name=name))
        elif levels.size == code.size:
            untold.append(_("{name}: every reading has its own, so it is part of repeatability", name=name))
        elif same:
            untold.append(
                _(
                    "{name}: it changes only together with {other}, which carries it",
                    name=name,
                    other=same[0],
                )
            )
        else:
            told[name] = (levels, code)
    return told, tuple(untold)


def _no_scatter(y: Array, fixed: Array, told: Mapping[str, tuple[Array, NDArray[np.intp]]], unit: float) -> bool:
    """Return whether readings that share every level and every fixed effect all agree."""
    alike = np.column_stack([fixed, *(code for _levels, code in told.values())])
    cell = np.unique(alike, axis=0, return_inverse=True)[1].reshape(-1)
    count = np.bincount(cell)
    gap = y - (np.bincount(cell, y) / count)[cell]
    return bool(count.max() > 1 and np.abs(gap).max() < _LEAST * unit)


def _least(sums: _Sums, held: Mapping[int, float], start: Array | None = None) -> tuple[Array, float]:
    """Return the sds of the least criterion, those in `held` kept as they are, and its value.

    From a `start` that is already near, the value alone is wanted, to a thousandth.
    """
    size = len(sums.names) + 1
    free = [k for k in range(size) if k not in held]

    def sds_of(x: Array) -> Array:
        sds = np.empty(size)
        for k, value in held.items():
            sds[k] = value
        sds[free] = np.abs(x)
        # the criterion is even in every sd; that of a reading is kept from 0, where it has no value
        sds[-1] = max(sds[-1], _LEAST)
        return sds

    best: tuple[Array, float] | None = None
    # BFGS on central differences: few parameters, a cheap criterion
    step, options = (1e-5, {"gtol": 1e-6}) if start is None else (1e-4, {"gtol": 1e-2})

    def function(x: Array) -> float:
        return sums.criterion(sds_of(x))

    starts = [np.full(size, 0.5), np.r_[np.full(size - 1, 0.15), 0.8]] if start is None else [np.maximum(start, 0.02)]
    for begin in starts:
        if not free:
            return sds_of(np.empty(0)), sums.criterion(sds_of(np.empty(0)))
        found = minimize(
            lambda x: _with_slope(function, x, step), begin[free], method="BFGS", jac=True, options=options
        )
        if best is None or found.fun < best[1]:
            best = sds_of(found.x), float(found.fun)
    if best is None:
        raise InputError("no start was given for variance components")
    return best


def _with_slope(function: Callable[[Array], float], x: Array, step: float) -> tuple[float, Array]:
    moves = step * np.eye(x.size)
    slope = np.array([(function(x + move) - function(x - move)) / (2 * step) for move in moves])
    return function(x), slope


def _profile(sums: _Sums, place: int, best: Array, least: float, coverage: float) -> tuple[float, float]:
    """Return the sds of one component between which the criterion stays within the chi-square quantile of its least."""
    reach = float(chdtri(1, 1 - coverage))

    def gap(sd: float) -> float:
        return _least(sums, {place: sd}, best)[1] - least - reach

    middle = float(best[place])
    nothing = 0.0 if place < len(sums.names) else _LEAST
    low = 0.0 if gap(nothing) <= 0 else float(brentq(gap, nothing, middle, xtol=1e-4))
    top = max(2 * middle, 0.1)
    while gap(top) < 0 and top < 1e4:
        top *= 2
    high = np.inf if top >= 1e4 else float(brentq(gap, middle, top, xtol=1e-4))
    return low, high

"""Levels of all parts of a vehicle drawn together, over the distances that it has ahead.

A draw takes a component of the mixture by its weight, levels and rates of all parts from their joint posterior, and
lets every level wander on as a Wiener path with drift; all parts of a vehicle advance by the same distance. Draws come
in pairs that share component, levels and rates and differ in the sign of the path alone: half their difference is what
the path did, which tells how far a figure of several parts may have swung between two distances looked at.

Single precision: the error of a draw is some 1e-7 of the level, that of a chance from 400 draws some 2e-2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

from wearlab.errors import InputError
from wearlab.wear.joint import Joint
from wearlab.wear.mixture import Component, Mixture
from wearlab.wear.scale import WorkingScale

Array = NDArray[np.float64]
Singles = NDArray[np.float32]

#: Draws a set; half of them are the mirror images of the others.
DRAWS = 400
#: Levels are held between these, so that ratios stay finite: no level of any unit lies outside.
LEAST, MOST = 1e-9, 1e9
#: Added to a covariance, relative to its largest variance, before its root is taken.
_HAIR = 1e-10


@dataclass(frozen=True, slots=True, eq=False)
class Paths:
    """Draws of M sets of L parts at T exposures.

    `level` (T, L, M, S) on the measured scale; the second half of the S draws mirrors the paths of the first. `first`
    (L, M, S) are the levels at the parts' first readings, None where the joint posterior has none; `reading` (L, M, S)
    is what one test would read, None where none was asked for.
    """

    level: Singles
    first: Singles | None
    reading: Singles | None


def allotted(weights: Array, draws: int, start: float) -> NDArray[np.int64]:
    """Return how many of `draws` pairs fall to each component: systematic, `start` between 0 and 1."""
    if draws < 1 or not (weights > 0).any():
        raise InputError("paths need at least one pair of draws and one component with a weight")
    ends = np.cumsum(weights / weights.sum())
    marks = (np.arange(draws) + start) / draws
    place = np.minimum(np.searchsorted(ends, marks, side="right"), weights.size - 1)
    return np.bincount(place, minlength=weights.size).astype(np.int64)


def draw_paths(
    mixture: Mixture,
    joint: Sequence[Joint],
    sets: NDArray[np.int64],
    exposure: Array,
    rng: np.random.Generator,
    draws: int = DRAWS,
    *,
    test_at: Array | None = None,
) -> Paths:
    """Return draws of levels along the way.

    Parameters
    ----------
    mixture, joint : what the wear model knows of the parts, and of the sets together (`joint_of`).
    sets : (M, L) places of parts in the mixture, -1 where a set has fewer; absent parts have level 1.
    exposure : (M, T, L) exposure of every part at the times looked at, rising along T and not before its last reading.
    draws : even; pairs that mirror each other.
    test_at : (M,) when each set is tested, as a place among the T times (1.5 lies half way from the second to the
        third); readings of a test share the error of their visit.

    Raises
    ------
    InputError
        The number of draws is odd or not above 0, or no component has a weight.
    """
    if draws % 2:
        raise InputError(f"draws come in pairs, so their number is even, not {draws}")
    count, width = sets.shape
    times = exposure.shape[1]
    half = draws // 2
    level = np.empty((times, width, count, draws), dtype=np.float32)
    size = joint[0].mean.shape[1] // width
    first = np.empty((width, count, draws), dtype=np.float32) if size == 3 else None
    reading = None if test_at is None else np.empty((width, count, draws), dtype=np.float32)
    at = 0
    for component, told, pairs in zip(
        mixture.components, joint, allotted(mixture.weights, half, float(rng.random())).tolist(), strict=True
    ):
        if not pairs:
            continue
        here, mirrored = slice(at, at + pairs), slice(half + at, half + at + pairs)
        at += pairs
        start, rate, begin = _started(told, width, pairs, rng)
        step, root = _steps(component, sets, exposure)
        noise = None if test_at is None else _noise(component, told, sets, pairs, rng)
        straight: Singles = start
        swing: Singles = np.zeros_like(start)
        before = (straight, swing)
        for t in range(times):
            straight = np.asarray(straight + rate * step[t][:, :, None], dtype=np.float32)
            if component.path_variance > 0:
                fresh = rng.standard_normal((width, count, pairs), dtype=np.float32)
                fresh *= root[t][:, :, None]
                swing = swing + fresh
            level[t][:, :, here] = measured(component.scale, straight + swing)
            level[t][:, :, mirrored] = measured(component.scale, straight - swing)
            if reading is not None and noise is not None and test_at is not None:
                due = np.flatnonzero((np.ceil(test_at) == t) if t < times - 1 else (np.ceil(test_at) >= t))
                share = np.clip(test_at[due] - (t - 1), 0.0, 1.0).astype(np.float32)[None, :, None]
                middle, own = (
                    old[:, due] + share * (new[:, due] - old[:, due])
                    for old, new in zip(before, (straight, swing), strict=True)
                )
                own = own + noise[:, due]
                reading[:, due, here] = measured(component.scale, middle + own)
                reading[:, due, mirrored] = measured(component.scale, middle - own)
                before = (straight, swing)
        if first is not None and begin is not None:
            first[:, :, here] = first[:, :, mirrored] = measured(component.scale, begin)
    absent = (sets < 0).T
    level[:, absent] = 1.0
    for values in (first, reading):
        if values is not None:
            values[absent] = 1.0
    return Paths(level, first, reading)


def measured(scale: WorkingScale, value: Singles) -> Singles:
    """Return levels on the measured scale, held between `LEAST` and `MOST`; written for speed."""
    # limits are plain numbers: they leave single precision as it is
    out: Singles
    if scale.power == 1:
        out = value
    elif scale.power == 0:
        out = np.exp(np.clip(value, log(LEAST), log(MOST)))
    elif scale.power == -1:
        out = np.asarray(-1.0 / np.minimum(value, -1.0 / MOST), dtype=np.float32)
    elif abs(scale.power - 1 / 3) < 1e-12:
        base: Singles = np.clip(value, 0.0, MOST ** (1 / 3))
        out = base * base * base
    else:
        with np.errstate(over="ignore"):
            out = scale.inverse(value.astype(np.float64)).astype(np.float32)
    return np.clip(out, np.float32(LEAST), np.float32(MOST)).astype(np.float32, copy=False)


def _started(told: Joint, width: int, pairs: int, rng: np.random.Generator) -> tuple[Singles, Singles, Singles | None]:
    """Levels at the last readings, rates, and levels at the first readings: (L, M, pairs) each."""
    size = told.mean.shape[1]
    normal = rng.standard_normal((told.mean.shape[0], pairs, size))
    normal[:, pairs - pairs // 2 :] = -normal[:, : pairs // 2]  # mirrored: their means are exact
    drawn = told.mean[:, None, :] + normal @ _root(told.covariance).swapaxes(1, 2)
    parts = np.ascontiguousarray(np.moveaxis(drawn, 2, 0), dtype=np.float32)
    return parts[:width], parts[width : 2 * width], parts[2 * width :] if size == 3 * width else None


def _root(covariance: Array) -> Array:
    """Lower roots (M, f, f); what has no variance keeps none."""
    size = covariance.shape[1]
    diagonal = np.einsum("mii->mi", covariance)
    # levels and rates may differ in size by far: the hair is a share of each one's own variance
    sd = np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    scaled = covariance / sd[:, :, None] / sd[:, None, :]
    scaled[:, np.arange(size), np.arange(size)] = np.where(diagonal > 0, 1.0 + _HAIR, 1.0)
    try:
        lower = np.linalg.cholesky(scaled)
    except np.linalg.LinAlgError:
        value, vector = np.linalg.eigh(scaled)
        lower = vector * np.sqrt(np.maximum(value, 0.0))[:, None, :]
    return np.asarray(lower * np.sqrt(np.maximum(diagonal, 0.0))[:, :, None], dtype=np.float64)


def _noise(component: Component, told: Joint, sets: NDArray[np.int64], pairs: int, rng: np.random.Generator) -> Singles:
    """What one test's readings add to the levels, (L, M, pairs): a part shared by the visit and a part of their own."""
    whole = component.noise[np.maximum(sets, 0)].T
    shared = min(component.variances.visit**2 * told.wider, float(whole.min()))
    own = rng.standard_normal((*whole.shape, pairs), dtype=np.float32)
    visit = rng.standard_normal((sets.shape[0], pairs), dtype=np.float32)
    out = own * np.sqrt(whole - shared).astype(np.float32)[:, :, None] + visit * np.float32(np.sqrt(shared))
    return np.asarray(out, dtype=np.float32)


def _steps(component: Component, sets: NDArray[np.int64], exposure: Array) -> tuple[Singles, Singles]:
    """Working exposure from time to time (T, L, M), the first from the last reading on, and the path's sd over it."""
    place = np.maximum(sets, 0)
    unit, gamma = component.unit_exposure[place], component.gamma[place]
    worked = np.maximum(exposure, 0.0) / unit[:, None, :]
    if component.scale.gamma != 1:
        worked = worked ** gamma[:, None, :]
    before = np.where(sets >= 0, component.position[place], worked[:, 0, :])
    step = np.maximum(np.diff(worked, axis=1, prepend=before[:, None, :]), 0.0)
    step = np.ascontiguousarray(step.transpose(1, 2, 0))
    root = np.sqrt(component.path_variance * step)
    return step.astype(np.float32), root.astype(np.float32)

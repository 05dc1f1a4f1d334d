"""Covariance of the readings of each block, and its derivatives, for a whole chunk at once.

K is linear in the variances: K = sum over effects of theta G. All but three G are B B' with a thin B that has a column
for each vehicle, life or visit: an indicator, or the exposure where the effect is a rate. The path, what repeats share,
and the reading's own error need the full square. All arrays have the leading axis m of the chunk's blocks; padding rows
are zero in every G.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.wear.blocks import Chunk, Floats, Ints
from wearlab.wear.variances import INDEX

A, R, LEVEL, LEAN, RATE, START, PATH, VISIT, REPEAT, ERROR = range(len(INDEX))


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Readings of all chunks, (N + 1,) each: the last place stands for padding and holds zeros, slots -1.

    `known` is the known variance of a reading, `shared` the known sd of its visit's shared effect.
    """

    x: Floats
    gathered: Floats
    start: Floats
    known: Floats
    shared: Floats
    life_slot: Ints
    visit_slot: Ints
    any_start: bool
    any_shared: bool


@dataclass(frozen=True, slots=True, eq=False)
class Structure:
    """What the readings of a chunk share.

    `real` (m, n) marks readings, `x` is their working exposure, `known` their known variance. `basis` (m, n, k) holds
    the thin B of all effects side by side, `span` the columns of each. `wander` (m, n, n) is
    the smaller exposure of two readings of one life, `cell` 1 for two of one life and visit. `shared` (m, n, T) is
    the known part of what a visit shares. Those three are None where they are not needed.
    """

    real: Floats
    x: Floats
    known: Floats
    basis: Floats
    span: dict[int, slice]
    wander: Floats | None
    cell: Floats | None
    shared: Floats | None

    def thin(self, effect: int) -> Floats:
        """Return B (m, n, c) of one effect."""
        return self.basis[:, :, self.span[effect]]


def structure(chunk: Chunk, readings: Readings, *, path: bool, repeat: bool) -> Structure:
    """Return what the readings of a chunk share; `path`, `repeat` ask for the squares of these effects."""
    rows = chunk.rows
    slot = readings.life_slot[rows]
    real = (slot >= 0).astype(np.float64)
    x = readings.x[rows]
    life = _indicator(slot, chunk.life.shape[1])
    visit = _indicator(readings.visit_slot[rows], chunk.visits)
    parts = {
        A: real[:, :, None] if chunk.here is None else chunk.here,
        R: readings.gathered[rows][:, :, None] if chunk.share is None else chunk.share * x[:, :, None],
        LEVEL: life,
        RATE: life * x[:, :, None],
        VISIT: visit,
    }
    if readings.any_start:
        parts[START] = life * readings.start[rows][:, :, None]
    span, at = {}, 0
    for effect, columns in parts.items():
        span[effect] = slice(at, at + columns.shape[2])
        at += columns.shape[2]
    wander = cell = None
    if path:
        wander = np.minimum(x[:, :, None], x[:, None, :])
        wander *= slot[:, :, None] == slot[:, None, :]
    if repeat:
        cell = (life @ life.swapaxes(1, 2)) * (visit @ visit.swapaxes(1, 2))
    return Structure(
        real=real,
        x=x,
        known=readings.known[rows],
        basis=np.concatenate(list(parts.values()), axis=2),
        span=span,
        wander=wander,
        cell=cell,
        shared=visit * readings.shared[rows][:, :, None] if readings.any_shared else None,
    )


def _indicator(slot: Ints, width: int) -> Floats:
    out: Floats = (slot[:, :, None] == np.arange(width)).astype(np.float64)
    return out


def signal(s: Structure, theta: Floats) -> Floats:
    """Return the covariance (m, n, n) of the true levels: vehicle, part and path."""
    return _sum(s, theta, visit=0.0)


def covariance(s: Structure, theta: Floats) -> Floats:
    """Return the covariance K (m, n, n) of the readings; padding rows have variance 1."""
    out = _sum(s, theta, visit=float(theta[VISIT]))
    if s.cell is not None and theta[REPEAT] > 0:
        out += theta[REPEAT] * s.cell
    if s.shared is not None:
        out += s.shared @ s.shared.swapaxes(1, 2)
    n = out.shape[1]
    out[:, np.arange(n), np.arange(n)] += (theta[ERROR] + s.known) * s.real + (1.0 - s.real)
    return out


def _sum(s: Structure, theta: Floats, *, visit: float) -> Floats:
    scaled = np.empty_like(s.basis)
    for effect, columns in s.span.items():
        scaled[:, :, columns] = s.basis[:, :, columns] * (visit if effect == VISIT else theta[effect])
    if theta[LEAN] != 0:
        scaled[:, :, s.span[LEVEL]] += theta[LEAN] * s.thin(RATE)
        scaled[:, :, s.span[RATE]] += theta[LEAN] * s.thin(LEVEL)
    out: Floats = scaled @ s.basis.swapaxes(1, 2)
    if s.wander is not None and theta[PATH] > 0:
        out += theta[PATH] * s.wander
    return out


def traces(s: Structure, inverse: Floats, active: NDArray[np.bool_]) -> Floats:
    """Return sum over the chunk of trace(inverse G), shape (10,); `inverse` (m, n, n) is zero at padding."""
    out = np.zeros(len(INDEX))
    out[ERROR] = float(np.einsum("mii->", inverse))
    pulled = inverse @ s.basis
    for effect, columns in s.span.items():
        out[effect] = float(np.sum(s.basis[:, :, columns] * pulled[:, :, columns]))
    out[LEAN] = 2 * float(np.sum(s.thin(RATE) * pulled[:, :, s.span[LEVEL]]))
    if active[PATH] and s.wander is not None:
        out[PATH] = float(np.vdot(inverse, s.wander))
    if active[REPEAT] and s.cell is not None:
        out[REPEAT] = float(np.vdot(inverse, s.cell))
    return out


def products(s: Structure, u: Floats, active: NDArray[np.bool_]) -> list[Floats | None]:
    """Return u' G u for every active effect, each (m, c, c), for columns u (m, n, c) that are zero at padding."""
    out: list[Floats | None] = [None] * len(INDEX)
    across = u.swapaxes(1, 2)
    out[ERROR] = across @ u
    thin = s.basis.swapaxes(1, 2) @ u
    for effect, columns in s.span.items():
        if active[effect]:
            side = thin[:, columns]
            out[effect] = side.swapaxes(1, 2) @ side
    if active[LEAN]:
        cross = thin[:, s.span[LEVEL]].swapaxes(1, 2) @ thin[:, s.span[RATE]]
        out[LEAN] = cross + cross.swapaxes(1, 2)
    if active[PATH] and s.wander is not None:
        out[PATH] = across @ (s.wander @ u)
    if active[REPEAT] and s.cell is not None:
        out[REPEAT] = across @ (s.cell @ u)
    return out


def actions(s: Structure, w: Floats, active: NDArray[np.bool_]) -> Floats:
    """Return G w for every effect, stacked: (m, n, 10); absent effects are zero. w (m, n) is zero at padding."""
    m, n = w.shape
    out = np.zeros((m, n, len(INDEX)))
    column = w[:, :, None]
    out[:, :, ERROR] = w
    thin = s.basis.swapaxes(1, 2) @ column
    for effect, columns in s.span.items():
        if active[effect]:
            out[:, :, effect] = (s.basis[:, :, columns] @ thin[:, columns])[:, :, 0]
    if active[LEAN]:
        level, rate = s.span[LEVEL], s.span[RATE]
        cross = s.basis[:, :, level] @ thin[:, rate] + s.basis[:, :, rate] @ thin[:, level]
        out[:, :, LEAN] = cross[:, :, 0]
    if active[PATH] and s.wander is not None:
        out[:, :, PATH] = (s.wander @ column)[:, :, 0]
    if active[REPEAT] and s.cell is not None:
        out[:, :, REPEAT] = (s.cell @ column)[:, :, 0]
    return out

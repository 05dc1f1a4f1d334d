"""Covariance of the readings of each block, and its derivatives, for a whole chunk at once.

K is linear in the variances: K = sum over effects of theta G. Each G is zero but where two readings share something:
the vehicle (G = 1, or the product of exposures), the life (1, x + x', x x', the smaller exposure for the path), the
visit, life and visit, or the reading itself. All arrays have the leading axis m of the chunk's blocks; padding rows
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

    `real` (m, n) marks readings, `x`, `start` (m, n); `life` (m, n, P) and `visit` (m, n, T) are indicators;
    `same_life`, `same_visit`, `least` (m, n, n), the last the smaller exposure of two; `here` and `gathered`
    (m, n, V) vehicle indicator and exposure gathered there.
    """

    real: Floats
    x: Floats
    start: Floats | None
    life: Floats
    visit: Floats
    same_life: Floats
    same_visit: Floats
    least: Floats | None
    here: Floats
    gathered: Floats
    known: Floats
    shared: Floats | None


def structure(chunk: Chunk, readings: Readings, *, path: bool) -> Structure:
    """Return what the readings of a chunk share; `path` asks for the smaller exposures too."""
    rows = chunk.rows
    real = (readings.life_slot[rows] >= 0).astype(np.float64)
    x = readings.x[rows]
    life = _indicator(readings.life_slot[rows], chunk.life.shape[1])
    visit = _indicator(readings.visit_slot[rows], chunk.visits)
    return Structure(
        real=real,
        x=x,
        start=readings.start[rows] if readings.any_start else None,
        life=life,
        visit=visit,
        same_life=life @ life.swapaxes(1, 2),
        same_visit=visit @ visit.swapaxes(1, 2),
        least=np.minimum(x[:, :, None], x[:, None, :]) if path else None,
        here=real[:, :, None] if chunk.here is None else chunk.here,
        gathered=readings.gathered[rows][:, :, None] if chunk.share is None else chunk.share * x[:, :, None],
        known=readings.known[rows],
        shared=readings.shared[rows] if readings.any_shared else None,
    )


def _indicator(slot: Ints, width: int) -> Floats:
    out: Floats = (slot[:, :, None] == np.arange(width)).astype(np.float64)
    return out


def signal(s: Structure, theta: Floats, *, repeat: float = 0.0) -> Floats:
    """Return the covariance (m, n, n) of the true levels: vehicle, part and path.

    `repeat` adds the variance that readings of one life and visit share.
    """
    left = [theta[LEVEL] * s.real + theta[LEAN] * s.x, theta[LEAN] * s.real + theta[RATE] * s.x]
    right = [s.real, s.x]
    if s.start is not None and theta[START] > 0:
        left.append(theta[START] * s.start)
        right.append(s.start)
    out: Floats = np.stack(left, axis=2) @ np.stack(right, axis=1)
    if s.least is not None and theta[PATH] > 0:
        out += theta[PATH] * s.least
    if repeat > 0:
        out += repeat * s.same_visit
    out *= s.same_life
    scaled = [s.here * theta[A], s.gathered * theta[R]]
    out += np.concatenate(scaled, axis=2) @ np.concatenate([s.here, s.gathered], axis=2).swapaxes(1, 2)
    return out


def covariance(s: Structure, theta: Floats) -> Floats:
    """Return the covariance K (m, n, n) of the readings; padding rows have variance 1."""
    out = signal(s, theta, repeat=float(theta[REPEAT]))
    if theta[VISIT] > 0:
        out += theta[VISIT] * s.same_visit
    if s.shared is not None:
        out += s.same_visit * (s.shared[:, :, None] * s.shared[:, None, :])
    n = out.shape[1]
    out[:, np.arange(n), np.arange(n)] += (theta[ERROR] + s.known) * s.real + (1.0 - s.real)
    return out


def traces(s: Structure, inverse: Floats, active: NDArray[np.bool_]) -> Floats:
    """Return sum over the chunk of trace(inverse G), shape (10,); `inverse` (m, n, n) is zero at padding."""
    out = np.zeros(len(INDEX))
    out[ERROR] = float(np.einsum("mii->", inverse))
    if active[A]:
        out[A] = float(np.sum(s.here * (inverse @ s.here)))
    if active[R]:
        out[R] = float(np.sum(s.gathered * (inverse @ s.gathered)))
    if active[VISIT] or active[REPEAT]:
        joint = inverse * s.same_visit
        out[VISIT] = float(joint.sum())
        if active[REPEAT]:
            out[REPEAT] = float(np.vdot(joint, s.same_life))
    if active[[LEVEL, LEAN, RATE, START, PATH]].any():
        joint = inverse * s.same_life
        sides = joint @ np.stack([s.real, s.x], axis=2)
        out[LEVEL] = float(np.sum(sides[:, :, 0]))
        out[LEAN] = 2 * float(np.sum(s.x * sides[:, :, 0]))
        out[RATE] = float(np.sum(s.x * sides[:, :, 1]))
        if s.start is not None and active[START]:
            out[START] = float(np.sum(s.start[:, :, None] * (joint @ s.start[:, :, None])))
        if s.least is not None and active[PATH]:
            out[PATH] = float(np.vdot(joint, s.least))
    return out


def products(s: Structure, u: Floats, active: NDArray[np.bool_]) -> list[Floats | None]:
    """Return u' G u for every active effect, each (m, c, c), for columns u (m, n, c) that are zero at padding."""
    out: list[Floats | None] = [None] * len(INDEX)
    out[ERROR] = _square(u)
    if active[A]:
        out[A] = _square(s.here.swapaxes(1, 2) @ u)
    if active[R]:
        out[R] = _square(s.gathered.swapaxes(1, 2) @ u)
    if active[VISIT]:
        out[VISIT] = _square(s.visit.swapaxes(1, 2) @ u)
    if active[REPEAT]:
        out[REPEAT] = u.swapaxes(1, 2) @ ((s.same_life * s.same_visit) @ u)
    if active[PATH] and s.least is not None:
        out[PATH] = u.swapaxes(1, 2) @ ((s.same_life * s.least) @ u)
    by_life = s.life.swapaxes(1, 2)
    if active[[LEVEL, LEAN, RATE]].any():
        level, rate = by_life @ u, by_life @ (s.x[:, :, None] * u)
        out[LEVEL], out[RATE] = _square(level), _square(rate)
        cross = level.swapaxes(1, 2) @ rate
        out[LEAN] = cross + cross.swapaxes(1, 2)
    if active[START] and s.start is not None:
        out[START] = _square(by_life @ (s.start[:, :, None] * u))
    return out


def actions(s: Structure, w: Floats, active: NDArray[np.bool_]) -> Floats:
    """Return G w for every effect, stacked: (m, n, 10); absent effects are zero. w (m, n) is zero at padding."""
    m, n = w.shape
    out = np.zeros((m, n, len(INDEX)))
    column = w[:, :, None]
    out[:, :, ERROR] = w
    if active[A]:
        out[:, :, A] = _spread(s.here, column)
    if active[R]:
        out[:, :, R] = _spread(s.gathered, column)
    if active[VISIT]:
        out[:, :, VISIT] = _spread(s.visit, column)
    if active[REPEAT]:
        out[:, :, REPEAT] = ((s.same_life * s.same_visit) @ column)[:, :, 0]
    if active[PATH] and s.least is not None:
        out[:, :, PATH] = ((s.same_life * s.least) @ column)[:, :, 0]
    if active[[LEVEL, LEAN, RATE]].any():
        level, rate = _spread(s.life, column), _spread(s.life, s.x[:, :, None] * column)
        out[:, :, LEVEL] = level
        out[:, :, LEAN] = rate + s.x * level
        out[:, :, RATE] = s.x * rate
    if active[START] and s.start is not None:
        out[:, :, START] = s.start * _spread(s.life, s.start[:, :, None] * column)
    return out


def _square(u: Floats) -> Floats:
    out: Floats = u.swapaxes(1, 2) @ u
    return out


def _spread(indicator: Floats, column: Floats) -> Floats:
    out: Floats = (indicator @ (indicator.swapaxes(1, 2) @ column))[:, :, 0]
    return out

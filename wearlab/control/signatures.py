"""Causes as signatures: what one kind of event would add to a vehicle's readings.

A cause is a vector d over the readings of a block, on the working scale; if it happened with size b, e = b d + noise.
A lasting change does not last in plain innovations, because level and path take it over; d goes through the same
factorisation as the readings.

Causes of one block:

- reading: one reading of one part (or all repeats of a part at one visit);
- step: a part's level from a visit on; wear: a part's rate from a visit on;
- visit: all parts once; vehicle: all parts from a visit on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.control.innovations import Whitened
from wearlab.wear.blocks import Floats, Ints

#: Kinds of causes within a block, in the order of their codes.
KINDS = ("reading", "step", "wear", "visit", "vehicle")
READING, STEP, WEAR, VISIT, VEHICLE = range(len(KINDS))


@dataclass(frozen=True, slots=True, eq=False)
class Signatures:
    """c causes of each of m blocks: `d` (m, n, c); `kind` (c,); `life` (m, c), `onset` (m, c) visit slots, -1: none.

    For a reading `place` (m, c) is its place in the block, -1 where all repeats of a cell or a whole set are meant.
    """

    d: Floats
    kind: Ints
    life: Ints
    onset: Ints
    place: Ints


def signatures(white: Whitened) -> Signatures:
    """Return all causes of the blocks of a chunk."""
    m, n = white.visit.shape
    visits = int(white.visit.max()) + 1
    lives = white.chunk.life.shape[1]
    real = white.real
    own_visit = np.arange(visits)
    at_visit = (white.visit[:, :, None] == own_visit).astype(np.float64)  # (m, n, T)
    since = ((white.visit[:, :, None] >= own_visit) & (white.visit[:, :, None] >= 0)).astype(np.float64)
    of_life = (white.life[:, :, None] == np.arange(lives)).astype(np.float64)  # (m, n, P)
    first = _first_visit(white, of_life)
    x_onset = _exposure_at(white, of_life, at_visit)  # (m, P, T)
    cell = of_life[:, :, :, None] * at_visit[:, :, None, :]  # (m, n, P, T)
    lasting = of_life[:, :, :, None] * since[:, :, None, :]
    bend = lasting * np.maximum(white.x[:, :, None, None] - x_onset[:, None], 0.0)
    # a change at a life's very first visit is its level
    later = own_visit[None, None, :] > first[:, :, None]  # (m, P, T)
    of_vehicle, again = _same_vehicle(white, at_visit)
    pieces: list[Floats] = []
    kind: list[NDArray[np.int64]] = []
    life: list[Ints] = []
    onset: list[Ints] = []
    place: list[Ints] = []

    def add(d: Floats, code: int, who: Ints, when: Ints, spot: Ints) -> None:
        pieces.append(d)
        kind.append(np.full(d.shape[2], code, dtype=np.int64))
        life.append(np.broadcast_to(who, (m, d.shape[2])).astype(np.int64))
        onset.append(np.broadcast_to(when, (m, d.shape[2])).astype(np.int64))
        place.append(np.broadcast_to(spot, (m, d.shape[2])).astype(np.int64))

    none = np.full((1, 1), -1, dtype=np.int64)
    who = np.repeat(np.arange(lives), visits)[None]
    when = np.tile(own_visit, lives)[None]
    add(cell.reshape(m, n, -1), READING, who, when, none)
    if (cell.sum(axis=1) > 1).any():
        one = np.eye(n)[None] * real[:, :, None]
        repeated = (cell.reshape(m, n, -1) @ np.minimum(cell.sum(axis=1).reshape(m, -1), 2.0)[:, :, None])[:, :, 0] > 1
        add(one * repeated[:, None, :], READING, white.life, white.visit, np.arange(n)[None])
    allowed = later.reshape(m, 1, -1).astype(np.float64)
    add(lasting.reshape(m, n, -1) * allowed, STEP, who, when, none)
    add(bend.reshape(m, n, -1) * allowed, WEAR, who, when, none)
    add(at_visit, VISIT, none, own_visit[None], none)
    # parts fitted at or after the onset never knew the time before: the vehicle's change is theirs from the start
    add(since * of_vehicle * again[:, None, :], VEHICLE, none, own_visit[None], none)
    return Signatures(
        d=np.concatenate(pieces, axis=2),
        kind=np.concatenate(kind),
        life=np.concatenate(life, axis=1),
        onset=np.concatenate(onset, axis=1),
        place=np.concatenate(place, axis=1),
    )


def _first_visit(white: Whitened, of_life: Floats) -> Ints:
    """Return each life's first visit in the block, (m, P); a large number where it has no reading."""
    visit = np.where(of_life > 0, white.visit[:, :, None], np.iinfo(np.int64).max)
    return np.asarray(visit.min(axis=1), dtype=np.int64)


def _same_vehicle(white: Whitened, at_visit: Floats) -> tuple[Floats, Floats]:
    """Return whether a reading is of the vehicle of a visit, (m, n, T), and whether that vehicle was seen before it."""
    real = white.real
    here = real[:, :, None] if white.chunk.here is None else white.chunk.here
    visited = np.minimum(at_visit.swapaxes(1, 2) @ here, 1.0)  # (m, T, V)
    same = here @ visited.swapaxes(1, 2)
    seen = visited @ visited.swapaxes(1, 2)  # (m, T, T)
    visits = seen.shape[1]
    before = np.arange(visits)[None, :] < np.arange(visits)[:, None]
    again = (seen * before[None]).sum(axis=2) > 0
    return same, again.astype(np.float64)


def _exposure_at(white: Whitened, of_life: Floats, at_visit: Floats) -> Floats:
    """Return the working exposure of each life at each visit, (m, P, T); between tests that of the test before."""
    known = np.einsum("mnp,mnt->mpt", of_life * white.x[:, :, None], at_visit)
    count = np.einsum("mnp,mnt->mpt", of_life, at_visit)
    value = np.where(count > 0, known / np.maximum(count, 1.0), 0.0)
    return np.asarray(np.maximum.accumulate(value, axis=2), dtype=np.float64)

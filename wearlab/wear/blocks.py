"""Blocks of readings that depend on each other, and chunks of equal blocks that are computed together.

A block is one vehicle, or several that exchanged parts. Beyond `MOST_READINGS` a block of several vehicles is cut at
the moves: a part that moved then starts afresh on its next vehicle, with an unknown start. Chunks hold blocks of one
padded size, so that memory is bounded by the chunk and not by the fleet.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from wearlab.wear.data import Coded

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Vehicles joined by moved parts form one block up to this many readings.
MOST_READINGS = 400

#: Numbers in one stack of matrices of a chunk; small enough to stay near the processor.
CHUNK = 150_000

#: Chunks of a run: sums are taken over the chunks of a run, then over the runs.
RUN = 16


@dataclass(frozen=True, slots=True, eq=False)
class Chunk:
    """m blocks of padded size n; `rows` (m, n) are places of readings, the number of readings for padding.

    `life` (m, P) and `vehicle` (m, V) hold codes, -1 for padding; `last` (m, P) is the place within the block of each
    life's last reading. `share` (m, n, V) is the share of its exposure that the part gathered on each vehicle, and
    `here` (m, n, V) is 1 at the present vehicle; both None where every block is one vehicle.
    """

    rows: Ints
    life: Ints
    last: Ints
    vehicle: Ints
    visits: int
    share: Floats | None
    here: Floats | None

    def take(self, kept: NDArray[np.intp]) -> Chunk:
        """Return only some of the blocks."""
        return replace(
            self,
            rows=self.rows[kept],
            life=self.life[kept],
            last=self.last[kept],
            vehicle=self.vehicle[kept],
            share=None if self.share is None else self.share[kept],
            here=None if self.here is None else self.here[kept],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """All readings in chunks; arrays of shape (N,) are in the order of the data, (L,) over lives.

    `life` numbers lives after cuts, `life_part` leads back to the part's code, `life_vehicle` is the present vehicle.
    `life_slot` and `visit_slot` number lives and visits within their block.
    """

    chunks: tuple[Chunk, ...]
    life: Ints
    life_slot: Ints
    visit_slot: Ints
    exposure: Floats
    gathered: Floats
    unknown_start: NDArray[np.bool_]
    life_part: Ints
    life_vehicle: Ints
    vehicles: int
    count: int
    cut: int

    @property
    def lives(self) -> int:
        """Number of lives."""
        return int(self.life_part.size)

    @property
    def runs(self) -> tuple[range, ...]:
        """Numbers of the chunks, run by run."""
        count = len(self.chunks)
        return tuple(range(first, min(first + RUN, count)) for first in range(0, count, RUN))


def blocks(data: Coded, *, most: int = MOST_READINGS) -> Blocks:
    """Arrange the readings in blocks and chunks; within a block by visit, then life."""
    n = data.y.size
    life, exposure, gathered = data.part.copy(), data.exposure.copy(), data.gathered.copy()
    start = data.unknown_start.copy()
    block = _components(data.vehicle, life)
    cut = 0
    size = np.bincount(block)
    alone = np.bincount(block[_first_of(data.vehicle)], minlength=size.size) == 1
    oversize = ((size > most) & ~alone)[block]
    if oversize.any():
        cut = _cut(oversize, data, life, exposure, gathered, start)
        life = np.unique(life, return_inverse=True)[1].astype(np.int64)
        block = _components(data.vehicle, life)
    order = np.lexsort((exposure, life, data.turn, block))
    sorted_block = block[order]
    begin = np.flatnonzero(np.r_[True, sorted_block[1:] != sorted_block[:-1]])
    length = np.diff(np.r_[begin, n])
    count = begin.size
    home = np.empty(int(data.vehicle.max()) + 1, dtype=np.int64)
    home[data.vehicle] = block  # a vehicle belongs to one block
    block_vehicles = np.bincount(home, minlength=count).astype(np.int64)
    padded = _padded(length)
    turn_of = np.lexsort((data.family[order][begin], block_vehicles, padded))
    chunk_of, number_of = np.empty(count, dtype=np.int64), np.empty(count, dtype=np.int64)
    widths: list[int] = []
    at = 0
    while at < count:
        width, vehicles = int(padded[turn_of[at]]), int(block_vehicles[turn_of[at]])
        end = at + 1
        most_blocks = max(1, CHUNK // (width * width))
        while (
            end < count
            and end - at < most_blocks
            and padded[turn_of[end]] == width
            and block_vehicles[turn_of[end]] == vehicles
        ):
            end += 1
        chunk_of[turn_of[at:end]], number_of[turn_of[at:end]] = len(widths), np.arange(end - at)
        widths.append(width)
        at = end
    place = np.empty(n, dtype=np.int64)
    place[order] = np.arange(n) - begin[sorted_block]
    return arranged(
        data,
        Places(
            chunk=chunk_of[block],
            block=number_of[block],
            place=place,
            life=life,
            exposure=exposure,
            gathered=gathered,
            unknown_start=start,
            widths=tuple(widths),
            cut=cut,
        ),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where every reading (N,) stands: its chunk, the block's number in it and the place in the block.

    `life` numbers lives after cuts, with the exposures and starts that they have then; `widths` are the padded sizes
    of the chunks.
    """

    chunk: Ints
    block: Ints
    place: Ints
    life: Ints
    exposure: Floats
    gathered: Floats
    unknown_start: NDArray[np.bool_]
    widths: tuple[int, ...]
    cut: int


def arranged(data: Coded, at: Places) -> Blocks:
    """Make the chunks of readings whose places are known."""
    n = data.y.size
    order = np.argsort(at.chunk, kind="stable")
    ends = np.searchsorted(at.chunk[order], np.arange(len(at.widths) + 1))
    most = np.zeros(len(at.widths) + 1, dtype=np.int64)
    np.maximum.at(most, at.chunk + 1, at.block + 1)
    block = np.cumsum(most)[at.chunk] + at.block
    life_slot, visit_slot, vehicle_slot = (_slots(block, code) for code in (at.life, data.visit, data.vehicle))
    joined = bool(vehicle_slot.any())
    moved = _moved_shares(data.vehicle, at.life, at.gathered, at.exposure) if joined else {}
    chunks = []
    for number, width in enumerate(at.widths):
        reading = order[ends[number] : ends[number + 1]]
        rows = np.full((int(at.block[reading].max()) + 1, width), n, dtype=np.int64)
        rows[at.block[reading], at.place[reading]] = reading
        vehicles = int(vehicle_slot[reading].max()) + 1
        chunks.append(
            _chunk(rows, rows < n, data.vehicle, vehicle_slot, at.life, life_slot, visit_slot, vehicles, moved)
        )
    lives = int(at.life.max()) + 1
    life_part = np.empty(lives, dtype=np.int64)
    life_part[at.life] = data.part
    life_vehicle = np.empty(lives, dtype=np.int64)
    late = np.argsort(at.exposure, kind="stable")
    life_vehicle[at.life[late]] = data.vehicle[late]
    return Blocks(
        chunks=tuple(chunks),
        life=at.life,
        life_slot=life_slot,
        visit_slot=visit_slot,
        exposure=at.exposure,
        gathered=at.gathered,
        unknown_start=at.unknown_start,
        life_part=life_part,
        life_vehicle=life_vehicle,
        vehicles=int(data.vehicle.max()) + 1,
        count=int(most.sum()),
        cut=at.cut,
    )


def places_of(made: Blocks) -> Places:
    """Return where every reading stands; `arranged` makes the same blocks of it."""
    n = made.life.size
    chunk, block, place = (np.empty(n, dtype=np.int64) for _ in range(3))
    for number, one in enumerate(made.chunks):
        b, k = np.nonzero(one.rows < n)
        rows = one.rows[b, k]
        chunk[rows], block[rows], place[rows] = number, b, k
    return Places(
        chunk=chunk,
        block=block,
        place=place,
        life=made.life,
        exposure=made.exposure,
        gathered=made.gathered,
        unknown_start=made.unknown_start,
        widths=tuple(one.rows.shape[1] for one in made.chunks),
        cut=made.cut,
    )


def _chunk(
    rows: Ints,
    inside: NDArray[np.bool_],
    vehicle: Ints,
    vehicle_slot: Ints,
    life: Ints,
    life_slot: Ints,
    visit_slot: Ints,
    vehicles: int,
    moved: dict[int, list[tuple[int, float]]],
) -> Chunk:
    m, width = rows.shape
    block_at, place_at = np.nonzero(inside)
    reading = rows[block_at, place_at]
    lives = int(life_slot[reading].max()) + 1
    life_of = np.full((m, lives), -1, dtype=np.int64)
    last = np.zeros((m, lives), dtype=np.int64)
    life_of[block_at, life_slot[reading]] = life[reading]
    last[block_at, life_slot[reading]] = place_at  # readings come in the order of time: the last one stays
    vehicle_of = np.full((m, vehicles), -1, dtype=np.int64)
    vehicle_of[block_at, vehicle_slot[reading]] = vehicle[reading]
    share = here = None
    if vehicles > 1:
        here = np.zeros((m, width, vehicles))
        here[block_at, place_at, vehicle_slot[reading]] = 1.0
        share = np.zeros((m, width, vehicles))
        slot_of = {(int(b), int(code)): slot for (b, slot), code in np.ndenumerate(vehicle_of) if code >= 0}
        for b, place, row in zip(block_at, place_at, reading, strict=True):
            for code, amount in moved[int(row)]:
                share[b, place, slot_of[int(b), code]] = amount
    return Chunk(rows, life_of, last, vehicle_of, int(visit_slot[reading].max()) + 1, share, here)


def _components(vehicle: Ints, life: Ints) -> Ints:
    """Return the block of every reading: vehicles joined by lives seen on more than one."""
    vehicles, lives = int(vehicle.max()) + 1, int(life.max()) + 1
    size = vehicles + lives
    graph = coo_matrix((np.ones(vehicle.size, dtype=np.int8), (vehicle, vehicles + life)), shape=(size, size))
    label = connected_components(graph, directed=False)[1][vehicle]
    return np.unique(label, return_inverse=True)[1].astype(np.int64)


def _first_of(codes: Ints) -> Ints:
    return np.unique(codes, return_index=True)[1].astype(np.int64)


def _slots(block: Ints, code: Ints) -> Ints:
    """Return the place of each code among the distinct codes of its block, from 0."""
    width = int(code.max()) + 1
    pair, inverse = np.unique(block * width + code, return_inverse=True)
    owner = pair // width
    first = np.searchsorted(owner, np.arange(int(block.max()) + 1))
    slot = np.arange(pair.size) - first[owner]
    return np.asarray(slot[inverse], dtype=np.int64)


def _padded(length: Ints) -> Ints:
    """Return sizes rounded up so that few distinct ones are left: to 4 below 48, then to a sixth of a power of 2."""
    step = np.maximum(4, 2 ** np.maximum(np.ceil(np.log2(np.maximum(length, 1))).astype(np.int64) - 3, 2))
    exact = np.bincount(length)[length] >= 2000
    return np.asarray(np.where(exact, length, -(-length // step) * step), dtype=np.int64)


def _cut(
    oversize: NDArray[np.bool_], data: Coded, life: Ints, exposure: Floats, gathered: Floats, start: NDArray[np.bool_]
) -> int:
    """Give a part that moved a life of its own on each vehicle after the first; return how many lives were made."""
    rows = np.flatnonzero(oversize)
    rows = rows[np.lexsort((data.exposure[rows], data.turn[rows], life[rows]))]
    made, latest = 0, int(life.max()) + 1
    first_vehicle: dict[int, int] = {}
    stay: dict[tuple[int, int], tuple[int, float]] = {}
    for row in rows:
        part, vehicle = int(life[row]), int(data.vehicle[row])
        if first_vehicle.setdefault(part, vehicle) == vehicle:
            continue
        if (part, vehicle) not in stay:
            stay[part, vehicle] = (latest + made, float(data.gathered[row]))
            made += 1
        code, since = stay[part, vehicle]
        life[row] = code
        exposure[row] = gathered[row] = max(float(data.gathered[row]) - since, 0.0)
        start[row] = True
    return made


def _moved_shares(vehicle: Ints, life: Ints, gathered: Floats, exposure: Floats) -> dict[int, list[tuple[int, float]]]:
    """Return, for every reading, the share of its part's exposure gathered on each vehicle the part was seen on.

    What a part gathered on the vehicle it left is its exposure at the first reading elsewhere, less what it gathered
    there and on the vehicles before.
    """
    so_far: dict[int, dict[int, float]] = {}
    present: dict[int, int] = {}
    out: dict[int, list[tuple[int, float]]] = {}
    for row in np.argsort(exposure, kind="stable"):
        part, home = int(life[row]), int(vehicle[row])
        amounts = so_far.setdefault(part, {})
        before = present.get(part)
        if before is not None and before != home:
            others = sum(amount for code, amount in amounts.items() if code not in (home, before))
            amounts[before] = max(float(exposure[row]) - float(gathered[row]) - others, 0.0)
        amounts[home] = float(gathered[row])
        present[part] = home
        whole = float(exposure[row])
        out[int(row)] = [(code, amount / whole) for code, amount in amounts.items() if amount > 0 and whole > 0]
    return out

"""The fixed effects of one chunk: a few columns a block, and where they stand among all columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wearlab.wear.blocks import Floats, Ints, places_of
from wearlab.wear.design import Problem


@dataclass(frozen=True, slots=True, eq=False)
class Local:
    """The design of one chunk: `columns` (m, q) lead to global columns, `place` puts entries into (m, n, q).

    `used` holds the global columns of the chunk, the response last; `compact` (m, q + 1) leads into it.
    """

    entry: Ints
    place: Ints
    columns: Ints
    used: Ints
    compact: Ints

    def design(self, values: Floats, m: int, n: int) -> Floats:
        """Return X (m, n, q) from the values of all entries."""
        out = np.zeros(m * n * self.columns.shape[1])
        out[self.place] = values[self.entry]
        return out.reshape(m, n, -1)

    def at(self, beta: Floats) -> Floats:
        """Return the coefficients (m, q) that belong to the columns of every block, 0 where a block has fewer."""
        out: Floats = np.where(self.columns >= 0, np.append(beta, 0.0)[self.columns], 0.0)
        return out

    def summed(self, matrix: Floats) -> Floats:
        """Sum (m, q + 1, q + 1) over the blocks into the chunk's own columns, (used, used)."""
        size = self.used.size
        index = self.compact[:, :, None] * size + self.compact[:, None, :]
        out = np.bincount(index.ravel(), matrix.ravel(), minlength=size * size)
        return out.reshape(size, size).astype(np.float64)


def localised(design: Problem) -> tuple[Local, ...]:
    """Return the design of every chunk."""
    chunks, at = design.blocks.chunks, places_of(design.blocks)
    chunk_of, block_of, place_of = at.chunk, at.block, at.place
    reading, column = design.entries.reading, design.entries.column
    owner = chunk_of[reading]
    order = np.argsort(owner, kind="stable")
    ends = np.searchsorted(owner[order], np.arange(len(chunks) + 1))
    return tuple(
        _local(order[ends[k] : ends[k + 1]], reading, column, block_of, place_of, chunk.rows.shape, design.p)
        for k, chunk in enumerate(chunks)
    )


def _local(
    entry: Ints, reading: Ints, column: Ints, block_of: Ints, place_of: Ints, shape: tuple[int, ...], p: int
) -> Local:
    m, n = shape
    block = block_of[reading[entry]]
    pair, inverse = np.unique(block * p + column[entry], return_inverse=True)
    owner = pair // p if p else pair
    slot = np.arange(pair.size) - np.searchsorted(owner, np.arange(m))[owner]
    q = int(slot.max()) + 1 if pair.size else 0
    columns = np.full((m, q), -1, dtype=np.int64)
    columns[owner, slot] = pair % p if p else pair
    used = np.unique(columns[columns >= 0])
    compact = np.full((m, q + 1), used.size, dtype=np.int64)
    compact[:, :q] = np.where(columns >= 0, np.searchsorted(used, columns), 0)
    place = (block * n + place_of[reading[entry]]) * q + slot[inverse]
    return Local(entry, place, columns, np.r_[used, p], compact)

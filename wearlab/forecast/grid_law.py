"""The law of a first passage by the wear model, tabled on a grid that is finer where the law rises."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from wearlab.forecast.exposure_law import FAR
from wearlab.forecast.mixed_law import Array, Chunk, Limits, Mixture
from wearlab.forecast.passage import HORIZON
from wearlab.forecast.root import Places

#: typical spans to go that every part is tabled at
_COARSE = np.array([0.0, 0.1, 0.4, 1.0, 3.0, HORIZON])
#: below this share of a typical span places are even in the root of exposure, as a path spreads, above in its logarithm
_NEAR = 0.01
#: so often, so many cells are halved: those of the largest width times rise of the probit, cut at `_TAIL`
_ROUNDS, _MORE = 5, 4
_TAIL = 3.3
#: share of all that there is to gain with which one cell is cut in five
_ALONE = 0.7
#: a chance with a larger probit is as good as sure
_FAINT = 4.5


@dataclass(frozen=True, slots=True, eq=False)
class GridLaw:
    """Probits `value` with slopes `turn` at the places `place`, all (P, G); s = log(1 + sqrt(ahead / near)), near (P,).

    `known` is false for a part without a level or a limit.
    """

    start: Array
    known: NDArray[np.bool_]
    near: Array
    place: Array
    value: Array
    turn: Array

    @property
    def reach(self) -> Array:
        """As `ExposureLaw`."""
        return self.near * (HORIZON / _NEAR)

    def probit(self, ahead: Array, rows: Places) -> tuple[Array, Array]:
        """As `ExposureLaw`."""
        places = self.place.shape[1]
        near = self.near[rows]
        root = np.sqrt(np.maximum(ahead / near, 1e-8))
        s = np.log1p(root)
        cell = np.zeros(rows.size, dtype=np.int64)
        # half the places at a time: the cell of each part by bisection
        jump = 1 << (places - 2).bit_length() - 1
        flat = self.place.reshape(-1)
        base = rows * places
        while jump:
            further = np.minimum(cell + jump, places - 2)
            cell = np.where(flat[base + further] <= s, further, cell)
            jump >>= 1
        at = base + cell
        value, turn = self.value.reshape(-1), self.turn.reshape(-1)
        left, a, ta = flat[at], value[at], turn[at]
        width = flat[at + 1] - left
        w = np.clip((s - left) / width, 0.0, 1.0)
        rise, ta, tb = value[at + 1] - a, ta * width, turn[at + 1] * width
        # cubic through both places with both slopes
        c2, c3 = 3 * rise - 2 * ta - tb, ta + tb - 2 * rise
        slope = (ta + w * (2 * c2 + 3 * w * c3)) / (width * near * 2.0 * root * (1.0 + root))
        return a + w * (ta + w * (c2 + w * c3)), np.where(w < 1.0, np.maximum(slope, 0.0), 0.0)


def passage_law(
    mixture: Mixture, index: ArrayLike, limit: ArrayLike, direction: ArrayLike, *, workers: int = 2
) -> GridLaw:
    """Return the law of the wear model for P limits; arguments as in `passage.passage`, `workers` threads."""
    task = Limits.of(mixture, index, limit, direction)
    chunks = [chunk for _, chunk in task.chunks()]
    if workers > 1 and len(chunks) > 1:
        with ThreadPoolExecutor(workers) as pool:
            made = list(pool.map(_tabled, chunks))
    else:
        made = [_tabled(chunk) for chunk in chunks]
    if not made:
        none, table = np.zeros(0), np.zeros((0, 2))
        return GridLaw(none, np.zeros(0, dtype=np.bool_), none, table, table, table)
    names = ("start", "known", "near", "place", "value", "turn")
    return GridLaw(*(np.concatenate([getattr(one, name) for one in made]) for name in names))


def _tabled(chunk: Chunk) -> GridLaw:
    """Table a chunk: a coarse grid, then the widest and steepest cells halved."""
    unit = chunk.unit
    near = _NEAR * unit
    place = np.broadcast_to(np.log1p(np.sqrt(_COARSE / _NEAR)), (unit.size, _COARSE.size)).copy()

    def probits(places: Array) -> Array:
        told = [chunk.chance(chunk.start + near * np.expm1(column) ** 2) for column in places.T]
        return _probit(np.stack(told, axis=1))

    value = probits(place)
    known = ~np.isnan(value[:, 0])
    for _ in range(_ROUNDS):
        gain = np.diff(np.clip(value, -_TAIL, _TAIL), axis=1) * np.diff(place, axis=1)
        cells = np.argpartition(-np.where(np.isnan(gain), 0.0, gain), _MORE, axis=1)[:, :_MORE]
        share = np.full(cells.shape, 0.5)
        # a cell in which nearly all happens takes them all
        gain = np.where(np.isnan(gain), 0.0, gain)
        alone = gain.max(axis=1) > _ALONE * gain.sum(axis=1)
        cells[alone] = gain[alone].argmax(axis=1)[:, None]
        share[alone] = np.arange(1, _MORE + 1) / (_MORE + 1)
        left = np.take_along_axis(place, cells, axis=1)
        new = left + share * (np.take_along_axis(place, cells + 1, axis=1) - left)
        place, value = np.concatenate([place, new], axis=1), np.concatenate([value, probits(new)], axis=1)
        order = np.argsort(place, axis=1, kind="stable")
        place, value = np.take_along_axis(place, order, axis=1), np.take_along_axis(value, order, axis=1)
    value = np.maximum.accumulate(np.where(known[:, None], value, -FAR), axis=1)
    value = -_on(place[:, ::-1], -_on(place, value)[:, ::-1])[:, ::-1]
    return GridLaw(chunk.start, known, near, place, value, _slopes(place, value))


def _on(place: Array, value: Array) -> Array:
    """Return the probits with those above `_FAINT` put on the straight line of the last two below.

    Their true values say nothing more of the chance, but a steep law averaged over an uncertain distance needs to
    know how steep it is.
    """
    faint = value > _FAINT
    last = np.where(faint.any(axis=1), faint.argmax(axis=1), value.shape[1]) - 1
    each = np.arange(value.shape[0])
    a = np.clip(last - 1, 0, None)
    b = np.clip(last, 1, None)
    # a law that rises in one cell is as steep as that
    lone = value[each, a] < -_FAINT
    a, b = np.where(lone, a + 1, a), np.where(lone, np.minimum(b + 1, value.shape[1] - 1), b)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (value[each, b] - value[each, a]) / (place[each, b] - place[each, a])
    straight = value[each, a, None] + slope[:, None] * (place - place[each, a, None])
    good = np.isfinite(slope) & (slope != 0) & (last >= 0)
    return np.where(faint & good[:, None], straight, value)


def _probit(chance: Array) -> Array:
    return np.clip(np.asarray(ndtri(np.clip(chance, 1e-15, 1.0 - 1e-15)), dtype=np.float64), -FAR, FAR)


def _slopes(place: Array, value: Array) -> Array:
    """Return slopes (P, G) of a cubic that keeps rising: those of parabolas, cut (Fritsch & Carlson 1980)."""
    width = np.diff(place, axis=1)
    rise = np.diff(value, axis=1) / width
    turn = np.empty_like(value)
    turn[:, 1:-1] = (rise[:, :-1] * width[:, 1:] + rise[:, 1:] * width[:, :-1]) / (width[:, 1:] + width[:, :-1])
    turn[:, 0], turn[:, -1] = rise[:, 0], rise[:, -1]
    most = np.full_like(value, np.inf)
    most[:, 1:] = 3.0 * rise
    most[:, :-1] = np.minimum(most[:, :-1], 3.0 * rise)
    return np.clip(turn, 0.0, np.maximum(most, 0.0))

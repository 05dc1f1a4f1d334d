"""What the readings say together about several parts of one vehicle: levels and rates, jointly normal.

Parts of one vehicle share its level and rate, the visits they were read at and the fixed effects, so that what is told
of one depends on what is told of the others: a ratio or a total of a set is far surer, or less sure, than independent
parts would make it. Means and variances are those of `state.posterior`; here the covariances between parts are kept.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from wearlab.errors import InputError
from wearlab.wear.blocks import Chunk, Floats, Ints
from wearlab.wear.covariance import LEAN, LEVEL, PATH, RATE, REPEAT, R, Structure, covariance, signal, structure
from wearlab.wear.inverse import inverse_of
from wearlab.wear.likelihood import Work, readings_of
from wearlab.wear.local import Local
from wearlab.wear.scale_fit import life_of_part
from wearlab.wear.state import Kinds, Side, functionals, given, home_slots, true_columns

if TYPE_CHECKING:
    from wearlab.wear.results import WearFit


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """M sets of L parts on the working scale, each level at the part's last reading, rates per working exposure 1.

    `mean` (M, kL) holds the L levels, then the L rates and, where asked for (k = 3), the L levels at the parts' first
    readings; `covariance` (M, kL, kL) goes with it. Zeros stand for a part that is absent. `wider` is the factor by
    which its component's variances were widened as a whole.
    """

    mean: Floats
    covariance: Floats
    wider: float = 1.0


def joint_of(fit: WearFit, sets: Ints, *, first: bool = False) -> tuple[Joint, ...]:
    """Return the joint posterior of sets of parts, one a component of `fit.mixture()`.

    Parameters
    ----------
    fit : the wear model of the group.
    sets : (M, L) places of parts in the order of `fit.parts`, -1 where a set has fewer; all of one set were read on
        one vehicle, or on vehicles that exchanged parts.
    first : add the level at each part's first reading.

    Raises
    ------
    InputError
        The parts of a set have nothing in common, or the mixture was made by hand.
    """
    made = []
    for component in fit.mixture().components:
        solution = component.solution
        if solution is None:
            raise InputError("this mixture does not come from a fit, so its parts have no joint law")
        done = fit.candidates[solution.candidate].estimate
        told = joint_posterior(
            done.work, done.local, solution.theta, solution.beta, solution.covariance, sets, first=first
        )
        made.append(_as_wide(told, component.var_level, np.asarray(sets, dtype=np.int64)))
    return tuple(made)


def _as_wide(told: Joint, variance: Floats, sets: Ints) -> Joint:
    """Return the law as wide as its component, which may have been widened as a whole."""
    seen = sets >= 0
    width = sets.shape[1]
    own = np.einsum("mii->mi", told.covariance)[:, :width][seen].sum()
    wider = float(variance[sets[seen]].sum() / own) if own > 0 else 1.0
    return told if abs(wider - 1.0) < 1e-9 else Joint(told.mean, told.covariance * wider, wider)


def joint_posterior(
    work: Work,
    local: tuple[Local, ...],
    theta: Floats,
    beta: Floats,
    covariance_beta: Floats,
    sets: Ints,
    *,
    first: bool = False,
) -> Joint:
    """Return the joint posterior of sets (M, L) of parts at variances theta (10,) and coefficients beta (p,)."""
    wanted = np.asarray(sets, dtype=np.int64)
    count, width = wanted.shape
    size = (3 if first else 2) * width
    mean, spread = np.zeros((count, size)), np.zeros((count, size, size))
    design = work.design
    life = np.append(life_of_part(design), -1)[wanted]
    for number, rows, block, slot in _places(design.blocks.chunks, life):
        pick, inverse = np.unique(block, return_inverse=True)
        told, wide = _chunk(work, local[number], number, pick, theta, beta, covariance_beta, first)
        lives = told.shape[1] // (3 if first else 2)
        at = np.concatenate([slot + k * lives for k in range(3 if first else 2)], axis=1)
        here = np.tile(slot >= 0, (1, at.shape[1] // width))
        at = np.where(here, at, 0)
        mean[rows] = np.where(here, told[inverse[:, None], at], 0.0)
        both = here[:, :, None] & here[:, None, :]
        spread[rows] = np.where(both, wide[inverse[:, None, None], at[:, :, None], at[:, None, :]], 0.0)
    return Joint(mean, spread)


def _places(chunks: tuple[Chunk, ...], life: Ints) -> Iterator[tuple[int, Ints, Ints, Ints]]:
    """Yield chunk, sets (s,), their blocks (s,) and the slots (s, L) of their lives within the block."""
    count = max((int(chunk.life.max()) for chunk in chunks), default=-1) + 1
    chunk_of, block_of, slot_of = (np.full(count + 1, -1, dtype=np.int64) for _ in range(3))
    for number, chunk in enumerate(chunks):
        block, slot = np.nonzero(chunk.life >= 0)
        code = chunk.life[block, slot]
        chunk_of[code], block_of[code], slot_of[code] = number, block, slot
    seen = life >= 0
    home = np.where(seen, chunk_of[life], -1)
    block = np.where(seen, block_of[life], -1)
    lead = np.argmax(seen, axis=1)
    own_chunk = np.take_along_axis(home, lead[:, None], axis=1)
    own_block = np.take_along_axis(block, lead[:, None], axis=1)
    if (seen & ((home != own_chunk) | (block != own_block))).any():
        raise InputError("the parts of a set were never read on one vehicle, nor exchanged between vehicles")
    for number in np.unique(own_chunk[seen.any(axis=1)]):
        rows = np.flatnonzero((own_chunk[:, 0] == number) & seen.any(axis=1))
        yield int(number), rows, own_block[rows, 0], np.where(seen[rows], slot_of[life[rows]], -1)


def _chunk(
    work: Work,
    own: Local,
    number: int,
    pick: Ints,
    theta: Floats,
    beta: Floats,
    covariance_beta: Floats,
    first: bool,
) -> tuple[Floats, Floats]:
    """Mean (b, f) and covariance (b, f, f) of levels, rates (and first levels) of all lives of some blocks."""
    design = work.design
    whole = design.blocks.chunks[number]
    chunk = replace(
        whole,
        rows=whole.rows[pick],
        life=whole.life[pick],
        last=whole.last[pick],
        vehicle=whole.vehicle[pick],
        share=None if whole.share is None else whole.share[pick],
        here=None if whole.here is None else whole.here[pick],
    )
    x = own.design(design.values(), *whole.rows.shape)[pick]
    own = replace(own, columns=own.columns[pick])
    s = structure(chunk, readings_of(work), path=theta[PATH] > 0, repeat=theta[REPEAT] > 0)
    inverse, _ = inverse_of(covariance(s, theta))
    coefficients = own.at(beta)
    y = np.append(work.y, 0.0)[chunk.rows]
    w = (inverse @ (y[:, :, None] - x @ coefficients[:, :, None]))[:, :, 0] * s.real
    kinds = Kinds.of(design)
    true = signal(s, theta)
    made = design.blocks
    level, rate, _ = functionals(chunk, s, theta, true, x, own, kinds, design, made.life_vehicle)
    sides, at = [level, rate], [chunk.last]
    if first:
        begin = np.argmax(s.thin(LEVEL), axis=1)
        rows = np.take_along_axis(x, begin[:, :, None], axis=1) * true_columns(kinds, own)[:, None, :]
        sides.append(Side(np.take_along_axis(true, begin[:, :, None], axis=1), rows))
        at.append(begin)
    padded = np.zeros((design.p + 1, design.p + 1))
    padded[:-1, :-1] = covariance_beta
    spread = work.spread.get(number)
    if spread is not None:
        spread = spread.of(pick)
    reach = np.concatenate([side.reach for side in sides], axis=1)
    fixed = np.concatenate([side.fixed for side in sides], axis=1)
    mean, change = given(reach, fixed, inverse, w, coefficients, x, padded, own, spread)
    wide = _before(s, theta, true, at, home_slots(chunk, made.life_vehicle)) + change
    return mean, 0.5 * (wide + wide.swapaxes(1, 2))


def _before(s: Structure, theta: Floats, true: Floats, at: list[Ints], home: Ints) -> Floats:
    """Covariance before any reading of levels at the places `at[0]`, the rates, and levels at `at[1]`."""
    lives = home.shape[1]
    rates = theta[R] * (home[:, :, None] == home[:, None, :]) + theta[RATE] * np.eye(lives)
    places = np.concatenate(at, axis=1)
    levels = np.take_along_axis(np.take_along_axis(true, places[:, :, None], axis=1), places[:, None, :], axis=2)
    gathered = np.take_along_axis(s.thin(R), places[:, :, None], axis=1)
    cross = theta[R] * np.take_along_axis(gathered, np.repeat(home[:, None, :], places.shape[1], axis=1), axis=2)
    lean = theta[LEAN] + theta[RATE] * np.take_along_axis(s.x, places, axis=1)
    cross += lean[:, :, None] * np.tile(np.eye(lives), (len(at), 1))
    size = lives * (1 + len(at))
    out = np.empty((home.shape[0], size, size))
    level = np.r_[0:lives, 2 * lives : size]
    out[:, level[:, None], level] = levels
    out[:, lives : 2 * lives, lives : 2 * lives] = rates
    out[:, level[:, None], np.arange(lives, 2 * lives)] = cross
    out[:, np.arange(lives, 2 * lives)[:, None], level] = cross.swapaxes(1, 2)
    return out

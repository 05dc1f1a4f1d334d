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

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from wearlab.errors import InputError
from wearlab.forecast.mixed_law import Array, Chunk, Component, Limits, Mixture
from wearlab.forecast.root import close_in

__all__ = ["HORIZON", "Component", "Mixture", "Passage", "chance_before", "passage"]

#: Exposure looked ahead, in units of the group's typical span; a quantile beyond it is infinite ("never").
HORIZON = 100.0

#: logarithms of typical spans to go at which every quantile is first enclosed; what is passed within the first
#: (a millionth of a span) is told as passed at the last reading
_GRID = np.log(np.array([1e-6, 0.02, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 20.0, HORIZON]))
#: quantiles are exact to 1e-4 in the chance, or to this share of the exposure to go
_EXACT = 2e-4


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
    task = Limits.of(mixture, index, limit, direction)
    now = task.placed(exposure_now)
    found = np.full((levels.size, task.index.size), np.nan)
    past = np.full(task.index.size, np.nan)
    for rows, part in task.chunks():
        gone = now[rows]
        past[rows] = np.where(np.isnan(gone), part.chance(part.start), part.chance(gone))
        found[:, rows] = _quantiles(part, levels)
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
    task = Limits.of(mixture, index, limit, direction)
    until = np.fmax(task.placed(exposure), task.placed(exposure_now))
    told = np.full(task.index.size, np.nan)
    for rows, part in task.chunks():
        told[rows] = part.chance(until[rows])
    return told


def _quantiles(chunk: Chunk, levels: Array) -> Array:
    """Return the exposures by which each limit is passed with these chances, shape (Q, p).

    Chances on a coarse grid of exposures to go enclose every quantile; regula falsi (Illinois) closes in,
    for the logarithm of the exposure to go on the probit of the chance, in which a law is nearly straight.
    """
    grid = np.array([chunk.probit(np.full(chunk.unit.size, place)) for place in _GRID])
    wanted = ndtri(levels)[:, None]
    above = (grid[:, None, :] >= wanted).astype(np.int64)
    # the first place of the grid that is past; the chance never falls, so the one before is short of it
    first = np.where(above.any(axis=0), above.argmax(axis=0), _GRID.size)
    found = np.where(first < _GRID.size, chunk.start, np.inf)
    found[:, np.isnan(grid[0])] = np.nan
    quantile, part = np.nonzero((first > 0) & (first < _GRID.size) & ~np.isnan(grid[0]))
    upper = first[quantile, part]
    at_low, at_high = (grid[place, part] - wanted[quantile, 0] for place in (upper - 1, upper))
    goal = wanted[quantile, 0]
    exact = close_in(
        lambda ahead, rows: chunk.probit(ahead, part[rows]) - goal[rows],
        _GRID[upper - 1],
        _GRID[upper],
        at_low,
        at_high,
        value_exact=_EXACT,
        place_exact=_EXACT,
    )
    found[quantile, part] = chunk.start[part] + chunk.unit[part] * np.exp(exact)
    return found

"""The chance that the next test reads past a limit: the true level by then and what a reading adds, over all scales."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import ArrayLike
from scipy.special import ndtr

from wearlab.errors import InputError
from wearlab.forecast.mixed_law import Array, Component
from wearlab.forecast.root import Places
from wearlab.wear.mixture import level_ahead

_NODES, _WEIGHTS = hermegauss(5)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


class ReadComponent(Component, Protocol):
    """A component that knows what a reading adds to the level: `noise` (P,), a variance on the working scale."""

    @property
    def noise(self) -> Array: ...


class ReadMixture(Protocol):
    """The wear model's answer for readings to come."""

    @property
    def components(self) -> Sequence[ReadComponent]: ...


def reading_chance(
    mixture: ReadMixture,
    index: ArrayLike,
    limit: ArrayLike,
    direction: ArrayLike,
    exposure: ArrayLike,
    *,
    driven: ArrayLike = 0.0,
    spread: ArrayLike = 0.0,
) -> Array:
    """Return the chance that one reading lies past each limit, shape (P,).

    Parameters
    ----------
    mixture, index, limit, direction
        As in `passage.passage`.
    exposure
        At which the reading is taken, shape (P,), less `driven`.
    driven, spread
        The distance until then of which the logarithm has the standard deviation `spread`, shape (P,).

    Raises
    ------
    InputError
        The arrays are not of one length.
    """
    places = np.asarray(index, dtype=np.int64)
    limits, sides, begun = (np.asarray(values, dtype=np.float64) for values in (limit, direction, exposure))
    if not places.shape == limits.shape == sides.shape == begun.shape:
        raise InputError("index, limit, direction and exposure are of one length")
    ahead, width = np.asarray(driven, dtype=np.float64), np.asarray(spread, dtype=np.float64)
    total = np.zeros(places.size)
    nodes = [(0.0, 1.0)] if not (width > 0).any() else list(zip(_NODES.tolist(), _WEIGHTS.tolist(), strict=True))
    for node, weight in nodes:
        at = begun + ahead * np.exp(node * width)
        for one in mixture.components:
            if one.weight > 0:
                total += weight * one.weight * _chance(one, places, limits, sides, at)
    return total


def _chance(one: ReadComponent, places: Places, limits: Array, sides: Array, exposure: Array) -> Array:
    mean, variance = level_ahead(one, exposure, places)
    variance = variance + one.noise[places]
    reachable = one.scale.allows(limits)
    edge = one.scale.forward(np.where(reachable, limits, 1.0))
    gap = sides * (mean - edge)
    with np.errstate(divide="ignore", invalid="ignore"):
        told = ndtr(np.where(variance > 0, gap / np.sqrt(variance), np.where(gap > 0, np.inf, -np.inf)))
    # a limit that no reading can have on this scale lies below all of them
    told = np.where(reachable, told, np.where(sides > 0, 1.0, 0.0))
    return np.asarray(np.where(np.isnan(limits) | np.isnan(mean) | np.isnan(exposure), np.nan, told), dtype=np.float64)

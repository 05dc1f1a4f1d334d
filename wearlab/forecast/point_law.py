"""The law of a first passage through a few known points of it: of a line's crossing, of simulated paths."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from wearlab.forecast.exposure_law import FAR
from wearlab.forecast.mixed_law import Array
from wearlab.forecast.root import Places

#: the law is asked so many times as far as its points reach
_FURTHER = 1000.0
#: probit of a chance that is next to nothing, and what is short of a chance
_NOTHING, _SHORT = -3.0, 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class PointLaw:
    """Probits `value` (P, G) at rising exposures to go `ahead` (P, G), straight between and `before`, `after` them.

    `before` and `after` (P,) are the slopes below the first place and above the last, `most` (P,) what the probit
    never exceeds.
    """

    start: Array
    known: NDArray[np.bool_]
    ahead: Array
    value: Array
    before: Array
    after: Array
    most: Array

    @property
    def reach(self) -> Array:
        """As `ExposureLaw`."""
        return _FURTHER * self.ahead[:, -1]

    def probit(self, ahead: Array, rows: Places) -> tuple[Array, Array]:
        """As `ExposureLaw`."""
        places, values = self.ahead[rows], self.value[rows]
        x = np.maximum(ahead, 0.0)
        last = places.shape[1] - 1
        above = (places <= x[:, None]).sum(axis=1)
        cell = np.clip(above - 1, 0, last - 1)
        each = np.arange(x.size)
        from_x, from_y = places[each, cell], values[each, cell]
        slope = (values[each, cell + 1] - from_y) / (places[each, cell + 1] - from_x)
        beyond = above > last
        slope = np.where(above == 0, self.before[rows], np.where(beyond, self.after[rows], slope))
        from_x = np.where(beyond, places[:, -1], from_x)
        from_y = np.where(beyond, values[:, -1], from_y)
        told, most = from_y + slope * (x - from_x), self.most[rows]
        return np.minimum(told, most), np.where(told < most, slope, 0.0)


def law_of_points(levels: ArrayLike, exposures: ArrayLike, start: ArrayLike) -> PointLaw:
    """Return the law that passes through points of a crossing.

    Parameters
    ----------
    levels
        Rising chances, shape (Q,), at least two.
    exposures
        By which each limit is passed with these chances, shape (Q, P), rising along Q. At `start` or before
        (minus infinity): passed by then. Infinite: not reached with that chance; the law rises on from the last
        finite point, but stays below it. NaN: nothing is known.
    start
        Exposure before which nothing is told, shape (P,).
    """
    chances, begun = np.asarray(levels, dtype=np.float64), np.asarray(start, dtype=np.float64)
    places = np.asarray(exposures, dtype=np.float64).reshape(chances.size, -1)
    known = ~np.isnan(places).any(axis=0) & np.isfinite(begun)
    told = np.where(known, places, np.inf)
    begun = np.where(known, begun, 0.0)
    finite = told < np.inf
    ahead = np.maximum(np.where(finite, told, 0.0) - begun, 0.0)
    size = np.maximum(np.abs(begun) + ahead.max(axis=0), 1e-300)
    z = np.asarray(ndtri(chances), dtype=np.float64)
    value = np.broadcast_to(z[:, None], told.shape).copy()
    # of the points passed at the start the last counts
    at_start = finite & (ahead == 0)
    value = np.where(at_start, np.where(at_start, value, -np.inf).max(axis=0), value)
    tie = 1e-9 * size
    # alone, the first point has next to nothing before it
    slope = np.maximum(value[0] - _NOTHING, 0.0) / np.maximum(ahead[0], tie)
    for q in range(1, chances.size):
        ahead[q] = np.where(finite[q], np.maximum(ahead[q], ahead[q - 1] + tie), ahead[q - 1] + size)
        value[q] = np.where(finite[q], value[q], value[q - 1] + slope * (ahead[q] - ahead[q - 1]))
        slope = (value[q] - value[q - 1]) / (ahead[q] - ahead[q - 1])
    # how many points are reached says below which chance the law ends
    reached = finite.sum(axis=0)
    most = np.append(z - _SHORT, np.inf)[reached]
    value = np.where(reached == 0, -FAR, value)
    before = np.where(reached == 0, 0.0, (value[1] - value[0]) / (ahead[1] - ahead[0]))
    after = np.where(reached == 0, 0.0, np.maximum(slope, 0.0))
    return PointLaw(begun, known, ahead.T.copy(), value.T.copy(), before, after, most)

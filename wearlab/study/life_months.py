"""The level and the rate of one life of a part at the end of every month, read along its path.

Between two tests the level is read along the straight line between their smoothed levels; from the last test on it
rises with the part's own rate and the vehicle's pace, as long as the life is told. The rate of a month is the net one
over the year before: what the level rose by, over the distance driven, cleanings included.
"""

from __future__ import annotations

from math import isfinite

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError

Floats = NDArray[np.float64]

#: days that a rate looks back, and the fewest days and km that tell one
_YEAR, _FEWEST_DAYS, _FEWEST_KM = 365.0, 180.0, 1_000.0
#: distance that rates are told over
RATE_KM = 10_000.0


def life_months(
    days: ArrayLike, km: ArrayLike, level: ArrayLike, ends: ArrayLike, *,
    until: float, rate: float | None = None, km_a_day: float | None = None,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return level and rate (M,) of a life at the days `ends` (M,); NaN where it is not told.

    Parameters
    ----------
    days, km, level
        (T,) rising days (ordinals) of its tests, the distance gathered by then in km, and the levels of its path.
    until
        The last day (ordinal) that the life is told of.
    rate, km_a_day
        Rise per 10,000 km and pace from the last test on; None: the level stays, and no rate is told from there.

    Raises
    ------
    InputError
        The path is empty, of unequal lengths, or its days do not rise.
    """
    day, way, height, asked = (np.asarray(one, dtype=np.float64) for one in (days, km, level, ends))
    if not day.size or day.shape != way.shape or day.shape != height.shape or (np.diff(day) <= 0).any():
        raise InputError("a path has rising days, each with a distance and a level")
    pace = km_a_day if km_a_day is not None and isfinite(km_a_day) else 0.0
    slope = rate if rate is not None and isfinite(rate) else 0.0
    carried = rate is not None and km_a_day is not None

    def at(when: Floats) -> tuple[Floats, Floats]:
        beyond = np.maximum(when - day[-1], 0.0) * pace
        return np.interp(when, day, height) + beyond * slope / RATE_KM, np.interp(when, day, way) + beyond

    told = (asked >= day[0]) & (asked <= until)
    before = np.maximum(asked - _YEAR, day[0])
    (here, here_km), (there, there_km) = at(asked), at(before)
    driven = here_km - there_km
    known = told & (asked - before >= _FEWEST_DAYS) & (driven >= _FEWEST_KM)
    if not carried:
        known &= asked <= day[-1]
    rates = np.full(asked.shape, np.nan)
    rates[known] = (here - there)[known] / driven[known] * RATE_KM
    return np.where(told, here, np.nan), rates

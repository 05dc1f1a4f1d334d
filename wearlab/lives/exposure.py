"""Exposure of parts: the distance a life has gathered, split by the vehicles and positions it sat in."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from math import isfinite, nan

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError
from wearlab.lives.fitments import Fitment, Lives


@dataclass(frozen=True, slots=True)
class Exposures:
    """`exposure_km` has one value a test point, NaN where unknown; the fitments carry `exposure_before_km`.

    `gathered_km` is the share of it that was gathered on the vehicle of that test point. `from_km[k]` is the vehicle's
    true distance at which fitment k began to count, NaN when unknown. `late[k]` is true where the life of fitment k
    counts only from its first test, because the distance of the day it began cannot be told.
    """

    fitments: tuple[Fitment, ...]
    exposure_km: NDArray[np.float64]
    from_km: NDArray[np.float64]
    gathered_km: NDArray[np.float64]
    late: NDArray[np.bool_]


def exposures(
    lives: Lives,
    distance_km: ArrayLike,
    distance_at: Callable[[str, date], float],
) -> Exposures:
    """Return how far each part had gone in its life at every test point.

    Parameters
    ----------
    lives
        As `fitments.follow` returned it.
    distance_km
        True distance of the vehicle at every test point, shape of `lives.fitment_of`, NaN if unknown.
    distance_at
        True distance of a vehicle on a day, NaN when it cannot be told.

    A life counts from the day its first fitment began, or from the first test with a known distance when the
    distance of that day cannot be told.
    """
    distance = np.asarray(distance_km, dtype=np.float64)
    of = np.asarray(lives.fitment_of, dtype=np.int64)
    if distance.shape != of.shape:
        raise InputError(f"every test point needs its distance: {of.size} points, {distance.size} given")
    count = len(lives.fitments)
    first = np.full(count, np.inf)
    known = np.isfinite(distance)
    np.minimum.at(first, of[known], distance[known])
    from_km = np.array([distance_at(f.vehicle, f.from_date) for f in lives.fitments], dtype=np.float64)
    unknown = ~np.isfinite(from_km)
    from_km[unknown] = np.where(np.isfinite(first[unknown]), first[unknown], nan)

    chains: dict[tuple[str, int], list[int]] = defaultdict(list)
    for k, fitment in enumerate(lives.fitments):
        chains[fitment.part, fitment.life].append(k)
    before, here, late = np.zeros(count), np.zeros(count), np.zeros(count, dtype=bool)
    for chain in chains.values():
        gathered = 0.0
        by_vehicle: dict[str, float] = defaultdict(float)
        ordered = sorted(chain, key=lambda k: _when(lives.fitments[k]))
        for k in ordered:
            fitment = lives.fitments[k]
            before[k], here[k], late[k] = gathered, by_vehicle[fitment.vehicle], unknown[ordered[0]]
            if fitment.to_date is None:
                continue  # where a part still sits, nothing comes after
            end = distance_at(fitment.vehicle, fitment.to_date)
            more = max(end - from_km[k], 0.0) if isfinite(end) else nan
            gathered += more
            by_vehicle[fitment.vehicle] += more
    driven = distance - from_km[of] if of.size else np.zeros(0)
    exposure = before[of] + driven if of.size else driven
    fitments = tuple(
        replace(fitment, exposure_before_km=float(km) if isfinite(km) else None)
        for fitment, km in zip(lives.fitments, before, strict=True)
    )
    return Exposures(fitments, exposure, from_km, here[of] + driven if of.size else driven, late)


def _when(fitment: Fitment) -> tuple[date, date, int]:
    return (fitment.from_date, fitment.to_date or date.max, fitment.from_order)

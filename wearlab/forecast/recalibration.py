"""One factor a group on the standard deviations of its working scale, learnt from forecasts of hidden readings.

With z the normal value of the forecast's chance of what came, honest forecasts have E z^2 = 1, and forecasts whose
sd is too small by a factor f have f^2. Every vehicle has one score, the mean z^2 of its readings: readings of one
vehicle share its visit and its use and are hardly more evidence than one. A single wild reading must not widen every
interval of a group, so that z^2 counts up to three sd, and what that takes from an honest forecast is given back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erf, ndtri

from wearlab.forecast.hindsight import Held, one_a_vehicle
from wearlab.forecast.scores import covered
from wearlab.language import _, _n, number
from wearlab.records import NoAnswer

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Fewer vehicles with a score decide nothing.
FEWEST_VEHICLES = 20
#: sd of the logarithm of the factors that groups need; the shrinkage towards 1 follows from it.
SPREAD = 0.25
#: A factor stays within these.
LEAST, MOST = 0.5, 2.5

#: z^2 counts up to this square, and the mean of that for a standard normal z
_WINSOR = 3.0
_HONEST = float(
    erf(_WINSOR / np.sqrt(2)) * (1 - _WINSOR**2)
    + _WINSOR**2
    - 2 * _WINSOR * np.exp(-(_WINSOR**2) / 2) / np.sqrt(2 * np.pi)
)


@dataclass(frozen=True, slots=True)
class Recalibration:
    """The factor of a group: multiply the sd by `factor`, learnt from `vehicles` scores, `raw` before shrinkage.

    `before`, `after`: share of the hidden readings inside 90 % intervals without the factor, and with one learnt from
    the other half of the vehicles. `sentence` tells it.
    """

    factor: float
    raw: float
    vehicles: int
    before: float
    after: float
    sentence: str


def recalibration(held: Held) -> Recalibration | NoAnswer:
    """Return the factor that would have made the forecasts of hidden readings hold."""
    return factor_of(held.pit, held.vehicle)


def factor_of(pit: ArrayLike, vehicle: Ints) -> Recalibration | NoAnswer:
    """Return the factor from PIT values (m,) of the vehicles (m,)."""
    u = np.clip(np.asarray(pit, dtype=np.float64), 1e-9, 1 - 1e-9)
    count = int(np.unique(vehicle).size)
    if count < FEWEST_VEHICLES:
        return NoAnswer(
            _n(
                "{n} vehicle could be looked back on: fewer than {fewest} do not correct any interval",
                "{n} vehicles could be looked back on: fewer than {fewest} do not correct any interval",
                count,
                fewest=FEWEST_VEHICLES,
            )
        )
    z = np.asarray(ndtri(u))
    raw, factor = _fitted(z, vehicle)
    before = float(covered(u, 0.9).mean())
    after = _crossed(z, vehicle)
    return Recalibration(factor, raw, count, before, after, _sentence(factor, count, before, after))


def _sentence(factor: float, count: int, before: float, after: float) -> str:
    told = {
        "before": number(before * 100),
        "vehicles": count,
        "after": number(after * 100),
        "percent": number(abs(factor - 1) * 100),
    }
    if abs(factor - 1) < 0.005:
        return _(
            "{before} of 100 hidden readings of {vehicles} vehicles lay inside their 9-in-10 interval, so intervals "
            "stay as they are; with that, learnt on the other half of the vehicles, {after} of 100 do.",
            **told,
        )
    if factor > 1:
        return _(
            "{before} of 100 hidden readings of {vehicles} vehicles lay inside their 9-in-10 interval, so intervals "
            "are made {percent} % wider; with that, learnt on the other half of the vehicles, {after} of 100 do.",
            **told,
        )
    return _(
        "{before} of 100 hidden readings of {vehicles} vehicles lay inside their 9-in-10 interval, so intervals "
        "are made {percent} % narrower; with that, learnt on the other half of the vehicles, {after} of 100 do.",
        **told,
    )


def _fitted(z: Array, vehicle: Ints) -> tuple[float, float]:
    """Return the factor as it comes, and shrunk towards 1 by its own uncertainty."""
    raw = 1.0
    for _turn in range(30):  # the bound on z^2 counts in the units of the corrected forecast
        score = one_a_vehicle(np.minimum((z / raw) ** 2, _WINSOR**2), vehicle) / _HONEST
        step = float(np.sqrt(max(score.mean(), 1e-6)))
        raw *= step
        if abs(step - 1) < 1e-6:
            break
    # the square root halves the relative error of the mean score
    error = float(score.std(ddof=1) / score.mean() / np.sqrt(score.size) / 2) if score.size > 1 else np.inf
    kept = SPREAD**2 / (SPREAD**2 + error**2)
    return raw, float(np.clip(np.exp(kept * np.log(raw)), LEAST, MOST))


def _crossed(z: Array, vehicle: Ints) -> float:
    """Return the 90 % coverage of each half of the vehicles with the factor of the other half."""
    place = np.unique(vehicle, return_inverse=True)[1]
    inside = 0
    for half in (0, 1):
        own = place % 2 == half
        factor = _fitted(z[~own], vehicle[~own])[1]
        inside += int((np.abs(z[own]) <= factor * float(ndtri(0.95))).sum())
    return inside / z.size

"""Flags that a group's wear is not what the model takes it for, from its forecasts of hidden readings.

`accelerating`: wear gets faster as it goes on. Either a straight line with all the model's effects wants a bend (a
term in the square of exposure, common to all), or its forecasts of hidden readings fall short of what came. Forecasts
on the scales that were chosen may still be good; but where wear speeds up, a date rests on how it goes on.

`misfit`: the forecasts on the chosen scales themselves did not hold: their errors are too large for their own spread,
or lie to one side. Then no interval of the group should be trusted before somebody has looked.

One score a vehicle. The thresholds are set on simulated fleets, see `studies.hindsight`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtr

from wearlab.forecast.hindsight import SEED, Held, held_back, one_a_vehicle
from wearlab.language import _, _n
from wearlab.records import NoAnswer
from wearlab.wear.data import WearData, coded
from wearlab.wear.group import fit_group
from wearlab.wear.scale import STRAIGHT

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Vehicles with a hidden reading, below which nothing is flagged.
FEWEST_VEHICLES = 10
#: Visits hidden from the straight line: the farther ahead, the more a bend shows.
HIDDEN = 2
#: Normal values that the bend and the straight line's shortfall must reach.
BEND = 1.8
SHORT = 2.1
#: Normal values that the spread and the lean of the model's own errors must reach.
SPREAD = 1.8
LEAN = 2.5

#: A normal value counts up to this, so that a wild reading is no misfit
_MOST = 3.0


@dataclass(frozen=True, slots=True)
class Signs:
    """The two flags and what they rest on: normal values, None where they could not be worked out.

    `bend` of the square of exposure, positive when wear speeds up; `short` how far the straight line's forecasts of
    hidden readings fall short; `spread` and `lean` of the model's own forecasts: errors too large, errors to one side.
    """

    accelerating: bool
    misfit: bool
    vehicles: int
    bend: float | None
    short: float | None
    spread: float | None
    lean: float | None
    sentences: tuple[str, ...]


def signs(
    data: WearData,
    held: Held | NoAnswer,
    *,
    sign: float = 1.0,
    most_vehicles: int = 500,
    workers: int = 2,
    seed: int = SEED,
) -> Signs:
    """Work out the flags of a group.

    `held` are the model's own forecasts with one visit hidden: with more hidden, short histories no longer tell the
    scale, and forecasts fail that the whole history would not make. `sign` is the way it wears: +1 up, -1 down.
    """
    if isinstance(held, NoAnswer):
        return _untold(0, held.reason)
    vehicles = int(np.unique(held.vehicle).size)
    if vehicles < FEWEST_VEHICLES:
        return _untold(
            vehicles,
            _n(
                "{n} vehicle could be looked back on, fewer than {fewest}",
                "{n} vehicles could be looked back on, fewer than {fewest}",
                vehicles,
                fewest=FEWEST_VEHICLES,
            ),
        )
    spread, lean = _spread(held), abs(normal_mean(held.pit, held.vehicle))
    bent = bend(data, sign, most_vehicles=most_vehicles, workers=workers, seed=seed)
    straight = held_back(data, HIDDEN, scales=(STRAIGHT,), most_vehicles=most_vehicles, workers=workers, seed=seed)
    short = None if isinstance(straight, NoAnswer) else sign * normal_mean(straight.pit, straight.vehicle)
    accelerating = (bent is not None and bent > BEND) or (short is not None and short > SHORT)
    misfit = spread > SPREAD or lean > LEAN
    return Signs(accelerating, misfit, vehicles, bent, short, spread, lean, _sentences(accelerating, misfit))


def bend(data: WearData, sign: float, *, most_vehicles: int = 500, workers: int = 2, seed: int = SEED) -> float | None:
    """Return the normal value of a common bend over exposure beside straight wear, positive when wear speeds up.

    Lives whose start is unknown have no vote: their exposure does not tell how old they are.
    """
    known = coded(data)
    if known.vehicle_label.size > most_vehicles:
        chosen = np.random.default_rng(seed).choice(known.vehicle_label.size, most_vehicles, replace=False)
        data = data.take(np.isin(known.vehicle, chosen))
        known = coded(data)
    top = float(known.exposure.max())
    if top <= 0:
        return None
    column = np.where(known.unknown_start, 0.0, (known.exposure / top) ** 2)
    kinds = data.covariate_kind or ("added",) * known.covariates.shape[1]
    roles = data.covariate_role or ("condition",) * known.covariates.shape[1]
    with_bend = replace(
        data,
        covariates=np.column_stack([known.covariates, column]),
        covariate_names=(*known.names, _BEND),
        covariate_kind=(*kinds, "added"),
        covariate_role=(*roles, "rate"),
        prior_mean=np.append(known.prior_mean, 0.0),
        prior_sd=np.append(known.prior_sd, np.inf),
    )
    fit = fit_group(with_bend, scales=(STRAIGHT,), average=False, workers=workers, seed=seed)
    if isinstance(fit, NoAnswer):
        return None
    place = fit.best.fixed.place(_BEND)
    if place is None or not fit.best.fixed.sd[place] > 0:
        return None
    ratio = sign * fit.best.fixed.estimate[place] / fit.best.fixed.sd[place]
    # every vehicle is one line at most: Student's law of so many gives the normal value
    freedom = max(known.vehicle_label.size - 2, 1)
    return float(np.clip(-ndtri(stdtr(freedom, -ratio)), -38.0, 38.0))


_BEND = "square of exposure"


def normal_mean(pit: ArrayLike, vehicle: Ints) -> float:
    """Return the mean normal value of PIT values (m,), one a vehicle, over its standard error."""
    score = one_a_vehicle(_bounded(pit), vehicle)
    error = max(float(score.std(ddof=1)), 0.5) / np.sqrt(score.size) if score.size > 1 else np.inf
    return float(score.mean() / error)


def _bounded(pit: ArrayLike) -> Array:
    u = np.clip(np.asarray(pit, dtype=np.float64), 1e-9, 1 - 1e-9)
    return np.asarray(np.clip(ndtri(u), -_MOST, _MOST))


def _spread(held: Held) -> float:
    score = one_a_vehicle(_bounded(held.pit) ** 2, held.vehicle)
    # z^2 of an honest normal value has variance 2
    return float((score.mean() - 1.0) * np.sqrt(score.size / 2.0))


def _untold(vehicles: int, reason: str) -> Signs:
    told = _("Too little to tell whether the model fits: {reason}.", reason=reason)
    return Signs(False, False, vehicles, None, None, None, None, (told,))


def _sentences(accelerating: bool, misfit: bool) -> tuple[str, ...]:
    told = []
    if accelerating:
        told.append(_("Wear speeds up here: straight lines come too late, and dates rest on how it goes on."))
    if misfit:
        told.append(
            _(
                "The model's own intervals, before any correction, did not hold on hidden tests of this group: plan "
                "with room around its dates."
            )
        )
    return tuple(told)

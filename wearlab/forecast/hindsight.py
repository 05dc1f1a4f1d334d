"""Rolling origin on a group's own history: hide the last tests of every vehicle, fit the rest, forecast what is hidden.

Forecast is the vehicle's last visit, with one visit hidden and again with two. Parts pulled before it, or first tested
at it, have nothing to score there. Readings beyond the scale are counted, not scored. A part whose limit lies ahead is
followed as far as the tests go: it is not a miss that nobody has looked yet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.forecast.reading_law import ReadingLaw, reading_law
from wearlab.language import _n
from wearlab.records import NoAnswer
from wearlab.wear.data import Coded, WearData, coded
from wearlab.wear.group import fit_group
from wearlab.wear.mixture import Mixture
from wearlab.wear.results import WearFit, last_exposure
from wearlab.wear.scale import WorkingScale

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: Visits hidden, one after the other.
HIDDEN = (1, 2)
#: Vehicles that are looked back on at most; the others' readings take no part.
MOST_VEHICLES = 500
SEED = 20


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """Forecasts of m hidden readings with `visits` visits hidden.

    `row` (m,) places of the readings in `data`, `source` (m,) in the arrays that were given (of a large fleet a sample
    is looked back on); `vehicle` (m,) numbers, as in `data`; `y` what came, `ahead` the
    exposure between the last reading known of the part and it; `pit` the chance the forecast gave to at most `y`.
    `known` (n,) which readings were fitted. `new_parts`, `beyond`, `after_event` count hidden readings without a
    score: of parts never tested before, beyond the scale, or with an event (cleaning, repair) since the last test.
    """

    visits: int
    data: Coded
    fit: WearFit
    law: ReadingLaw
    known: Flags
    row: Ints
    source: Ints
    vehicle: Ints
    y: Array
    ahead: Array
    pit: Array
    new_parts: int
    beyond: int
    after_event: int

    @property
    def part(self) -> Ints:
        """Place of each reading's part among the fit's parts, (m,)."""
        labels = self.data.part_label[self.data.part[self.row]]
        return np.searchsorted(self.fit.data.part_label, labels).astype(np.int64)


def hide(data: Coded, visits: int) -> tuple[Flags, Flags]:
    """Return which readings stay known (n,), and which are hidden and lie at their vehicle's last visit (n,).

    A vehicle with `visits` visits or fewer stays whole.
    """
    pair, place = np.unique(np.stack([data.vehicle, data.turn]), axis=1, return_inverse=True)
    count = np.bincount(pair[0])
    from_end = np.cumsum(count)[pair[0]] - 1 - np.arange(pair.shape[1])
    of = from_end[place.reshape(-1)]
    enough = count[data.vehicle] > visits
    return ~(enough & (of < visits)), np.asarray(enough & (of == 0))


def held_back(
    data: WearData,
    visits: int,
    *,
    scales: tuple[WorkingScale, ...] | None = None,
    weights: ArrayLike | None = None,
    most_vehicles: int = MOST_VEHICLES,
    workers: int = 2,
    seed: int = SEED,
) -> Held | NoAnswer:
    """Hide each vehicle's last `visits` visits, fit the rest and forecast the farthest.

    `scales` None: the working scales are weighed anew by what is left; else just these, with `weights` (default
    equal). The other arguments are those of `fit_group`.
    """
    whole = coded(data)
    given = np.arange(len(data))
    if whole.vehicle_label.size > most_vehicles:
        chosen = np.random.default_rng(seed).choice(whole.vehicle_label.size, most_vehicles, replace=False)
        given = np.flatnonzero(np.isin(whole.vehicle, chosen))
        whole = coded(data.take(given))
    known, last = hide(whole, visits)
    if not last.any():
        return NoAnswer(
            _n(
                "no vehicle has more than {n} visit: nothing can be hidden",
                "no vehicle has more than {n} visits: nothing can be hidden",
                visits,
            )
        )
    fit = fit_group(whole.source.take(known), scales=scales, workers=workers, seed=seed)
    if isinstance(fit, NoAnswer):
        return fit
    hidden = np.flatnonzero(last)
    measured = hidden[whole.bound[hidden] == 0]
    found = np.isin(whole.part_label[whole.part[measured]], fit.data.part_label)
    rows = measured[found]
    same = _nothing_between(whole, known, rows)
    rows = rows[same]
    mixture = fit.mixture()
    if scales is not None and weights is not None:
        mixture = weighed(mixture, scales, weights)
        fit = replace(fit, mixed=mixture, weights=np.asarray(weights, dtype=np.float64))
    law, told = reading_law(fit, mixture, whole, rows)
    rows = rows[told]
    y = whole.y[rows]
    before = last_exposure(fit.data)
    place = np.searchsorted(fit.data.part_label, whole.part_label[whole.part[rows]])
    return Held(
        visits=visits,
        data=whole,
        fit=fit,
        law=law,
        known=known,
        row=rows,
        source=given[rows],
        vehicle=whole.vehicle[rows],
        y=y,
        ahead=whole.exposure[rows] - before[place],
        pit=law.below(y),
        new_parts=int((~found).sum()),
        beyond=int(hidden.size - measured.size),
        after_event=int((~same).sum()),
    )


def weighed(mixture: Mixture, scales: Sequence[WorkingScale], weights: ArrayLike) -> Mixture:
    """Return the mixture with the components of each scale weighing as given together."""
    share = dict(zip(scales, np.asarray(weights, dtype=np.float64).tolist(), strict=True))
    before = dict.fromkeys(scales, 0.0)
    for one in mixture.components:
        before[one.scale] += one.weight
    made = [replace(one, weight=one.weight / before[one.scale] * share[one.scale]) for one in mixture.components]
    return Mixture(tuple(made))


def _nothing_between(data: Coded, known: Flags, rows: Ints) -> Flags:
    """Return which readings (r,) follow on the last known one of their part without an event in between."""
    events = np.array([role != "condition" for role in data.role], dtype=np.bool_)
    if not events.any() or not rows.size:
        return np.ones(rows.size, dtype=np.bool_)
    steps = np.array([role == "step" for role in data.role], dtype=np.bool_)
    at = np.flatnonzero(known)
    order = at[np.lexsort((data.exposure[at], data.turn[at]))]
    last = np.full(data.part_label.size, -1, dtype=np.int64)
    last[data.part[order]] = order
    before = last[data.part[rows]]
    stepped = (data.covariates[rows] != data.covariates[before])[:, steps].any(axis=1)
    rates = events & ~steps
    # an event that changes the rate counts exposure from then on: it is new where nothing was counted before
    begun = ((data.covariates[rows] != 0) & (data.covariates[before] == 0))[:, rates].any(axis=1)
    return np.asarray(~(stepped | begun) & (before >= 0))


def one_a_vehicle(values: ArrayLike, vehicle: Ints) -> Array:
    """Return the mean of values (m,) over the readings of each vehicle that has any, one number a vehicle."""
    _, place = np.unique(vehicle, return_inverse=True)
    return np.asarray(np.bincount(place, np.asarray(values, dtype=np.float64)) / np.bincount(place))


def rolling(
    data: WearData,
    hidden: Sequence[int] = HIDDEN,
    *,
    most_vehicles: int = MOST_VEHICLES,
    workers: int = 2,
    seed: int = SEED,
) -> tuple[Held, ...] | NoAnswer:
    """Return `held_back` for each number of hidden visits that the histories allow, or why there is none."""
    found = [held_back(data, k, most_vehicles=most_vehicles, workers=workers, seed=seed) for k in hidden]
    told = tuple(one for one in found if not isinstance(one, NoAnswer))
    return told or next(one for one in found if isinstance(one, NoAnswer))

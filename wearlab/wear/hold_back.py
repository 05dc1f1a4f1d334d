"""Which readings are held back to judge working scales by, and how a forecast of them is scored."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import logsumexp

from wearlab.errors import InputError

Array = NDArray[np.float64]
Index = NDArray[np.int64]

#: Last visits of a life that are held back, and visits that must be left to fit.
HELD_VISITS = 2
VISITS_LEFT = 2
#: Vehicles scored at most; more would make the choice slower, not better.
MOST_VEHICLES = 500


class Scale(Protocol):
    """A working scale: y = forward(q), increasing, with slope dy/dq."""

    def forward(self, q: ArrayLike) -> Array: ...
    def slope(self, q: ArrayLike) -> Array: ...


@dataclass(frozen=True, slots=True, eq=False)
class HoldBack:
    """Split of n readings.

    `used` (n,): the reading's vehicle is in the sample; `kept` (n,): the reading is fitted (used and not held back);
    `scored` (r,): places of the readings to be forecast, ascending; `weight` (r,): share of each in its vehicle's
    score; `vehicle` (r,): number of its vehicle, 0 to `vehicles` - 1; `labels` (vehicles,): the vehicles scored.
    """

    used: NDArray[np.bool_]
    kept: NDArray[np.bool_]
    scored: Index
    weight: Array
    vehicle: Index
    labels: NDArray[Any]

    @property
    def vehicles(self) -> int:
        """Number of vehicles that get a score."""
        return int(self.labels.size)

    def by_vehicle(self, log_density: ArrayLike) -> Array:
        """Return one score a vehicle, (vehicles,) or (vehicles, k), from log densities (r,) or (r, k) of `scored`.

        The readings of one part share its weight, parts of one vehicle weigh equally: many parts are no more evidence
        than one, since they share the vehicle and its use. A density of zero makes the vehicle's score -inf.
        """
        values = np.asarray(log_density, dtype=np.float64)
        if values.ndim not in (1, 2) or values.shape[0] != self.scored.size:
            raise InputError(f"{self.scored.size} readings are scored, not {values.shape}")
        flat = values[:, None] if values.ndim == 1 else values
        score = np.zeros((self.vehicles, flat.shape[1]))
        np.add.at(score, self.vehicle, self.weight[:, None] * flat)
        return score.reshape((self.vehicles, *values.shape[1:]))


def hold_back(
    part: ArrayLike,
    visit: ArrayLike,
    vehicle: ArrayLike,
    exposure: ArrayLike,
    bound: ArrayLike | None = None,
    *,
    most_vehicles: int = MOST_VEHICLES,
    seed: int = 20,
) -> HoldBack:
    """Hold back the last two visits of every life that keeps two; the farther of them is scored.

    Parameters
    ----------
    part, visit, vehicle
        (n,) labels: one life of one part, the visit within its vehicle, the vehicle at the time.
    exposure
        (n,) exposure of the part; visits of a life are ordered by it.
    bound
        (n,) 0 measured, 1 at least, -1 at most; None: all measured.
    most_vehicles, seed
        If more vehicles than this could be scored, a sample of that size, drawn with this seed, is used: the others'
        readings are neither fitted nor scored. Vehicles that cannot be scored still help the fit: all of them, or a
        sample of the same size, are used.

    Returns
    -------
    HoldBack
        A life shorter than four visits is fitted whole and not scored. Its vehicle is the one it was last tested in.

    Raises
    ------
    InputError
        The lists are not of one length, or an exposure is not finite.

    Notes
    -----
    Scored are the measured readings of the farthest held-back visit of a life, repeats sharing the weight of one.
    Readings beyond the scale are held back with the others but never scored: the probability of a bound and the
    density of a value are not in one unit, so that a mean of both would let the share of beyond-scale readings, not
    the forecasts, decide between scales; and a bound tells all scales nearly the same. If the farthest visit of a
    life has bounds only, the nearer one is scored; with bounds only in both the life is not scored.
    """
    labels = [np.asarray(values) for values in (part, visit, vehicle)]
    x = np.asarray(exposure, dtype=np.float64)
    n = x.size
    b = np.zeros(n, dtype=np.int64) if bound is None else np.asarray(bound)
    if x.ndim != 1 or any(values.shape != (n,) for values in (*labels, b)):
        raise InputError("part, visit, vehicle, exposure and bound must be lists of one length")
    if not np.isfinite(x).all():
        raise InputError("exposure must be finite numbers")
    if n == 0:
        nothing = np.zeros(0, dtype=np.int64)
        none = np.zeros(0, dtype=np.bool_)
        return HoldBack(none, none, nothing, np.zeros(0), nothing, labels[2])
    life, turn = (np.unique(values, return_inverse=True)[1] for values in labels[:2])
    names, car = np.unique(labels[2], return_inverse=True)
    from_end, visits = _visits_from_end(life, turn, car, x)
    long_enough = visits >= HELD_VISITS + VISITS_LEFT
    held = long_enough & (from_end < HELD_VISITS)
    can = held & (b == 0)
    # the farthest visit of the life with a measured reading
    farthest = np.full(int(life.max()) + 1, HELD_VISITS)
    np.minimum.at(farthest, life[can], from_end[can])
    target = can & (from_end == farthest[life])
    home = np.zeros(int(life.max()) + 1, dtype=np.int64)
    home[life[from_end == 0]] = car[from_end == 0]  # a visit has one vehicle
    sample = _sample(np.unique(home[life[target]]), np.unique(home), names.size, most_vehicles, seed)
    used = sample[home[life]]
    scored = np.flatnonzero(target & used)
    repeats = np.bincount(life[scored], minlength=home.size)
    parts = np.bincount(home[np.unique(life[scored])], minlength=names.size)
    present, number = np.unique(home[life[scored]], return_inverse=True)
    weight = 1.0 / (repeats[life[scored]] * parts[home[life[scored]]])
    return HoldBack(used, used & ~held, scored, weight, number.astype(np.int64), names[present])


def _visits_from_end(life: Index, turn: Index, car: Index, x: Array) -> tuple[Index, Index]:
    """For every reading: how many visits of its life come after its own, and how many its life has.

    Visits of a life run by exposure; at equal exposure by the order of their labels.
    """
    keys = np.stack([life, car, turn])
    pairs, pair = np.unique(keys, axis=1, return_inverse=True)
    pair = pair.reshape(-1)
    reached = np.full(pairs.shape[1], -np.inf)
    np.maximum.at(reached, pair, x)
    order = np.lexsort((pairs[2], reached, pairs[0]))
    count = np.bincount(pairs[0])
    end = np.cumsum(count)  # of each life, in this order
    from_end = np.empty(order.size, dtype=np.int64)
    from_end[order] = end[pairs[0][order]] - 1 - np.arange(order.size)
    return from_end[pair], count[life]


def _sample(able: Index, homes: Index, vehicles: int, most: int, seed: int) -> NDArray[np.bool_]:
    """Which vehicles are used: at most `most` that can be scored and at most `most` others."""
    rng = np.random.default_rng(seed)
    chosen = np.zeros(vehicles, dtype=np.bool_)
    for group in (able, np.setdiff1d(homes, able)):
        chosen[group if group.size <= most else rng.choice(group, most, replace=False)] = True
    return chosen


def predictive_log_density(
    mean: ArrayLike, sd: ArrayLike, y: ArrayLike, scale: Scale, weights: ArrayLike | None = None
) -> Array:
    """Return the log density of readings y (n,) on the MEASURED scale, forecast as normal on the working scale.

    `mean` and `sd` are (n,), or (n, c) for a mixture of c components with `weights` (c,) or (n, c), which are scaled
    to sum to 1. The density is sum_j w_j N(g(y); mean_j, sd_j) g'(y): with the slope g'(y) densities of different
    working scales are in one unit, 1 / unit of y, and may be compared. Probability that a scale lays beyond its own
    end (a root below zero, a reciprocal past infinity) is lost and counts against it. A reading outside the scale's
    range gives -inf, and a component without spread or with a NaN adds nothing.

    Raises
    ------
    InputError
        Shapes that do not agree, or weights that are negative or sum to nothing.
    """
    q = np.asarray(y, dtype=np.float64)
    m, s = np.asarray(mean, dtype=np.float64), np.asarray(sd, dtype=np.float64)
    if m.ndim == 1:
        m, s = m[:, None], s[:, None]
    if q.ndim != 1 or m.shape != s.shape or m.shape[0] != q.size:
        raise InputError("mean and sd have one row a reading")
    w = np.ones(m.shape[1]) if weights is None else np.asarray(weights, dtype=np.float64)
    if w.shape not in ((m.shape[1],), m.shape) or not bool((w >= 0).all() and (w.sum(axis=-1) > 0).all()):
        raise InputError("weights are one number of 0 or more a component, not all zero")
    w = np.broadcast_to(w / w.sum(axis=-1, keepdims=True), m.shape)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        at, slope = scale.forward(q), scale.slope(q)
        z = (at[:, None] - m) / s
        terms = np.log(w) - np.log(s) - z**2 / 2 - np.log(2 * np.pi) / 2
    terms = np.where((s > 0) & ~np.isnan(terms), terms, -np.inf)
    inside = np.isfinite(at) & (slope > 0) & np.isfinite(slope)
    out = np.full(q.size, -np.inf)
    out[inside] = logsumexp(terms[inside], axis=1) + np.log(slope[inside])
    return out

"""The pace of every vehicle of a fleet at once, each from its own odometer and, the less that tells, from the others'.

A vehicle's pace is what its depot and family usually drive, a lasting difference of its own, a slow part that comes
and goes, and the days' scatter. How much each of these varies is learned from all vehicles (`pace_spread`,
`group_pace`), then every vehicle's pace follows as the normal law given its own readings. Where two years show a
season, distances are counted by it (`season`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from wearlab.errors import InputError
from wearlab.language import _, _n
from wearlab.lives.group_pace import GroupPace, group_pace
from wearlab.lives.logs import Array, Ints, Logs, Stretches, stretches
from wearlab.lives.odometer import day_number
from wearlab.lives.outlook import YEAR, Outlook, season_days
from wearlab.lives.pace_spread import Spread, covariance, own_spread, spread_of
from wearlab.lives.season import Season, seasons
from wearlab.lives.usage import COVERAGE, LEAST_SPREAD, PARKED_KM, Usage
from wearlab.records import NoAnswer

_Z = float(ndtri(0.5 + COVERAGE / 2))
#: A stretch's pace that differs from the vehicle's middle one by more than this share is cut to it.
_WILD = 2.5
#: below this a vehicle is as good as not moving, km a day
_STILL = 1.0
_CHUNK = 4096


def fleet_usage(
    vehicles: Sequence[str],
    days: Sequence[Ints],
    distance_km: Sequence[Array],
    as_of: date,
    *,
    family: Sequence[str] | None = None,
    depot: Sequence[str] | None = None,
    parked_days: int = 120,
) -> dict[str, Usage | NoAnswer]:
    """Return the pace of every vehicle as of a day.

    Parameters
    ----------
    vehicles
        V names.
    days, distance_km
        For each of them the days (since 1970-01-01) and true distances of its readings, in any order; NaN distances and
        readings after `as_of` are left out.
    family, depot
        V names each, empty where unknown; vehicles of one family and depot are taken to drive alike.
    parked_days
        A vehicle without distance over this many days up to its last reading is parked.

    Raises
    ------
    InputError
        The inputs are not of one length.
    """
    size = len(vehicles)
    if not len(days) == len(distance_km) == size:
        raise InputError(f"every vehicle needs its readings: {size} vehicles, {len(days)} of readings")
    if not size:
        return {}
    families, groups = _numbered(family, depot, size)
    today = day_number(as_of)
    logs = Logs.of(days, distance_km, today)
    # the year's turn is counted from its first day
    day_of_year = float(as_of.timetuple().tm_yday)
    season = seasons(logs, groups, day_of_year)
    told = stretches(logs)
    known = _known(logs, told, season, families, groups, day_of_year)
    return _answers(list(vehicles), logs, told, known, season, as_of, parked_days, day_of_year)


@dataclass(frozen=True, slots=True, eq=False)
class _Known:
    """What is known of V paces, km a day, at each last reading; NaN where nothing is known."""

    steady: Array
    slow: Array
    var_steady: Array
    cov: Array
    var_slow: Array
    slow_variance: Array
    slow_days: float
    daily: Array
    stretches: Ints
    alone: bool


def _known(logs: Logs, told: Stretches, season: Season, families: Ints, groups: Ints, day_of_year: float) -> _Known:
    good, days = told.good, told.days
    counted = season_days(day_of_year - told.early, days, season.cos[:, None], season.sin[:, None])
    pace = np.where(good, told.km / np.where(good, np.maximum(counted, 1e-9), 1.0), 0.0)
    length = np.where(good, days, 0.0).sum(axis=1)
    moving = good.any(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        own = np.where(moving, (pace * days * good).sum(axis=1) / length, np.nan)
        middle = _weighted_median(pace, np.where(good, days, 0.0))
    # one wild stretch does not settle the pace of the others
    pace = np.where(good, np.clip(pace, 0.0, np.maximum(middle, 0.2 * own)[:, None] * (1 + _WILD)), 0.0)
    own = np.where(moving, (pace * days * good).sum(axis=1) / np.maximum(length, 1.0), np.nan)
    drives = moving & (own > _STILL)
    share = np.where(drives[:, None], pace / np.where(drives, own, 1.0)[:, None], 0.0)
    fit = Stretches(told.late, told.early, told.km, good & drives[:, None])
    spread = spread_of(share, fit)
    with np.errstate(divide="ignore"):
        log_own = np.where(drives, np.log(np.where(drives, own, 1.0)), np.nan)
    error = spread.slow + spread.daily / np.maximum(length, 1.0)
    usual = group_pace(log_own, error, families, groups)
    return _posterior(pace, told, own, drives, spread, usual)


def _posterior(
    pace: Array, told: Stretches, own: Array, drives: NDArray[np.bool_], spread: Spread, usual: GroupPace | None
) -> _Known:
    size = pace.shape[0]
    if usual is None:
        nothing = np.full(size, np.nan)
        none = np.zeros(size, dtype=np.int64)
        return _Known(nothing, nothing, nothing, nothing, nothing, nothing, spread.slow_days, nothing, none, alone=True)
    # mean and variance of a pace whose logarithm is normal
    prior = np.exp(usual.middle + 0.5 * usual.variance)
    prior_variance = prior**2 * np.expm1(usual.variance)
    # a vehicle's scatter goes with its own pace, as far as that is known
    level = np.where(drives, np.maximum(own, 0.1 * prior), prior)
    out = {name: np.zeros(size) for name in ("steady", "slow", "var_steady", "cov", "var_slow")}
    times = np.ones(size)
    for turn in range(2):
        ratio, free = np.zeros(size), np.maximum(told.good.sum(axis=1) - 1, 0).astype(np.float64)
        for first in range(0, size, _CHUNK):
            rows = np.arange(first, min(first + _CHUNK, size))
            made = _given(pace[rows], told, rows, level[rows], prior[rows], prior_variance[rows], spread, times[rows])
            for name, values in zip(out, made[:5], strict=True):
                out[name][rows] = values
            ratio[rows] = made[5] / np.maximum(free[rows], 1.0)
        if turn == 0:
            # the first turn's variances are the usual ones; what a vehicle shows beside them is its own
            times = own_spread(np.where(drives, ratio, 0.0), np.where(drives, free, 0.0))
    return _Known(
        **out,
        slow_variance=spread.slow * level**2 * np.maximum(times, 1.0),
        slow_days=spread.slow_days,
        daily=spread.daily * level**2 * times,
        stretches=told.good.sum(axis=1),
        alone=False,
    )


def _given(
    pace: Array,
    told: Stretches,
    rows: NDArray[np.intp],
    level: Array,
    prior: Array,
    prior_variance: Array,
    spread: Spread,
    times: Array,
) -> tuple[Array, ...]:
    """Return steady, slow, their variances and covariance given the stretches, and the misfit to the usual scatter."""
    good = told.good[rows]
    shape, with_slow = covariance(told, spread, rows, times)
    size = (level**2)[:, None, None]
    own = np.where(good[:, :, None] & good[:, None, :], shape * size, 0.0)
    diagonal = np.arange(good.shape[1])
    # a stretch that is not there says nothing
    own[:, diagonal, diagonal] += np.where(good, 0.0, 1.0)
    both = np.where(good[:, :, None] & good[:, None, :], prior_variance[:, None, None], 0.0)
    reach = np.stack([np.where(good, prior_variance[:, None], 0.0), with_slow * size[:, :, 0]], axis=2)
    rest = np.where(good, pace - prior[:, None], 0.0)
    solved = np.linalg.solve(own + both, np.concatenate([reach, rest[:, :, None]], axis=2))
    mean = reach.swapaxes(1, 2) @ solved[:, :, 2:]
    taken = reach.swapaxes(1, 2) @ solved[:, :, :2]
    # misfit about the vehicle's own mean, by the usual scatter alone
    ones = good.astype(np.float64)[:, :, None]
    plain = np.linalg.solve(own, np.concatenate([ones, rest[:, :, None]], axis=2))
    weight = (ones * plain[:, :, :1]).sum(axis=(1, 2))
    centre = (ones * plain[:, :, 1:]).sum(axis=(1, 2)) / np.maximum(weight, 1e-12)
    misfit = (rest[:, :, None] * plain[:, :, 1:]).sum(axis=(1, 2)) - weight * centre**2
    return (
        prior + mean[:, 0, 0],
        mean[:, 1, 0],
        np.maximum(prior_variance - taken[:, 0, 0], 0.0),
        -taken[:, 0, 1],
        np.maximum(spread.slow * np.maximum(times, 1.0) * level**2 - taken[:, 1, 1], 0.0),
        np.maximum(misfit, 0.0),
    )


def _answers(
    vehicles: list[str],
    logs: Logs,
    told: Stretches,
    known: _Known,
    season: Season,
    as_of: date,
    parked_days: int,
    day_of_year: float,
) -> dict[str, Usage | NoAnswer]:
    size = len(vehicles)
    there = logs.count > 0
    last = np.where(there, logs.first + logs.count - 1, 0)
    gap = np.where(there, logs.age(last), 0.0) if logs.key.size else np.zeros(size)
    at_last = logs.distance[last] if logs.key.size else np.zeros(size)
    parked = _parked(logs, there, gap, at_last, parked_days)
    steady = np.maximum(known.steady, 0.0)
    least = np.maximum(known.var_steady, (0.5 * LEAST_SPREAD / _Z * steady) ** 2)
    outlook = Outlook(
        steady, known.slow, least, known.cov, known.var_slow, known.slow_variance, np.full(size, known.slow_days),
        known.daily, season.cos, season.sin, day_of_year - gap,
    )  # fmt: skip
    # the pace of the coming year, whose season is its mean
    driven = outlook.distance(gap)[0]
    year, deviation = outlook.distance(gap + YEAR)
    pace = np.maximum(year - driven, 0.0) / YEAR
    with np.errstate(divide="ignore", invalid="ignore"):
        log_variance = np.log1p((deviation / year) ** 2)
        width = np.maximum(np.exp(_Z * np.sqrt(log_variance)), 1 + LEAST_SPREAD)
        middle = pace * np.exp(-0.5 * log_variance)
        low, high = np.minimum(middle / width, pace), np.maximum(middle * width, pace)
    columns = [values.tolist() for values in (pace, low, high, driven, gap, at_last, parked, there, logs.count)]
    parts = [np.broadcast_to(getattr(outlook, name), (size,)).tolist() for name in Outlook.__slots__]
    counts, swings = known.stretches.tolist(), season.shown.tolist()
    span = np.where(told.good, told.early, 0.0).max(axis=1, initial=0.0) - gap
    found: dict[str, Usage | NoAnswer] = {}
    for k, (middle, slowest, fastest, more, days, distance, still, any_reading, readings) in enumerate(
        zip(*columns, strict=True)
    ):
        if not any_reading:
            found[vehicles[k]] = NoAnswer(_("no believable odometer reading up to {day}", day=as_of.isoformat()))
            continue
        if middle != middle:
            found[vehicles[k]] = NoAnswer(
                _("the odometer readings lie less than 30 days apart, and no other vehicle tells its usage")
            )
            continue
        found[vehicles[k]] = Usage(
            as_of=as_of,
            km_per_day=0.0 if still else middle,
            km_per_day_low=0.0 if still else slowest,
            km_per_day_high=fastest,
            distance_now_km=distance if still else distance + more,
            last_day=as_of - timedelta(days=int(days)),
            last_distance_km=distance,
            parked=bool(still),
            readings=readings,
            basis=_("no distance in {n} days", n=parked_days)
            if still
            else _basis(counts[k], float(span[k]), swings[k]),
            outlook=Outlook(0.0) if still else Outlook(*(part[k] for part in parts)),
        )
    return found


def _parked(logs: Logs, there: NDArray[np.bool_], gap: Array, at_last: Array, days: int) -> NDArray[np.bool_]:
    """Whether the readings show a standstill over `days` up to the last one, seen not longer ago than that."""
    vehicle = np.flatnonzero(there & (gap <= days))
    parked = np.zeros(there.size, dtype=np.bool_)
    if vehicle.size:
        before = logs.at_or_before(gap[vehicle] + days, vehicle)
        stood = at_last[vehicle] - logs.distance[np.maximum(before, 0)] <= PARKED_KM
        parked[vehicle] = (before >= 0) & stood
    return parked


def _basis(count: int, days: float, swings: bool) -> str:
    months = max(round(days / 30.4), 1)
    if count == 0:
        basis = _("what its depot and family drive: its own readings lie less than 30 days apart")
    elif count < 4:
        basis = _n(
            "its own odometer over {n} month, and what its depot and family drive",
            "its own odometer over {n} months, and what its depot and family drive",
            months,
        )
    else:
        basis = _n("its own odometer over {n} month", "its own odometer over {n} months", months)
    return _("{basis}, with its season", basis=basis) if swings else basis


def _weighted_median(values: Array, weights: Array) -> Array:
    """Return the weighted median along the second axis, (V,)."""
    order = np.argsort(values, axis=1)
    heavy = np.cumsum(np.take_along_axis(weights, order, axis=1), axis=1)
    at = (heavy >= 0.5 * heavy[:, -1:]).argmax(axis=1)
    told: Array = np.take_along_axis(np.take_along_axis(values, order, axis=1), at[:, None], axis=1)[:, 0]
    return told


def _numbered(family: Sequence[str] | None, depot: Sequence[str] | None, size: int) -> tuple[Ints, Ints]:
    """Return numbers of the families and, finer, of the depots within them."""
    families = list(family) if family is not None else [""] * size
    depots = list(depot) if depot is not None else [""] * size
    if not len(families) == len(depots) == size:
        raise InputError("every vehicle needs its family and depot")
    both = list(zip(families, depots, strict=True))
    first = {name: number for number, name in enumerate(sorted(set(families)))}
    second = {name: number for number, name in enumerate(sorted(set(both)))}
    return (
        np.array([first[name] for name in families], dtype=np.int64),
        np.array([second[name] for name in both], dtype=np.int64),
    )

"""Forecasts of a group's parts by the wear model: level today, next reading, rate, and when a limit is crossed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np

from pipelines.steps.fleet_today import FleetToday
from pipelines.steps.forecast_rows import PartAhead, forecast_row
from pipelines.steps.group_rows import Floats, Ints
from pipelines.steps.life_limits import life_limits
from pipelines.steps.part_limits import NONE, PartLimit
from pipelines.steps.wear_learn import METHOD, Learned
from wearlab.forecast.calendar import CalendarForecast, Standing, calendar_forecasts, day_law
from wearlab.forecast.grid_law import passage_law
from wearlab.forecast.next_reading import reading_chance
from wearlab.language import _
from wearlab.lives.odometer import day_number, day_of
from wearlab.lives.usage import Usage
from wearlab.records import Bound, NoAnswer
from wearlab.wear.line import Interval
from wearlab.wear.mixture import Mixture, interval, quantiles
from wearlab.wear.results import Parts, WearFit

#: coverage of level, next reading and rate
LEVEL_COVERAGE = 0.9

_BOUND = {0: None, 1: str(Bound.AT_LEAST), -1: str(Bound.AT_MOST)}


@dataclass(frozen=True, slots=True, eq=False)
class Today:
    """Where K lives stand today; exposures and distances in km, NaN where unknown.

    `exposure` is today's (that of the last test where the vehicle's pace is not known), `offset` true distance less
    exposure, `shown` what the meter shows at `exposure`, `age` the days since the last reading that was fitted.
    """

    exposure: Floats
    offset: Floats
    shown: Floats
    age: Floats


def wear_forecasts(found: Learned, fleet: FleetToday) -> list[dict[str, Any]]:
    """Rows of the forecast table for every seated life that the model answers for, one a limit."""
    life = answered(found)
    if isinstance(found.fit, NoAnswer) or found.parts is None or not life.size:
        return []
    today = _today(found, life, fleet)
    limits = _part_limits(found, life, fleet)
    index = [k for k, several in enumerate(limits) for _ in several]
    flat = [limit for several in limits for limit in several]
    told = _Told.of(found, found.fit, found.parts, life, today)
    place = found.place[life]
    plans = fleet.plans
    standing = Standing(
        exposure_now=today.exposure[index],
        shown_now=today.shown[index],
        usage=[fleet.pace(told.vehicle[k]) for k in index],
        start_days=today.age[index],
        next_visit=[plans.next_visit.get(told.vehicle[k]) for k in index],
        leaves_on=[plans.leaves_on.get(told.vehicle[k]) for k in index],
    )
    days = np.array([fleet.days_to_test(told.vehicle[k], float(today.age[k])) for k in index])
    forecasts = _forecasts(found.fit.mixture(), place[index], flat, standing, days, fleet)
    exposure, offset, shown = today.exposure.tolist(), today.offset.tolist(), today.shown.tolist()
    group = found.group
    rows = []
    for k, limit, forecast in zip(index, flat, forecasts, strict=True):
        part = PartAhead(
            vehicle=told.vehicle[k],
            position=told.position[k],
            part=told.part[k],
            measure=group.measure,
            protocol=group.protocol,
            unit=group.unit,
            limit=limit,
            level=_interval(told.level[k]),
            level_now=_interval(told.level_now[k]),
            next_now=_interval(told.next_now[k]),
            rate=_interval(told.rate[k]),
            forecast=forecast,
            exposure_now=exposure[k],
            offset_km=offset[k],
            shown_km=shown[k],
            readings=told.readings[k],
            fitted=told.fitted[k],
            last_test=told.last_test[k],
            last_used=told.judged_day[k],
            last_level=told.judged_level[k],
            last_bound=_BOUND[told.judged_bound[k]],
            method=METHOD,
            silent=None,
        )
        rows.append(forecast_row(part, fleet))
    return rows


def answered(found: Learned) -> Ints:
    """Places of the seated lives that the model answers for."""
    if found.parts is None:
        return np.zeros(0, dtype=np.int64)
    silent = np.array([reason is not None for reason in found.parts.no_answer], dtype=np.bool_)
    told = (found.place >= 0) & ~silent[np.maximum(found.place, 0)]
    return np.flatnonzero(told & found.group.lives.seated).astype(np.int64)


@dataclass(frozen=True, slots=True)
class _Told:
    """What the rows need of K lives, as plain values; intervals are [middle, low, high]."""

    vehicle: list[str]
    position: list[str]
    part: list[str]
    level: list[list[float]]
    level_now: list[list[float]]
    next_now: list[list[float]]
    rate: list[list[float]]
    readings: list[int]
    fitted: list[int]
    last_test: list[date]
    judged_day: list[date]
    judged_level: list[float]
    judged_bound: list[int]

    @classmethod
    def of(cls, found: Learned, fit: WearFit, parts: Parts, life: Ints, today: Today) -> _Told:
        rows, lives = found.group.rows, found.group.lives
        place = found.place[life]
        mixture = fit.mixture()
        at = np.array(parts.last_exposure, dtype=np.float64)
        at[place] = np.where(np.isfinite(today.exposure), today.exposure, at[place])
        ahead = [component.ahead(at) for component in mixture.components]
        means, variances = np.stack([one[0] for one in ahead]), np.stack([one[1] for one in ahead])
        noise = np.stack([component.noise for component in mixture.components])
        chances = interval(LEVEL_COVERAGE)
        judged = _last_judged(found)[life]

        def side(*names: str) -> list[list[float]]:
            return _lists(np.stack([np.asarray(getattr(parts, name), dtype=np.float64)[place] for name in names]))

        return cls(
            vehicle=rows.vehicles[lives.vehicle[life]].tolist(),
            position=lives.seat[life].tolist(),
            part=lives.part[life].tolist(),
            level=side("level", "level_low", "level_high"),
            level_now=_lists(quantiles(mixture, means[:, place], variances[:, place], chances)),
            next_now=_lists(quantiles(mixture, means[:, place], (variances + noise)[:, place], chances)),
            rate=side("rate", "rate_low", "rate_high"),
            readings=np.bincount(rows.life, minlength=len(lives))[life].tolist(),
            fitted=np.asarray(parts.readings, dtype=np.int64)[place].tolist(),
            last_test=_dates(rows.day[lives.last[life]]),
            judged_day=_dates(rows.day[judged]),
            judged_level=rows.level[judged].tolist(),
            judged_bound=rows.bound[judged].tolist(),
        )


def _lists(values: Floats) -> list[list[float]]:
    """Rows (3, K) as K lists."""
    out: list[list[float]] = values.T.tolist()
    return out


def _interval(ends: list[float]) -> Interval:
    middle, low, high = ends
    return Interval(middle, low, high, LEVEL_COVERAGE)


def _dates(day: Ints) -> list[date]:
    return [day_of(number) for number in day.tolist()]


def _last_judged(found: Learned) -> Ints:
    """Place of each life's last reading that a limit may be held against: inside its conditions, the supply seen."""
    group = found.group
    last = group.lives.last.copy()
    good = np.flatnonzero(~group.outside & ~group.unsupplied)
    last[group.rows.life[good]] = good
    return last


def _today(found: Learned, life: Ints, fleet: FleetToday) -> Today:
    rows, lives, fitted = found.group.rows, found.group.lives, found.group.fitted
    newest = np.full(len(lives), -1, dtype=np.int64)
    newest[rows.life[fitted]] = fitted  # readings of a life come in the order of time: the last one stays
    newest = newest[life]
    offset = rows.distance_km[newest] - rows.exposure_km[newest]
    distance = rows.distance_km[newest]
    meter_of, now_of = np.full(rows.vehicles.size, np.nan), np.full(rows.vehicles.size, np.nan)
    for code, name in enumerate(rows.vehicles.tolist()):
        pace = fleet.pace(name)
        meter_of[code] = fleet.meter_offset_km(name)
        if isinstance(pace, Usage):
            now_of[code] = pace.distance_now_km
    vehicle = lives.vehicle[life]
    shift, now = meter_of[vehicle], now_of[vehicle]
    distance = np.where(np.isfinite(now), now, distance)
    exposure = np.where(np.isnan(shift), np.nan, distance - offset)
    age = np.asarray(day_number(fleet.as_of) - rows.day[newest], dtype=np.float64)
    return Today(exposure, offset, distance - shift, age)


def _part_limits(found: Learned, life: Ints, fleet: FleetToday) -> list[list[PartLimit]]:
    """The limits that each life's own level can cross; `NONE` alone where no rule speaks for it."""
    limits: list[list[PartLimit]] = [[] for _ in range(life.size)]
    for rule, level, speaks in life_limits(found.group, fleet.settings):
        limit = PartLimit(rule, fleet.versions[rule.name, rule.valid_from], level, rule.direction)
        for k in np.flatnonzero(speaks[life]):
            limits[k].append(limit)
    return [several or [NONE] for several in limits]


def _forecasts(
    mixture: Mixture, place: Ints, limits: list[PartLimit], standing: Standing, days: Floats, fleet: FleetToday
) -> list[CalendarForecast]:
    level = np.array([np.nan if limit.level is None else limit.level for limit in limits], dtype=np.float64)
    side = np.array([1.0 if limit.direction == "above" else -1.0 for limit in limits])
    silent = CalendarForecast(no_answer=_("no limit is configured for this measure and protocol"))
    told = [silent] * len(limits)
    asked = np.flatnonzero(np.isfinite(level))
    if not asked.size:
        return told
    place, level, side = place[asked], level[asked], side[asked]
    own = _those(standing, asked.tolist())
    law = passage_law(mixture, place, level, side)
    by_day = day_law(law, own)
    driven, spread = by_day.travel.driven(days[asked], np.arange(asked.size))
    reads = reading_chance(mixture, place, level, side, by_day.travel.at_last, driven=driven, spread=spread)
    found = calendar_forecasts(law, replace(own, reading_past=reads), fleet.as_of, fleet.settings.horizons)
    for k, forecast in zip(asked.tolist(), found, strict=True):
        told[k] = forecast
    return told


def _those(standing: Standing, rows: Sequence[int]) -> Standing:
    return Standing(
        exposure_now=standing.exposure_now[rows],
        shown_now=standing.shown_now[rows],
        usage=[standing.usage[k] for k in rows],
        start_days=None if standing.start_days is None else standing.start_days[rows],
        next_visit=None if standing.next_visit is None else [standing.next_visit[k] for k in rows],
        leaves_on=None if standing.leaves_on is None else [standing.leaves_on[k] for k in rows],
    )

"""Forecasts of a group's parts by the wear model: level today, next reading, rate, and when a limit is crossed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipelines.steps.forecast_rows import PartAhead, forecast_row
from pipelines.steps.group_rows import Floats, Ints
from pipelines.steps.lives import MeterHistory
from pipelines.steps.part_limits import NONE, PartLimit
from pipelines.steps.wear_learn import METHOD, Learned
from wearlab.config import LimitRule, Settings
from wearlab.forecast.crossing import COVERAGE
from wearlab.forecast.passage import passage
from wearlab.lives.usage import Usage
from wearlab.records import LEVEL_UNIT, Bound, Measure, NoAnswer
from wearlab.study.limit_conditions import SAME_WITHIN
from wearlab.units import to_base, unit
from wearlab.wear.line import Crossing, Interval
from wearlab.wear.mixture import Mixture, interval, quantiles
from wearlab.wear.results import Parts, WearFit

#: coverage of level, next reading and rate
LEVEL_COVERAGE = 0.9

_BOUND = {0: None, 1: str(Bound.AT_LEAST), -1: str(Bound.AT_MOST)}

_EPOCH = date(1970, 1, 1)


@dataclass(frozen=True, slots=True, eq=False)
class Today:
    """Where K lives stand today; exposures and distances in km, NaN where unknown.

    `exposure` is today's (that of the last test where the vehicle's pace is not known), `first` that of the life's
    first reading, `offset` true distance less exposure, `shown` what the meter shows at `exposure`.
    """

    exposure: Floats
    first: Floats
    offset: Floats
    shown: Floats


def wear_forecasts(
    found: Learned,
    versions: dict[tuple[str, date | None], int],
    meters: dict[str, MeterHistory],
    paces: dict[str, Usage | NoAnswer],
    settings: Settings,
    as_of: date,
) -> list[dict[str, Any]]:
    """Rows of the forecast table for every seated life that the model answers for, one a limit."""
    life = answered(found)
    if isinstance(found.fit, NoAnswer) or found.parts is None or not life.size:
        return []
    today = _today(found, life, meters, paces)
    limits = part_rules(found, life, versions, settings)
    index = [k for k, several in enumerate(limits) for _ in several]
    flat = [limit for several in limits for limit in several]
    told = _Told.of(found, found.fit, found.parts, life, today)
    place = found.place[life]
    crossings = _crossings(found.fit.mixture(), place[index], flat, today.exposure[index])
    exposure, first = today.exposure.tolist(), today.first.tolist()
    offset, shown = today.offset.tolist(), today.shown.tolist()
    group = found.group
    silent = NoAnswer("no odometer was recorded")
    rows = []
    for k, limit, crossing in zip(index, flat, crossings, strict=True):
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
            crossing=crossing,
            exposure_now=exposure[k],
            exposure_first=first[k],
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
        rows.append(forecast_row(part, paces.get(told.vehicle[k], silent), settings, as_of))
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
    return [_EPOCH + timedelta(days=number) for number in day.tolist()]


def _last_judged(found: Learned) -> Ints:
    """Place of each life's last reading that a limit may be held against: inside its conditions, the supply seen."""
    group = found.group
    last = group.lives.last.copy()
    good = np.flatnonzero(~group.outside & ~group.unsupplied)
    last[group.rows.life[good]] = good
    return last


def _today(found: Learned, life: Ints, meters: dict[str, MeterHistory], paces: dict[str, Usage | NoAnswer]) -> Today:
    rows, lives, fitted = found.group.rows, found.group.lives, found.group.fitted
    size = len(lives)
    newest, oldest = np.full(size, -1, dtype=np.int64), np.full(size, -1, dtype=np.int64)
    newest[rows.life[fitted]] = fitted  # readings of a life come in the order of time: the last one stays
    oldest[rows.life[fitted[::-1]]] = fitted[::-1]
    newest, oldest = newest[life], oldest[life]
    offset = rows.distance_km[newest] - rows.exposure_km[newest]
    distance = rows.distance_km[newest]
    meter_of, now_of = np.full(rows.vehicles.size, np.nan), np.full(rows.vehicles.size, np.nan)
    for code, name in enumerate(rows.vehicles.tolist()):
        meter, pace = meters.get(name), paces.get(name)
        if meter is not None:
            meter_of[code] = meter.distance.meter_offset_km
        if isinstance(pace, Usage):
            now_of[code] = pace.distance_now_km
    vehicle = lives.vehicle[life]
    shift, now = meter_of[vehicle], now_of[vehicle]
    distance = np.where(np.isfinite(now), now, distance)
    exposure = np.where(np.isnan(shift), np.nan, distance - offset)
    return Today(exposure, np.maximum(rows.exposure_km[oldest], 0.0), offset, distance - shift)


def part_rules(
    found: Learned, life: Ints, versions: dict[tuple[str, date | None], int], settings: Settings
) -> list[list[PartLimit]]:
    """The limits that each life's own level can cross; `NONE` alone where no rule speaks for it."""
    group = found.group
    limits: list[list[PartLimit]] = [[] for _ in range(life.size)]
    duration = group.rows.conditions["duration_s"][group.lives.last[life]]
    number = group.lives.part_number[life]
    family = group.family[life]
    for rule in group.rules:
        level = limit_level(rule, group.measure)
        if level is None:
            continue
        speaks: NDArray[np.bool_] = np.ones(life.size, dtype=np.bool_)
        if rule.family is not None:
            speaks &= family == rule.family
        if rule.part_number is not None:
            speaks &= (number == rule.part_number) | (number == "")
        if rule.cylinders is not None:
            known = {name: entry.cylinders for name, entry in settings.families.items()}
            speaks &= np.array([known.get(str(name)) in (None, rule.cylinders) for name in family], dtype=np.bool_)
        if rule.over_s is not None:
            speaks &= np.abs(duration - rule.over_s) <= SAME_WITHIN * rule.over_s * (1.0 + 1e-9)
        limit = PartLimit(rule, versions[rule.name, rule.valid_from], level, rule.direction)
        for k in np.flatnonzero(speaks):
            limits[k].append(limit)
    return [several or [NONE] for several in limits]


def limit_level(rule: LimitRule, measure: str) -> float | None:
    """A rule's limit in the level unit of its measure."""
    if rule.value is None or rule.unit is None:
        return None
    if rule.over_s is None:
        return to_base(rule.value, rule.unit, unit(LEVEL_UNIT[Measure(measure)]).quantity)
    return to_base(rule.value, rule.unit, "volume") * 60.0 / rule.over_s


def _crossings(
    mixture: Mixture, place: Ints, limits: list[PartLimit], exposure_now: Floats
) -> list[Crossing | NoAnswer]:
    level = np.array([np.nan if limit.level is None else limit.level for limit in limits], dtype=np.float64)
    side = np.array([1.0 if limit.direction == "above" else -1.0 for limit in limits])
    told: list[Crossing | NoAnswer] = [NoAnswer("no limit is configured for this measure and protocol")] * len(limits)
    asked = np.flatnonzero(np.isfinite(level))
    if not asked.size:
        return told
    tail = (1.0 - COVERAGE) / 2
    found = passage(mixture, place[asked], level[asked], side[asked], exposure_now[asked], (tail, 0.5, 1.0 - tail))
    for k, (low, point, high) in zip(asked.tolist(), found.quantiles.T.tolist(), strict=True):
        told[k] = (
            Crossing(point, low, high, COVERAGE) if low == low else NoAnswer("the level of this part is not known")
        )
    return told

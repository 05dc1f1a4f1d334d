"""Series of the store as series of a chart: readings with their doubts, level and forecast, the limit."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipelines.steps.series import LifeSeries, SeriesPoint
from pipelines.steps.wear_told import LifeKey, WearTold
from wearlab.charts.series import GROSS, LINE, MODEL, Forecast, Level, Limit, Point, Series
from wearlab.config import Settings
from wearlab.language import msg
from wearlab.limit_settings import LimitRule
from wearlab.records import LEVEL_UNIT, Measure
from wearlab.wear.line import LineFit, fit_line

Array = NDArray[np.float64]

#: how many places a drawn line is sampled at
_SAMPLES = 20

#: coverage of a forecast fan, and what of a 90 % half width it is (normal quantiles 1.2816 and 1.6449)
_FAN = 0.8
_OF_NINETY = 1.2816 / 1.6449

#: a crossing nearer to the last test than this share of the history would stand the fan's edge upright
_NEAR = 0.03

#: why a reading has no part in the level
OUTSIDE = msg("outside the range of correction")
LEFT_OUT = msg("left out of the fit")


def chart_series(
    found: Sequence[LifeSeries], forecasts: Sequence[dict[str, Any]], settings: Settings, wear: WearTold
) -> tuple[Series, ...]:
    """Every series of one vehicle, joined with what the wear model and the forecast say of it.

    Of several limits the one that is crossed first; a limit on a ratio or a change has no place among the levels.
    """
    told: dict[tuple[str, str, str], dict[str, Any]] = {}
    for item in forecasts:
        if item["unit"] == LEVEL_UNIT[Measure(item["measure"])]:
            told.setdefault((item["part"], item["measure"], item["protocol"]), item)
    return tuple(
        _one(series, told.get((series.part, series.measure, series.protocol)), settings, wear) for series in found
    )


def life_key(series: LifeSeries) -> LifeKey:
    """The key of a series among what the wear model told."""
    return series.part, series.life, series.measure, series.protocol


def _one(series: LifeSeries, item: dict[str, Any] | None, settings: Settings, wear: WearTold) -> Series:
    item = item if series.current else None
    rule = None if item is None else next((rule for rule in settings.limits if rule.name == item["rule"]), None)
    state = wear.states.get(life_key(series))
    level = _path(series, wear)
    ahead = None if level is None or item is None else _fan(level, item)
    if level is None and (item is None or item["level"] is not None):
        level, ahead = _line(series, rule, item)
    return Series(
        measure=series.measure,
        protocol=series.protocol,
        unit=LEVEL_UNIT[Measure(series.measure)],
        position=series.position,
        part=series.part,
        points=tuple(map(_point, series.points, doubts(series, wear))),
        level=level,
        ahead=ahead,
        reference="" if state is None or level is None or level.method == LINE else state["reference"],
        forecast=_forecast(item),
        limit=None
        if item is None or item["limit"] is None
        else Limit(item["rule"], item["limit"], item["direction"], item["limit_version"], rule.source if rule else ""),
        state=None if item is None else item["state"],
        no_answer=None if item is None else item["no_answer"],
        current=series.current,
    )


def _point(point: SeriesPoint, doubt: str) -> Point:
    return Point(
        day=point.day,
        level=point.level,
        distance_km=point.distance_km,
        odometer_km=point.odometer_km,
        bound=point.bound,
        resolution=point.resolution,
        quality=point.quality,
        used=point.used,
        doubt=doubt,
    )


def doubts(series: LifeSeries, wear: WearTold) -> tuple[str, ...]:
    """Why each reading of a series has little or no part in its level; empty words where it has.

    A day without a level in the life's path had no reading in the fit.
    """
    key = life_key(series)
    state = wear.states.get(key)
    if state is None:
        return ("",) * len(series.points)
    gross = {(one.tested_on, one.level, one.bound) for one in wear.gross.get(key, ())}
    fitted = {row["tested_on"] for row in wear.paths.get(key, ())}
    silent = sum(point.used and point.day not in fitted for point in series.points)
    other = OUTSIDE if state["outside"] >= silent else LEFT_OUT
    return tuple(
        GROSS
        if (point.day, point.level, point.bound) in gross
        else other
        if point.used and point.day not in fitted
        else ""
        for point in series.points
    )


def _path(series: LifeSeries, wear: WearTold) -> Level | None:
    """The smoothed level at the days tested on this vehicle; None where no distance is known."""
    days = {point.day for point in series.points}
    rows: dict[float, dict[str, Any]] = {}
    for row in wear.paths.get(life_key(series), ()):
        # an interval without an end, as the reciprocal may have, cannot be drawn
        told = (row["distance_km"], row["level"], row["low"], row["high"])
        if row["tested_on"] in days and None not in told:
            rows[row["distance_km"]] = row
    if not rows:
        return None
    places = sorted(rows)
    return Level(
        distance_km=tuple(places),
        level=tuple(rows[place]["level"] for place in places),
        low=tuple(rows[place]["low"] for place in places),
        high=tuple(rows[place]["high"] for place in places),
    )


def _fan(level: Level, item: dict[str, Any]) -> Level | None:
    """The forecast from the last test on: straight to where level and limit meet.

    The edge nearer the limit meets it at the 10 % distance, the middle at the 50 %, the far edge at the 90 %
    one; where such a point is behind, at hand or never comes, that line runs on by the rate and its interval.
    """
    if item["limit"] is None or item["rate"] is None:
        return None
    start, sign = level.distance_km[-1], 1.0 if item["direction"] == "above" else -1.0
    near, far = (level.high, level.low) if sign > 0 else (level.low, level.high)
    now = level.level[-1]
    steep, flat = (item["rate_high"], item["rate_low"]) if sign > 0 else (item["rate_low"], item["rate_high"])
    lines = (
        (now + _OF_NINETY * (near[-1] - now), steep, item["distance_p10"]),
        (now, item["rate"], item["distance_p50"]),
        (now + _OF_NINETY * (far[-1] - now), flat, item["distance_p90"]),
    )
    reach = [place for _, _, place in lines if place is not None and place > start]
    history = max(start - level.distance_km[0], 12_000.0)
    end = min(1.02 * max(reach, default=start + history) - 0.02 * start, start + history)
    places = np.linspace(start, end, 6)
    drawn = []
    for begin, rate, meets in lines:
        slope = (item["rate"] + _OF_NINETY * (rate - item["rate"])) / 10_000.0
        if meets is not None and meets > start + _NEAR * history and sign * (item["limit"] - begin) > 0:
            slope = (item["limit"] - begin) / (meets - start)
        drawn.append(begin + slope * (places - start))
    low, middle, high = np.sort(np.array(drawn), axis=0)
    return _drawn(places, middle, low, high, coverage=_FAN)


def _drawn(km: Array, level: Array, low: Array, high: Array, coverage: float = 0.9, method: str = MODEL) -> Level:
    told = [tuple(float(value) for value in values) for values in (km, level, low, high)]
    return Level(told[0], told[1], told[2], told[3], coverage, method)


def _line(series: LifeSeries, rule: LimitRule | None, item: dict[str, Any] | None) -> tuple[Level | None, Level | None]:
    """The straight line of a life that the wear model has no answer for: through its tests, and ahead of them."""
    trend = series.trend(rule)
    fit = fit_line(trend.exposure_km, trend.level, resolution=trend.resolution)
    offset = series.offset_km
    if not isinstance(fit, LineFit) or not isfinite(offset):
        return None, None
    start, end = trend.exposure_km[0], trend.exposure_km[-1]

    def drawn(first: float, last: float, samples: int) -> Level:
        places = np.linspace(first, last, samples)
        return _drawn(places + offset, *fit.band(places), method=LINE)

    ahead = None
    if item is not None and item["distance_p50"] is not None:
        reach = item["distance_p90"] if item["distance_p90"] is not None else item["distance_p50"]
        # a late side far ahead would squeeze the history into a corner
        until = min(1.05 * (reach - offset) - 0.05 * start, end + (end - start))
        ahead = drawn(end, until, 6) if until > end else None
    return drawn(start, end, _SAMPLES), ahead


def _forecast(item: dict[str, Any] | None) -> Forecast | None:
    if item is None or (item["date_p50"] is None and item["date_p10"] is None):
        return None
    return Forecast(
        date_p10=item["date_p10"],
        date_p50=item["date_p50"],
        date_p90=item["date_p90"],
        distance_p10_km=item["distance_p10"],
        distance_p50_km=item["distance_p50"],
        distance_p90_km=item["distance_p90"],
    )

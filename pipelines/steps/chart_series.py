"""Series of the store as series of a chart: points, the fitted line, the limit and the forecast."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import Any

import numpy as np

from pipelines.steps.series import LifeSeries
from wearlab.charts.series import Forecast, Limit, Line, Point, Series
from wearlab.config import LimitRule, Settings
from wearlab.records import LEVEL_UNIT, Measure
from wearlab.wear.line import LineFit, fit_line

#: how many places a drawn line is sampled at
_SAMPLES = 20


def chart_series(
    found: Sequence[LifeSeries], forecasts: Sequence[dict[str, Any]], settings: Settings
) -> tuple[Series, ...]:
    """Every series of one vehicle, joined with its forecast where there is one."""
    told: dict[tuple[str, str, str], dict[str, Any]] = {}
    for item in forecasts:
        told.setdefault((item["part"], item["measure"], item["protocol"]), item)
    return tuple(_one(series, told.get((series.part, series.measure, series.protocol)), settings) for series in found)


def _one(series: LifeSeries, item: dict[str, Any] | None, settings: Settings) -> Series:
    item = item if series.current else None
    rule = None if item is None else _rule(settings, item["rule"])
    return Series(
        measure=series.measure,
        protocol=series.protocol,
        unit=LEVEL_UNIT[Measure(series.measure)],
        position=series.position,
        part=series.part,
        points=tuple(
            Point(
                day=point.day,
                level=point.level,
                distance_km=point.distance_km,
                odometer_km=point.odometer_km,
                bound=point.bound,
                resolution=point.resolution,
                quality=point.quality,
                used=point.used,
            )
            for point in series.points
        ),
        line=_line(series, rule, item),
        forecast=_forecast(item),
        limit=None
        if item is None or item["limit"] is None
        else Limit(item["rule"], item["limit"], item["direction"], item["limit_version"], rule.source if rule else ""),
        state=None if item is None else item["state"],
        no_answer=None if item is None else item["no_answer"],
        current=series.current,
    )


def _rule(settings: Settings, name: str | None) -> LimitRule | None:
    return next((rule for rule in settings.limits if rule.name == name), None)


def _line(series: LifeSeries, rule: LimitRule | None, item: dict[str, Any] | None) -> Line | None:
    trend = series.trend(rule)
    fit = fit_line(trend.exposure_km, trend.level, resolution=trend.resolution)
    offset = series.offset_km
    if not isinstance(fit, LineFit) or not isfinite(offset):
        return None
    start, end = trend.exposure_km[0], trend.exposure_km[-1]
    if item is not None and item["distance_p50"] is not None:
        reach = item["distance_p90"] if item["distance_p90"] is not None else item["distance_p50"]
        # a late side far ahead would squeeze the history into a corner
        end = max(end, min(1.05 * (reach - offset) - 0.05 * start, end + (end - start)))
    places = np.linspace(start, end, _SAMPLES)
    level, low, high = fit.band(places)
    return Line(
        distance_km=tuple(float(place + offset) for place in places),
        level=tuple(map(float, level)),
        low=tuple(map(float, low)),
        high=tuple(map(float, high)),
    )


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

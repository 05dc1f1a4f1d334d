"""Forecasts by the line of each part, where the wear model has no answer."""

from __future__ import annotations

from datetime import date
from math import isfinite
from typing import Any

from pipelines.steps.forecast_rows import PartAhead, forecast_row
from pipelines.steps.lives import MeterHistory
from pipelines.steps.part_limits import PartLimit, part_limits
from pipelines.steps.series import LifeSeries, Trend
from wearlab.config import Settings
from wearlab.forecast.crossing import exposure_crossing
from wearlab.lives.usage import Usage
from wearlab.records import LEVEL_UNIT, Measure, NoAnswer
from wearlab.wear.line import Interval, LineFit, fit_line

#: word of the forecast table for this way
METHOD = "line"

#: rates are told over this distance
RATE_KM = 10_000.0


def line_forecasts(
    series: LifeSeries,
    family: str | None,
    versions: dict[tuple[str, date | None], int],
    meter: MeterHistory | None,
    pace: Usage | NoAnswer,
    settings: Settings,
    as_of: date,
    silent: str | None = None,
) -> list[dict[str, Any]]:
    """One row of the forecast table a limit; `silent` says why the wear model has no answer."""
    return [
        forecast_row(_ahead(series, limit, meter, pace, silent), pace, settings, as_of)
        for limit in part_limits(settings, versions, series, family, as_of)
    ]


def _ahead(
    series: LifeSeries, limit: PartLimit, meter: MeterHistory | None, pace: Usage | NoAnswer, silent: str | None
) -> PartAhead:
    trend = series.trend(limit.rule)
    fit = fit_line(trend.exposure_km, trend.level, resolution=trend.resolution)
    if isinstance(fit, NoAnswer):
        fit = NoAnswer((silent or fit.reason) + trend.why_few())
    exposure, shown = _now(series, trend, pace, meter)
    level = now = ahead = rate = None
    if isinstance(fit, LineFit):
        level = fit.level(_last(trend))
        place = exposure if isfinite(exposure) else _last(trend)
        now, ahead = fit.level(place), fit.next_reading(place, resolution=trend.resolution)
        slope = fit.slope_interval()
        rate = Interval(slope.point * RATE_KM, slope.low * RATE_KM, slope.high * RATE_KM, slope.coverage)
    last = next((point for point in reversed(series.points) if point.used), None)
    return PartAhead(
        vehicle=series.vehicle,
        position=series.position,
        part=series.part,
        measure=series.measure,
        protocol=series.protocol,
        unit=LEVEL_UNIT[Measure(series.measure)],
        limit=limit,
        level=level,
        level_now=now,
        next_now=ahead,
        rate=rate,
        crossing=exposure_crossing(fit, limit.level, limit.direction),
        exposure_now=exposure,
        exposure_first=trend.exposure_km[0] if trend.exposure_km else 0.0,
        offset_km=series.offset_km,
        shown_km=shown,
        readings=sum(point.used for point in series.points),
        fitted=len(trend.level) if isinstance(fit, LineFit) else 0,
        last_test=series.last_test,
        last_used=None if last is None else last.day,
        last_level=None if last is None else last.level,
        last_bound=None if last is None else last.bound,
        method=METHOD,
        silent=fit.reason if isinstance(fit, NoAnswer) else None,
    )


def _now(series: LifeSeries, trend: Trend, pace: Usage | NoAnswer, meter: MeterHistory | None) -> tuple[float, float]:
    """Exposure of the part and what the meter shows: today when the pace is known, else at the last test."""
    offset = series.offset_km
    if meter is None or not isfinite(offset):
        return float("nan"), float("nan")
    distance = pace.distance_now_km if isinstance(pace, Usage) else _last(trend) + offset
    return distance - offset, meter.distance.shown(distance)


def _last(trend: Trend) -> float:
    return trend.exposure_km[-1] if trend.exposure_km else float("nan")

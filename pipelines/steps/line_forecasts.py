"""Forecasts by the line of each part, where the wear model has no answer."""

from __future__ import annotations

from math import isfinite
from typing import Any

from scipy.special import stdtr

from pipelines.steps.fleet_today import FleetToday
from pipelines.steps.forecast_rows import PartAhead, forecast_row
from pipelines.steps.part_limits import PartLimit, part_limits
from pipelines.steps.series import LifeSeries, Trend
from wearlab.forecast.calendar import CalendarForecast, on_calendar
from wearlab.forecast.crossing import COVERAGE, exposure_crossing
from wearlab.forecast.states import with_left_out
from wearlab.lives.usage import Usage
from wearlab.records import LEVEL_UNIT, Measure, NoAnswer
from wearlab.wear.line import Interval, LineFit, fit_line, t_quantile

#: word of the forecast table for this way
METHOD = "line"

#: rates are told over this distance
RATE_KM = 10_000.0


def line_forecasts(
    series: LifeSeries, family: str | None, fleet: FleetToday, silent: str | None = None
) -> list[dict[str, Any]]:
    """One row of the forecast table a limit; `silent` says why the wear model has no answer."""
    limits = part_limits(fleet.settings, fleet.versions, series, family, fleet.as_of)
    return [forecast_row(_ahead(series, limit, fleet, silent), fleet) for limit in limits]


def _ahead(series: LifeSeries, limit: PartLimit, fleet: FleetToday, silent: str | None) -> PartAhead:
    trend = series.trend(limit.rule)
    fit = fit_line(trend.exposure_km, trend.level, resolution=trend.resolution)
    if isinstance(fit, NoAnswer):
        fit = NoAnswer(with_left_out(silent or fit.reason, trend.left_out()))
    exposure, shown = _now(series, trend, fleet)
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
        forecast=_forecast(series, trend, fit, limit, (exposure, shown), fleet),
        exposure_now=exposure,
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


def _forecast(
    series: LifeSeries,
    trend: Trend,
    fit: LineFit | NoAnswer,
    limit: PartLimit,
    now: tuple[float, float],
    fleet: FleetToday,
) -> CalendarForecast:
    exposure, shown = now
    pace = fleet.pace(series.vehicle)
    crossing = exposure_crossing(fit, limit.level, limit.direction)
    if isinstance(crossing, NoAnswer):
        return CalendarForecast(no_answer=crossing.reason)
    reads = None
    if isinstance(pace, Usage) and isinstance(fit, LineFit) and limit.level is not None and isfinite(exposure):
        driven, _ = pace.ahead(fleet.days_to_test(series.vehicle, (fleet.as_of - series.last_test).days))
        ahead = fit.next_reading(exposure + driven, COVERAGE, resolution=trend.resolution)
        half = (ahead.high - ahead.low) / 2
        side = 1.0 if limit.direction == "above" else -1.0
        past = side * (ahead.point - limit.level) / half * t_quantile(fit.dof, COVERAGE) if half > 0 else 0.0
        reads = float(stdtr(fit.dof, past))
    return on_calendar(
        crossing,
        exposure,
        shown,
        pace,
        fleet.as_of,
        exposure_first_km=trend.exposure_km[0] if trend.exposure_km else 0.0,
        horizons=fleet.settings.horizons,
        next_visit=fleet.plans.next_visit.get(series.vehicle),
        leaves_on=fleet.plans.leaves_on.get(series.vehicle),
        reading_past=reads,
    )


def _now(series: LifeSeries, trend: Trend, fleet: FleetToday) -> tuple[float, float]:
    """Exposure of the part and what the meter shows: today when the pace is known, else at the last test."""
    offset, pace, meter = series.offset_km, fleet.pace(series.vehicle), fleet.meters.get(series.vehicle)
    if meter is None or not isfinite(offset):
        return float("nan"), float("nan")
    distance = pace.distance_now_km if isinstance(pace, Usage) else _last(trend) + offset
    return distance - offset, meter.distance.shown(distance)


def _last(trend: Trend) -> float:
    return trend.exposure_km[-1] if trend.exposure_km else float("nan")

"""Learn and forecast: a line per life, its crossing on distance and calendar, kept as a run."""

from __future__ import annotations

from datetime import UTC, date, datetime
from math import isfinite
from typing import Any

import numpy as np
import pandas as pd

from pipelines.steps.facts import facts_sha256
from pipelines.steps.lives import MeterHistory, lives_are_fresh, meter_histories, rebuild_lives
from pipelines.steps.part_limits import PartLimit, part_limits
from pipelines.steps.rules import record_rules
from pipelines.steps.series import LifeSeries, Trend, finite, life_series
from pipelines.workspace import Workspace
from wearlab import __version__
from wearlab.config import Settings
from wearlab.forecast.calendar import on_calendar
from wearlab.forecast.crossing import METHOD, exposure_crossing
from wearlab.forecast.states import PartEvidence, part_state, retest_by
from wearlab.lives.usage import Usage, usage
from wearlab.records import LEVEL_UNIT, Measure, NoAnswer, State
from wearlab.store.database import Database
from wearlab.store.queries import vehicles
from wearlab.wear.line import LineFit, fit_line

#: rates are told over this distance
RATE_KM = 10_000.0


def learn(db: Database, place: Workspace, as_of: date) -> list[dict[str, Any]]:
    """Run lives, lines and forecasts as of a day, store them as a run, and return the groups' rates."""
    settings = place.settings
    with db.transaction():
        versions = record_rules(db, settings)
        if not lives_are_fresh(db, settings):
            rebuild_lives(db, settings)
        known = {row["vehicle"]: row for row in vehicles(db, as_of)}
        meters = meter_histories(db)
        paces = vehicle_usage(meters, as_of)
        rows: list[dict[str, Any]] = []
        for series in life_series(db, as_of):
            if not series.current:
                continue
            family = known.get(series.vehicle, {}).get("family")
            for limit in part_limits(settings, versions, series, family, as_of):
                rows.append(_forecast(series, limit, meters, paces, settings, as_of))
        run = _new_run(db, place, as_of, "learn")
        for row in rows:
            row["run_id"] = run
        if rows:
            db.append(
                "forecast",
                pd.DataFrame([{k: v for k, v in r.items() if k[0] != "_"} for r in rows], dtype=object),
            )
    return _groups(rows, known)


def latest_run(db: Database, place: Workspace, as_of: date) -> int | None:
    """The newest run made of just these facts, settings and day; None when the forecasts are stale."""
    found = db.value(
        "SELECT max(run_id) FROM run WHERE step = 'learn' AND as_of = ? AND settings_sha256 = ? "
        "AND facts_sha256 = ? AND version = ?",
        [as_of, place.settings_sha256, facts_sha256(db), __version__],
    )
    return None if found is None else int(found)


def fresh_run(db: Database, place: Workspace, as_of: date) -> int:
    """The newest run, made now when there is none for these facts, settings and day."""
    run = latest_run(db, place, as_of)
    if run is None:
        learn(db, place, as_of)
        run = latest_run(db, place, as_of)
    if run is None:
        raise RuntimeError("a run just made was not found again")
    return run


def forecasts_of(db: Database, run: int) -> list[dict[str, Any]]:
    """A run's forecasts, soonest crossing first; what has no date comes after, by state."""
    return db.records(
        """
        SELECT * EXCLUDE (run_id) FROM forecast WHERE run_id = ?
        ORDER BY date_p50 NULLS LAST, date_p10 NULLS LAST, state, vehicle, position, measure, protocol
        """,
        [run],
    )


def current_forecasts(place: Workspace, as_of: date) -> list[dict[str, Any]]:
    """Forecasts as of a day, learned now when they are stale."""
    if place.store.exists():
        with place.open(read_only=True) as db:
            run = latest_run(db, place, as_of)
            if run is not None:
                return forecasts_of(db, run)
    with place.open() as db:
        return forecasts_of(db, fresh_run(db, place, as_of))


def vehicle_usage(meters: dict[str, MeterHistory], as_of: date) -> dict[str, Usage | NoAnswer]:
    """Every vehicle's pace as of a day."""
    return {name: usage(meter.days, meter.distance.distance_km, as_of) for name, meter in meters.items()}


def _new_run(db: Database, place: Workspace, as_of: date, step: str) -> int:
    run = int(db.value("SELECT nextval('run_ids')"))
    db.run(
        "INSERT INTO run VALUES (?, ?, ?, ?, ?, ?, ?)",
        [
            run,
            datetime.now(UTC).replace(tzinfo=None),
            as_of,
            step,
            place.settings_sha256,
            facts_sha256(db),
            __version__,
        ],
    )
    return run


def _forecast(
    series: LifeSeries,
    limit: PartLimit,
    meters: dict[str, MeterHistory],
    paces: dict[str, Usage | NoAnswer],
    settings: Settings,
    as_of: date,
) -> dict[str, Any]:
    """One row of the forecast table."""
    trend = series.trend(limit.rule)
    fit = fit_line(trend.exposure_km, trend.level, resolution=trend.resolution)
    if isinstance(fit, NoAnswer):
        fit = NoAnswer(fit.reason + trend.why_few())
    pace = paces.get(series.vehicle, NoAnswer("no odometer was recorded"))
    meter = meters.get(series.vehicle)
    offset = series.offset_km
    first = trend.exposure_km[0] if trend.exposure_km else 0.0
    exposure_now, shown_now = _now(series, trend, pace, meter)
    crossing = exposure_crossing(fit, limit.level, limit.direction)
    told = on_calendar(crossing, exposure_now, shown_now, pace, as_of, exposure_first_km=first)
    level = at_now = ahead = None
    if isinstance(fit, LineFit):
        level = fit.level(_last(trend))
        place = exposure_now if isfinite(exposure_now) else _last(trend)
        at_now, ahead = fit.level(place), fit.next_reading(place, resolution=trend.resolution)
    last = next((point for point in reversed(series.points) if point.used), None)
    answer = part_state(
        PartEvidence(
            limit=limit.level,
            direction=limit.direction,
            readings=sum(point.used for point in series.points),
            last_test=None if last is None else last.day,
            last_level=None if last is None else last.level,
            last_bound=None if last is None else last.bound,
            level=level,
            forecast=told,
        ),
        settings.horizons,
        as_of,
    )
    slope = fit.slope_interval() if isinstance(fit, LineFit) else None
    unit = LEVEL_UNIT[Measure(series.measure)]
    why = told.no_answer or (told.note or None if told.date_p50 is None else None)
    shift = shown_now - exposure_now if isfinite(exposure_now) else float("nan")
    return {
        "vehicle": series.vehicle,
        "position": series.position,
        "part": series.part,
        "measure": series.measure,
        "protocol": series.protocol,
        "unit": unit,
        "rule": None if limit.rule is None else limit.rule.name,
        "limit": limit.level,
        "limit_version": limit.version,
        "direction": None if limit.rule is None else limit.direction,
        "level": None if at_now is None else at_now.point,
        "level_low": None if at_now is None else at_now.low,
        "level_high": None if at_now is None else at_now.high,
        "next_low": None if ahead is None else ahead.low,
        "next_high": None if ahead is None else ahead.high,
        "rate": None if slope is None else slope.point * RATE_KM,
        "rate_low": None if slope is None else slope.low * RATE_KM,
        "rate_high": None if slope is None else slope.high * RATE_KM,
        "rate_unit": f"{unit} per 10,000 km",
        "state": answer.state,
        "cause": answer.cause,
        "readings": len(trend.level) if isinstance(fit, LineFit) else sum(p.used for p in series.points),
        "last_test": series.last_test,
        # a test that no limit waits for is not asked for again
        "retest_by": None
        if answer.state == State.NO_LIMIT
        else retest_by(
            None if last is None else last.day,
            as_of,
            settings.visits,
            state=answer.state,
            date_p10=told.date_p10,
            km_per_day=pace.km_per_day if isinstance(pace, Usage) else None,
        ),
        "date_p10": told.date_p10,
        "date_p50": told.date_p50,
        "date_p90": told.date_p90,
        "distance_p10": _true(told.odometer_p10_km, shift, offset),
        "distance_p50": _true(told.odometer_p50_km, shift, offset),
        "distance_p90": _true(told.odometer_p90_km, shift, offset),
        "odometer_p10": told.odometer_p10_km,
        "odometer_p50": told.odometer_p50_km,
        "odometer_p90": told.odometer_p90_km,
        "method": METHOD,
        "no_answer": _why(answer.state, why, fit),
    }


def _why(state: State, told: str | None, fit: LineFit | NoAnswer) -> str | None:
    if state == State.NO_LIMIT:
        return fit.reason if isinstance(fit, NoAnswer) else None
    return told


def _now(series: LifeSeries, trend: Trend, pace: Usage | NoAnswer, meter: MeterHistory | None) -> tuple[float, float]:
    """Exposure of the part and what the meter shows: today when the pace is known, else at the last test."""
    offset = series.offset_km
    if meter is None or not isfinite(offset):
        return float("nan"), float("nan")
    distance = pace.distance_now_km if isinstance(pace, Usage) else _last(trend) + offset
    return distance - offset, meter.distance.shown(distance)


def _last(trend: Trend) -> float:
    return trend.exposure_km[-1] if trend.exposure_km else float("nan")


def _true(odometer: float | None, shift: float, offset: float) -> float | None:
    return None if odometer is None else finite(odometer - shift + offset)


def _groups(rows: list[dict[str, Any]], known: dict[str, dict[str, Any]]) -> list[dict[str, Any]]:
    """Rates by measure, protocol and family: the median and the middle half of the parts' lines."""
    groups: dict[tuple[str, str, str | None], dict[tuple[str, str], dict[str, Any]]] = {}
    for row in rows:
        family = known.get(row["vehicle"], {}).get("family")
        members = groups.setdefault((row["measure"], row["protocol"], family), {})
        members.setdefault((row["vehicle"], row["part"]), row)
    told = []
    for (measure, protocol, family), members in sorted(groups.items(), key=lambda item: [str(k) for k in item[0]]):
        rates = [row["rate"] for row in members.values() if row["rate"] is not None]
        low, middle, high = np.percentile(rates, [25, 50, 75]) if rates else (None, None, None)
        told.append(
            {
                "measure": measure,
                "protocol": protocol,
                "family": family,
                "parts": len(members),
                "answered": len(rates),
                "readings": sum(row["readings"] for row in members.values()),
                "rate_low": None if low is None else float(low),
                "rate_median": None if middle is None else float(middle),
                "rate_high": None if high is None else float(high),
                "rate_unit": f"{LEVEL_UNIT[Measure(measure)]} per 10,000 km",
            }
        )
    return told

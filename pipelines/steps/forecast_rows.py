"""One row of the forecast table: a part against a limit, from whatever told its level, rate and crossing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import isfinite
from typing import Any

from pipelines.steps.fleet_today import FleetToday
from pipelines.steps.part_limits import PartLimit
from pipelines.steps.series import finite
from wearlab.forecast.calendar import CalendarForecast
from wearlab.forecast.retest import retest
from wearlab.forecast.state_changes import change_sentence, memory
from wearlab.forecast.states import PartEvidence, part_state
from wearlab.lives.usage import Usage
from wearlab.records import State
from wearlab.units import rate_unit
from wearlab.wear.line import Interval


@dataclass(frozen=True, slots=True)
class PartAhead:
    """What is known of a part against one limit; distances in km, rate per 10,000 km.

    `level` is the interval at the last test, `level_now` and `next_now` those at `exposure_now`; all None without an
    answer, whose reason is `silent`. `offset_km` is true distance of the vehicle less the part's exposure, `shown_km`
    what its meter shows at `exposure_now`.
    """

    vehicle: str
    position: str
    part: str
    measure: str
    protocol: str
    unit: str
    limit: PartLimit
    level: Interval | None
    level_now: Interval | None
    next_now: Interval | None
    rate: Interval | None
    forecast: CalendarForecast
    exposure_now: float
    offset_km: float
    shown_km: float
    readings: int
    fitted: int
    last_test: date
    last_used: date | None
    last_level: float | None
    last_bound: str | None
    method: str
    silent: str | None


def forecast_row(part: PartAhead, fleet: FleetToday) -> dict[str, Any]:
    """Return the columns of the table, but for the run."""
    limit, told = part.limit, part.forecast
    settings, as_of, pace = fleet.settings, fleet.as_of, fleet.pace(part.vehicle)
    rule = None if limit.rule is None else limit.rule.name
    before = None
    if fleet.plans.before is not None:
        before = fleet.plans.before.of(part.vehicle, part.part, part.position, part.measure, part.protocol, rule)
    answer = part_state(
        PartEvidence(
            limit=limit.level,
            direction=limit.direction,
            readings=part.readings,
            last_test=part.last_used,
            last_level=part.last_level,
            last_bound=part.last_bound,
            level=part.level,
            forecast=told,
            protocol=part.protocol,
        ),
        settings.horizons,
        as_of,
        memory(before, rule, limit.version),
    )
    again = retest(
        part.last_used,
        as_of,
        settings.visits,
        settings.horizons,
        state=answer.state,
        forecast=told,
        km_per_day=pace.km_per_day if isinstance(pace, Usage) else None,
    )
    readings = part.fitted or part.readings
    why = told.no_answer or (told.note or None if told.date_p50 is None else None)
    if answer.state == State.NO_LIMIT:
        why = part.silent
    shift = part.shown_km - part.exposure_now if isfinite(part.exposure_now) else float("nan")
    level, ahead, rate = part.level_now, part.next_now, part.rate

    def true_km(odometer: float | None) -> float | None:
        return None if odometer is None else finite(odometer - shift + part.offset_km)

    return {
        "vehicle": part.vehicle,
        "position": part.position,
        "part": part.part,
        "measure": part.measure,
        "protocol": part.protocol,
        "unit": part.unit,
        "rule": rule,
        "limit": limit.level,
        "limit_version": limit.version,
        "direction": None if limit.rule is None else limit.direction,
        "level": None if level is None else finite(level.point),
        "level_low": None if level is None else finite(level.low),
        "level_high": None if level is None else finite(level.high),
        "next_low": None if ahead is None else finite(ahead.low),
        "next_high": None if ahead is None else finite(ahead.high),
        "rate": None if rate is None else finite(rate.point),
        "rate_low": None if rate is None else finite(rate.low),
        "rate_high": None if rate is None else finite(rate.high),
        "rate_unit": rate_unit(part.unit),
        "state": str(answer.state),
        "cause": answer.cause,
        "state_before": None if before is None else str(before.state),
        "changed": change_sentence(
            before,
            answer.state,
            last_test=part.last_test,
            readings=readings,
            rule=rule,
            limit_version=limit.version,
        ),
        "readings": readings,
        "last_test": part.last_test,
        "retest_by": again.by,
        "retest_why": again.why,
        "date_p05": told.date_p05,
        "date_p10": told.date_p10,
        "date_p50": told.date_p50,
        "date_p90": told.date_p90,
        "date_p95": told.date_p95,
        "distance_p05": true_km(told.odometer_p05_km),
        "distance_p10": true_km(told.odometer_p10_km),
        "distance_p50": true_km(told.odometer_p50_km),
        "distance_p90": true_km(told.odometer_p90_km),
        "distance_p95": true_km(told.odometer_p95_km),
        "odometer_p05": told.odometer_p05_km,
        "odometer_p10": told.odometer_p10_km,
        "odometer_p50": told.odometer_p50_km,
        "odometer_p90": told.odometer_p90_km,
        "odometer_p95": told.odometer_p95_km,
        "past": told.past,
        "within_30": told.within_30,
        "within_90": told.within_90,
        "within_180": told.within_180,
        "within_365": told.within_365,
        "next_visit": told.next_visit,
        "before_visit": told.before_visit,
        "next_reading_past": told.next_reading_past,
        "leaves_first": told.leaves_first,
        "note": told.note or None,
        "method": part.method,
        "no_answer": why,
    }

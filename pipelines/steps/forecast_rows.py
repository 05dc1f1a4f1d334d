"""One row of the forecast table: a part against a limit, from whatever told its level, rate and crossing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import isfinite
from typing import Any

from pipelines.steps.part_limits import PartLimit
from pipelines.steps.series import finite
from wearlab.config import Settings
from wearlab.forecast.calendar import on_calendar
from wearlab.forecast.states import PartEvidence, part_state, retest_by
from wearlab.lives.usage import Usage
from wearlab.records import NoAnswer, State
from wearlab.wear.line import Crossing, Interval


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
    crossing: Crossing | NoAnswer
    exposure_now: float
    exposure_first: float
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


def forecast_row(part: PartAhead, pace: Usage | NoAnswer, settings: Settings, as_of: date) -> dict[str, Any]:
    """Return the columns of the table, but for the run."""
    limit = part.limit
    told = on_calendar(
        part.crossing, part.exposure_now, part.shown_km, pace, as_of, exposure_first_km=part.exposure_first
    )
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
        ),
        settings.horizons,
        as_of,
    )
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
        "rule": None if limit.rule is None else limit.rule.name,
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
        "rate_unit": f"{part.unit} per 10,000 km",
        "state": str(answer.state),
        "cause": answer.cause,
        "readings": part.fitted or part.readings,
        "last_test": part.last_test,
        # a test that no limit waits for is not asked for again
        "retest_by": None
        if answer.state == State.NO_LIMIT
        else retest_by(
            part.last_used,
            as_of,
            settings.visits,
            state=answer.state,
            date_p10=told.date_p10,
            km_per_day=pace.km_per_day if isinstance(pace, Usage) else None,
        ),
        "date_p10": told.date_p10,
        "date_p50": told.date_p50,
        "date_p90": told.date_p90,
        "distance_p10": true_km(told.odometer_p10_km),
        "distance_p50": true_km(told.odometer_p50_km),
        "distance_p90": true_km(told.odometer_p90_km),
        "odometer_p10": told.odometer_p10_km,
        "odometer_p50": told.odometer_p50_km,
        "odometer_p90": told.odometer_p90_km,
        "method": part.method,
        "no_answer": why,
    }

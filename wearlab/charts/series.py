"""What a chart draws, as plain values: readings, level and forecast, a crossing, a limit, marks of work.

Levels are in the level unit of their measure, distances are kilometres of true distance (meter changes
undone) and days are calendar dates. Every class is frozen, so equal input gives an equal picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from wearlab.language import msg

#: what the wear model said of a reading that it nearly left out
GROSS = msg("gross error")

#: the methods a level may come from, in words; the line is shown only where the model has no answer
MODEL = msg("wear model")
LINE = msg("simple line, not calibrated")


@dataclass(frozen=True, slots=True)
class Point:
    """One reading on a chart."""

    day: date
    level: float
    #: true distance of the vehicle in km; None where the meter could not be trusted
    distance_km: float | None = None
    #: odometer in km as the meter showed it, for the table beside the chart
    odometer_km: float | None = None
    #: None measured; "at_least" or "at_most" for a reading beyond the scale
    bound: str | None = None
    #: graduation in the level unit; drawn as a bar of half of it to each side
    resolution: float | None = None
    #: "good", or the word of the rule that doubts the reading
    quality: str = "good"
    #: False for a reading that is shown but has no part in the level
    used: bool = True
    #: why it has little or no part in the level: `GROSS`, or a few words ("outside the range of correction")
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class Level:
    """A level over distance with its interval, sampled at `distance_km` (all tuples of one length)."""

    distance_km: tuple[float, ...]
    level: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    #: share of the interval, 0.9 = 90 %
    coverage: float = 0.9
    #: the method in words, printed beside the level
    method: str = MODEL


@dataclass(frozen=True, slots=True)
class Limit:
    """A level that is too much ("above") or too little ("below")."""

    name: str
    value: float
    direction: str
    version: int | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the level is expected to cross the limit; None where never, or not told."""

    date_p10: date | None = None
    date_p50: date | None = None
    date_p90: date | None = None
    distance_p10_km: float | None = None
    distance_p50_km: float | None = None
    distance_p90_km: float | None = None


@dataclass(frozen=True, slots=True)
class Series:
    """One life of one part in one measure and protocol."""

    measure: str
    protocol: str
    unit: str
    #: "1".."n", "pump" or "set": the short label written at the end of the line
    position: str
    part: str
    points: tuple[Point, ...]
    #: through the tests; one sample when there was one test
    level: Level | None = None
    #: from the last test on
    ahead: Level | None = None
    #: the conditions that `level` and `ahead` are told under; empty: as measured
    reference: str = ""
    forecast: Forecast | None = None
    limit: Limit | None = None
    #: word of `wearlab.records.State`; None when the part was not forecast
    state: str | None = None
    #: why there is no level or forecast, one sentence
    no_answer: str | None = None
    #: False for a part that is no longer at this position; it is drawn pale
    current: bool = True


@dataclass(frozen=True, slots=True)
class Mark:
    """Work or an event on a vehicle, drawn as a vertical mark."""

    day: date
    #: a few words: "replacement 2", "filter", "engine swap"
    text: str
    distance_km: float | None = None


@dataclass(frozen=True, slots=True)
class VehicleHistory:
    """All that one vehicle's figure draws."""

    vehicle: str
    as_of: date
    series: tuple[Series, ...]
    marks: tuple[Mark, ...] = ()
    #: (day, true distance in km) pairs that tie the calendar to the distance, in any order, past and
    #: expected; readings that carry both are added by the chart. Fewer than two: the charts run over dates
    #: alone.
    calendar: tuple[tuple[date, float], ...] = ()


@dataclass(frozen=True, slots=True)
class StateCount:
    """How many parts are in a state (a word of `wearlab.records.State`)."""

    state: str
    parts: int

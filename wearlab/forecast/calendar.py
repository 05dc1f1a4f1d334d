"""A crossing on the odometer and the calendar, through the vehicle's own pace.

Time to go is distance over pace, and both have an interval. On the log scale the two errors add, so the 10
% point of the time lies sqrt(a^2 + b^2) below its middle, a and b being the logs by which the early
distance and the fast pace differ from theirs; the 90 % point likewise above. Adding the two ends outright
would count both misfortunes at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from math import exp, hypot, inf, isfinite, log

from wearlab.forecast.crossing import Remaining, remaining
from wearlab.lives.usage import Usage
from wearlab.records import NoAnswer
from wearlab.wear.line import Crossing

#: Nobody plans further; a later date says no more than "not within ten years".
CAP_YEARS = 10

# mean length of a year in days
_YEAR = 365.2425


@dataclass(frozen=True, slots=True)
class CalendarForecast:
    """Dates and odometers of the 10, 50 and 90 % points of a crossing; None where there is none.

    Odometers are what today's meter will show. A date in the past means that the limit was passed then. `note` says
    why the middle date is missing, `no_dates` why there are odometers only, `no_answer` why there is no forecast at
    all.
    """

    date_p10: date | None = None
    date_p50: date | None = None
    date_p90: date | None = None
    odometer_p10_km: float | None = None
    odometer_p50_km: float | None = None
    odometer_p90_km: float | None = None
    note: str = ""
    no_dates: str | None = None
    no_answer: str | None = None


def on_calendar(
    crossing: Crossing | NoAnswer,
    exposure_now_km: float,
    odometer_now_km: float,
    usage: Usage | NoAnswer,
    as_of: date,
    *,
    exposure_first_km: float = 0.0,
) -> CalendarForecast:
    """Return when a limit is passed.

    Parameters
    ----------
    crossing
        On exposure in km, at 80 % coverage.
    exposure_now_km, odometer_now_km
        Of the same moment: `as_of` when the usage is known, else the last test.
    usage
        The vehicle's pace as of `as_of`; without it there are odometers and no dates.
    exposure_first_km
        Exposure at the first reading of the life; nothing is told of the time before.
    """
    if isinstance(crossing, NoAnswer):
        return CalendarForecast(no_answer=crossing.reason)
    if not isfinite(exposure_now_km):
        return CalendarForecast(no_answer="the distance of this part is not known")
    left = remaining(crossing, exposure_now_km, exposure_first_km)
    if isinstance(usage, NoAnswer):
        early = mid = late = None
        note, no_dates = "", usage.reason
    else:
        early, mid, late = (_capped(days) for days in days_to_go(left, usage))
        note, no_dates = _note(left, usage, mid), None
    reach = inf if isinstance(usage, NoAnswer) or usage.parked else CAP_YEARS * _YEAR * usage.km_per_day_high

    def shown(km: float) -> float | None:
        return odometer_now_km + km if isfinite(odometer_now_km + km) and km <= reach else None

    def day(days: float | None) -> date | None:
        return None if days is None else as_of + timedelta(days=round(days))

    return CalendarForecast(
        date_p10=day(early),
        date_p50=day(mid),
        date_p90=day(late),
        odometer_p10_km=shown(left.p10_km),
        odometer_p50_km=shown(left.p50_km),
        odometer_p90_km=shown(left.p90_km),
        note=note,
        no_dates=no_dates,
    )


def days_to_go(left: Remaining, usage: Usage) -> tuple[float, float, float]:
    """Return the 10, 50 and 90 % points of the days to the crossing; infinite where it is not reached."""
    pace = usage.km_per_day
    middle = _days(left.p50_km, pace)
    if left.p10_km <= 0:
        early = _days(left.p10_km, pace)
    elif pace <= 0 or not isfinite(left.p50_km):
        early = _days(left.p10_km, usage.km_per_day_high)
    else:
        early = middle * exp(-hypot(log(left.p50_km / left.p10_km), log(usage.km_per_day_high / pace)))
    if left.p90_km <= 0:
        late = _days(left.p90_km, pace)
    elif usage.km_per_day_low <= 0 or not isfinite(left.p90_km):
        late = inf
    elif left.p50_km <= 0:
        # the middle is reached: beside the error of the distance that of the pace hardly counts
        late = _days(left.p90_km, pace)
    else:
        spread = hypot(log(left.p90_km / left.p50_km), log(pace / usage.km_per_day_low))
        late = middle * exp(min(spread, 700.0))  # beyond 709 a float overflows
    return early, middle, late


def _days(km: float, pace: float) -> float:
    if pace > 0:
        return km / pace
    # a vehicle that stands still passes nothing more; what it has passed, it has passed by now
    return 0.0 if km <= 0 else inf


def _capped(days: float) -> float | None:
    limit = CAP_YEARS * _YEAR
    return None if days > limit else max(days, -10 * limit)


def _note(left: Remaining, usage: Usage, mid: float | None) -> str:
    if mid is not None:
        return ""
    if not isfinite(left.p50_km):
        return "the trend does not lead to the limit"
    if usage.parked:
        return f"the vehicle is parked ({usage.basis})"
    return f"not within {CAP_YEARS} years"

"""A crossing on the odometer and the calendar, through the vehicle's own pace: points of the date, and chances.

What the wear model or a line says over exposure (`exposure_law`) is taken through what the vehicle will drive
(`travel`), so that the uncertainty of the distance and that of the pace are averaged, not added.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import isfinite

import numpy as np

from wearlab.config import Horizons
from wearlab.forecast.exposure_law import ExposureLaw, chance_by, exposures_at
from wearlab.forecast.mixed_law import Array
from wearlab.forecast.point_law import law_of_points
from wearlab.forecast.travel import MOST_DAYS, DayLaw, Travel
from wearlab.language import _, msg
from wearlab.lives.outlook import Outlook, together
from wearlab.lives.usage import Usage
from wearlab.records import NoAnswer
from wearlab.wear.line import Crossing

#: Nobody plans further; a later date says no more than "not within ten years".
CAP_YEARS = 10

_NO_DISTANCE = msg("the distance of this part is not known")

#: Chances of the dates and odometers.
LEVELS = (0.05, 0.1, 0.5, 0.9, 0.95)

_NAMES = ("p05", "p10", "p50", "p90", "p95")
_SPANS = (0, 30, 90, 180, 365)

_Days = list[date | None]
_Numbers = list[float | None]


@dataclass(frozen=True, slots=True)
class CalendarForecast:
    """When a limit is passed: points of the date and the odometer, and chances; None where there is none.

    A date is the first day by which passage has that chance. A date behind `as_of` means that the limit was passed
    then; what is not passed yet has no date before it. Odometers are what today's meter will show.

    `past` is the chance that the limit is already passed; `within_30` to `within_365`, `book_chance` and `watch_chance`
    (the horizons of the settings) and `before_visit` (the next planned visit, on `next_visit`) those of passage by
    then. `next_reading_past` is the chance that the next test reads past the limit, on the day of the next planned
    visit or else one usual interval on. `leaves_first`: the vehicle leaves before the middle date.

    `note` says why the middle date is missing, `no_dates` why there are odometers only, `no_answer` why there is no
    forecast at all.
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
    date_p05: date | None = None
    date_p95: date | None = None
    odometer_p05_km: float | None = None
    odometer_p95_km: float | None = None
    past: float | None = None
    within_30: float | None = None
    within_90: float | None = None
    within_180: float | None = None
    within_365: float | None = None
    book_chance: float | None = None
    watch_chance: float | None = None
    next_visit: date | None = None
    before_visit: float | None = None
    next_reading_past: float | None = None
    leaves_first: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """How P parts stand today; km.

    `exposure_now` and `shown_now`, what the meter shows, are of the same moment: `as_of` where the usage is known, else
    the last test; NaN where unknown. `start_days` is how many days ago the exposure at which the law starts was
    reached, None: by the present pace. `reading_past` is the chance that the next test reads past, NaN where untold.
    """

    exposure_now: Array
    shown_now: Array
    usage: Sequence[Usage | NoAnswer]
    start_days: Array | None = None
    next_visit: Sequence[date | None] | None = None
    leaves_on: Sequence[date | None] | None = None
    reading_past: Array | None = None


def day_law(law: ExposureLaw, standing: Standing) -> DayLaw:
    """Return the passages by days from today; where the usage is not known nothing is told."""
    paces: dict[int, int] = {}
    outlooks: list[Outlook] = []
    gaps: list[float] = []
    driven: list[float] = []
    pace: list[float] = []
    place = np.full(len(standing.usage), -1, dtype=np.int64)
    for part, usage in enumerate(standing.usage):
        if isinstance(usage, Usage):
            at = paces.setdefault(id(usage), len(outlooks))
            if at == len(outlooks):
                outlooks.append(usage.outlook_of())
                gaps.append(float((usage.as_of - usage.last_day).days))
                driven.append(usage.distance_now_km - usage.last_distance_km)
                pace.append(usage.km_per_day)
            place[part] = at
    if not outlooks:
        outlooks, gaps, driven, pace = [Outlook(0.0)], [0.0], [0.0], [0.0]
    told = place >= 0
    place = np.maximum(place, 0)
    at_last = np.where(told, standing.exposure_now - np.array(driven)[place], np.nan)
    gap = np.array(gaps)[place]
    outlook, behind = together(outlooks).take(place), np.array(pace)[place]
    travel = Travel.of(at_last, gap, outlook, behind, law.start, standing.start_days)
    return DayLaw(law, travel)


def calendar_forecasts(
    law: ExposureLaw, standing: Standing, as_of: date, horizons: Horizons, *, workers: int = 2
) -> list[CalendarForecast]:
    """Return when P limits are passed, by the law over exposure and the usage of each vehicle."""
    by_day = day_law(law, standing)
    size = len(standing.usage)
    days = by_day.days(LEVELS, workers=workers)
    spans = sorted({*_SPANS, horizons.book_days, horizons.watch_days})
    chances = np.maximum.accumulate(np.array([by_day.chance(span) for span in spans]), axis=0)
    here = np.where(np.isfinite(standing.exposure_now), standing.exposure_now, 0.0)
    past = np.where(np.isnan(chances[0]), chance_by(law, here), chances[0])
    within = dict(zip(spans, (_numbers(row) for row in chances), strict=True))
    visits = list(standing.next_visit or [None] * size)
    to_visit = np.array([np.nan if day is None else float((day - as_of).days) for day in visits])
    before_visit = _numbers(np.maximum(by_day.chance(to_visit), past))
    exposures = exposures_at(law, LEVELS)
    leads = np.isfinite(exposures[2])
    odometers = exposures + (standing.shown_now - standing.exposure_now)
    odometers[exposures - standing.exposure_now > _reach(standing.usage)] = np.nan
    dates = dict(zip(_NAMES, (_dates(row, as_of) for row in days), strict=True))
    shown = dict(zip(_NAMES, (_numbers(row) for row in odometers), strict=True))
    pasts, reads = (
        _numbers(past),
        _numbers(np.full(size, np.nan) if standing.reading_past is None else standing.reading_past),
    )
    leaving = list(standing.leaves_on or [None] * size)
    blind = (~(law.known & np.isfinite(standing.exposure_now))).tolist()
    found = []
    for k, usage in enumerate(standing.usage):
        if blind[k]:
            reason = _(_NO_DISTANCE) if law.known[k] else _("the level of this part is not known")
            found.append(CalendarForecast(no_answer=reason))
            continue
        middle = dates["p50"][k]
        driven = isinstance(usage, Usage)
        leaves = _leaves(leaving[k], middle, as_of) if driven and leads[k] else ""
        found.append(
            CalendarForecast(
                date_p05=dates["p05"][k],
                date_p10=dates["p10"][k],
                date_p50=middle,
                date_p90=dates["p90"][k],
                date_p95=dates["p95"][k],
                odometer_p05_km=shown["p05"][k],
                odometer_p10_km=shown["p10"][k],
                odometer_p50_km=shown["p50"][k],
                odometer_p90_km=shown["p90"][k],
                odometer_p95_km=shown["p95"][k],
                note=leaves or _note(usage, bool(leads[k]), middle),
                no_dates=None if isinstance(usage, Usage) else usage.reason,
                past=pasts[k],
                within_30=within[30][k],
                within_90=within[90][k],
                within_180=within[180][k],
                within_365=within[365][k],
                book_chance=within[horizons.book_days][k],
                watch_chance=within[horizons.watch_days][k],
                next_visit=visits[k],
                before_visit=before_visit[k],
                next_reading_past=reads[k],
                leaves_first=bool(leaves),
            )
        )
    return found


def on_calendar(
    crossing: Crossing | NoAnswer,
    exposure_now_km: float,
    odometer_now_km: float,
    usage: Usage | NoAnswer,
    as_of: date,
    *,
    exposure_first_km: float = 0.0,
    horizons: Horizons | None = None,
    next_visit: date | None = None,
    leaves_on: date | None = None,
    reading_past: float | None = None,
) -> CalendarForecast:
    """Return when a limit is passed, by three points of its crossing.

    Parameters
    ----------
    crossing
        On exposure in km, its ends the 10 and 90 % points; between and beyond them its law is taken as straight in the
        probit of the chance, and as flat beyond the last point that is finite.
    exposure_now_km, odometer_now_km
        Of the same moment: `as_of` when the usage is known, else the last test.
    usage
        The vehicle's pace as of `as_of`; without it there are odometers and no dates.
    exposure_first_km
        Exposure at the first reading of the life; nothing is told of the time before.
    reading_past
        Chance that the next test reads past.
    """
    if isinstance(crossing, NoAnswer):
        return CalendarForecast(no_answer=crossing.reason)
    if not isfinite(exposure_now_km):
        return CalendarForecast(no_answer=_(_NO_DISTANCE))
    tail = (1.0 - crossing.coverage) / 2
    law = law_of_points(
        (tail, 0.5, 1.0 - tail), [[crossing.low], [crossing.point], [crossing.high]], [exposure_first_km]
    )
    standing = Standing(
        exposure_now=np.array([exposure_now_km]),
        shown_now=np.array([odometer_now_km]),
        usage=(usage,),
        next_visit=(next_visit,),
        leaves_on=(leaves_on,),
        reading_past=None if reading_past is None else np.array([reading_past]),
    )
    return calendar_forecasts(law, standing, as_of, horizons or Horizons())[0]


def _reach(usage: Sequence[Usage | NoAnswer]) -> Array:
    """How far each vehicle gets in ten years at its fast pace; infinite where it is parked or unknown."""
    return np.array(
        [one.km_per_day_high * MOST_DAYS if isinstance(one, Usage) and not one.parked else np.inf for one in usage]
    )


def _dates(days: Array, as_of: date) -> _Days:
    today = as_of.toordinal()
    whole = np.where(np.isfinite(days) & (days <= MOST_DAYS), np.rint(np.where(np.isfinite(days), days, 0.0)), np.nan)
    return [None if day != day else date.fromordinal(max(today + int(day), 1)) for day in whole.tolist()]


def _numbers(values: Array) -> _Numbers:
    return [value if isfinite(value) else None for value in values.tolist()]


def _leaves(leaves_on: date | None, middle: date | None, as_of: date) -> str:
    if leaves_on is None or (middle is not None and middle <= leaves_on):
        return ""
    if leaves_on >= as_of:
        return _("the vehicle leaves on {day}, before the middle date", day=leaves_on.isoformat())
    return _("the vehicle left on {day}, before the middle date", day=leaves_on.isoformat())


def _note(usage: Usage | NoAnswer, leads: bool, middle: date | None) -> str:
    if middle is not None or isinstance(usage, NoAnswer):
        return ""
    if not leads:
        return _("the trend does not lead to the limit")
    if usage.parked:
        return _("the vehicle is parked ({basis})", basis=usage.basis)
    return _("not within {n} years", n=CAP_YEARS)

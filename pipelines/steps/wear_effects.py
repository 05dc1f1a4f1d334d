"""What a group's fit says of all its parts, as rows of the table wear_effect: rates, exponents, factors, spreads."""

from __future__ import annotations

from datetime import date, timedelta
from math import exp, hypot, isfinite, sqrt
from typing import Any

import numpy as np
from babel.dates import format_skeleton
from scipy.special import ndtri

from pipelines.steps.wear_data import GroupData
from pipelines.steps.wear_periods import SEASON
from wearlab.language import _, msg, number, spoken
from wearlab.records import NoAnswer
from wearlab.units import rate_unit
from wearlab.wear.data import WearData
from wearlab.wear.line import Interval
from wearlab.wear.results import WearFit
from wearlab.wear.scale_fit import ScaleFit

#: coverage of the intervals
COVERAGE = 0.9

#: two sided normal deviate of that coverage
_REACH = float(ndtri(0.5 + COVERAGE / 2))

#: names of the variances, by which they are found again; told where they are shown
_SPREADS = {
    "vehicle_level": msg("level between vehicles"),
    "part_level": msg("level between parts of one vehicle"),
    "start": msg("level of parts with an unknown start, beside that"),
    "vehicle_rate": msg("rate between vehicles"),
    "part_rate": msg("rate between parts of one vehicle"),
    "path": msg("wear that does not run straight, over 10,000 km"),
    "visit": msg("what one visit's readings share"),
    "repeat": msg("what one part's repeats share"),
    "error": msg("reading error"),
}

#: where no vehicle differs from another
_ALONE = {"part_level": msg("level between parts"), "part_rate": msg("rate between parts")}

#: that an exponent or spread was not estimated, as it is stored
ASSUMED = msg("assumed")


def effects(fit: WearFit, group: GroupData) -> list[dict[str, Any]]:
    """Rows with kind, name, estimate, low, high, unit and note; intervals of 90 %."""
    best = fit.best
    return [
        *_rates(fit, group),
        *_levels(best, group),
        *_exponents(best, group),
        *_factors(best, group),
        *_spreads(best, group),
    ]


def _row(kind: str, name: str, told: tuple[float, float, float], unit: str, note: str | None = None) -> dict[str, Any]:
    estimate, low, high = (float(value) if isfinite(value) else None for value in told)
    return {"kind": kind, "name": name, "estimate": estimate, "low": low, "high": high, "unit": unit, "note": note}


def _rates(fit: WearFit, group: GroupData) -> list[dict[str, Any]]:
    rows = []
    for family in sorted(set(group.family[group.codes])):
        told = fit.family_rate(str(family))
        unit = rate_unit(group.unit)
        if isinstance(told, NoAnswer):
            nothing = float("nan")
            rows.append(_row("rate", str(family), (nothing, nothing, nothing), unit, told.reason))
        else:
            rows.append(_row("rate", str(family), _three(told), unit))
    return rows


def _levels(best: ScaleFit, group: GroupData) -> list[dict[str, Any]]:
    rows = []
    for family in sorted(set(group.family[group.codes])):
        place = best.fixed.place(f"level {family}")
        line = np.zeros(len(best.fixed.names))
        line[best.fixed.place("level") if place is None else place] = 1.0
        middle = float(line @ best.fixed.estimate)
        sd = sqrt(max(float(line @ best.fixed.covariance @ line), 0.0))
        ends = best.scale.inverse(np.array([middle, middle - _REACH * sd, middle + _REACH * sd]))
        told = (float(ends[0]), float(ends[1]), float(ends[2]))
        rows.append(_row("level", str(family), told, group.unit, _("average part at the beginning of its life")))
    return rows


def _coefficient(best: ScaleFit, name: str) -> tuple[float, float] | None:
    place = best.fixed.place(name)
    return None if place is None else (float(best.fixed.estimate[place]), float(best.fixed.sd[place]))


def _exponents(best: ScaleFit, group: GroupData) -> list[dict[str, Any]]:
    data = group.data
    rows: list[dict[str, Any]] = []
    if data is None or data.prior_mean is None or data.prior_sd is None:
        return rows
    for name in group.condition_names:
        found = _coefficient(best, name)
        if found is None:
            continue
        at = data.covariate_names.index(name)
        mean, sd = number(float(data.prior_mean[at]), 2), number(float(data.prior_sd[at]), 2)
        note = _("assumed before the tests: {mean}, sd {sd}", mean=mean, sd=sd)
        middle, reach = found[0], _REACH * found[1]
        rows.append(_row("exponent", name, (middle, middle - reach, middle + reach), "", note))
    return rows


def _factors(best: ScaleFit, group: GroupData) -> list[dict[str, Any]]:
    """Season, fuel supplies, events and rig periods, as per cent of the reading."""
    data = group.data
    rows = []
    swing = [_coefficient(best, name) for name in SEASON]
    if swing[0] is not None and swing[1] is not None:
        (cosine, sd_cosine), (sine, sd_sine) = swing[0], swing[1]
        size = hypot(cosine, sine)
        sd = hypot(cosine * sd_cosine, sine * sd_sine) / size if size > 0 else hypot(sd_cosine, sd_sine)
        told = (100 * size, 100 * max(size - _REACH * sd, 0.0), 100 * (size + _REACH * sd))
        turn = float(np.arctan2(sine, cosine)) / (2 * np.pi) % 1.0
        day = date(2001, 1, 1) + timedelta(days=int(365 * turn))  # any year without a leap day
        rows.append(_row("factor", "season", told, "%", _("largest about {day}", day=_day_of_year(day))))
    taken = {*group.condition_names, *SEASON}
    rates = _rate_names(data)
    for name in data.covariate_names if data is not None else ():
        found = _coefficient(best, name)
        if found is None or name in taken:
            continue
        kind = "event" if name in group.event_names else "factor"
        rate = kind == "event" and name in rates
        rows.append(_row(kind, name, _percent(*found, 10_000.0 if rate else 1.0), rate_unit("%") if rate else "%"))
    for place, name in enumerate(best.fixed.names):
        if name.startswith("period "):
            told = _percent(float(best.fixed.estimate[place]), float(best.fixed.sd[place]))
            rows.append(_row("offset", name.removeprefix("period "), told, "%"))
    return rows


def _rate_names(data: WearData | None) -> set[str]:
    """The covariates that act on the rate."""
    if data is None:
        return set()
    return {name for name, role in zip(data.covariate_names, data.covariate_role, strict=False) if role == "rate"}


def _day_of_year(day: date) -> str:
    """Return "3 May"."""
    return format_skeleton("MMMMd", day, locale=spoken().dates)


def _percent(middle: float, sd: float, times: float = 1.0) -> tuple[float, float, float]:
    ends = (middle, middle - _REACH * sd, middle + _REACH * sd)
    first, second, third = (100.0 * (exp(min(times * end, 50.0)) - 1.0) for end in ends)
    return first, second, third


def _spreads(best: ScaleFit, group: GroupData) -> list[dict[str, Any]]:
    """Standard deviations on the working scale of the largest weight; per 10,000 km where they are of rates."""
    straight = best.scale.power == 1 and best.scale.gamma == 1
    unit = (
        group.unit
        if straight
        else "%"
        if best.scale.power == 0
        else _("working scale ({scale})", scale=best.scale.words)
    )
    times = 100.0 if best.scale.power == 0 else 1.0
    sd, se = (side.per(10_000.0**best.scale.gamma) for side in (best.variances, best.variance_se))
    rows = []
    one = not (sd.vehicle_level > 0 or sd.vehicle_rate > 0)
    for name, words in _SPREADS.items():
        words = _ALONE.get(name, words) if one else words
        value, error = getattr(sd, name), getattr(se, name)
        if not value > 0:
            continue
        reach = exp(min(_REACH * error / value, 50.0)) if isfinite(error) else float("nan")
        per = rate_unit(unit) if name.endswith("rate") else unit
        note = ASSUMED if name == "error" and best.error_assumed else None
        rows.append(_row("spread", words, (times * value, times * value / reach, times * value * reach), per, note))
    return rows


def _three(told: Interval) -> tuple[float, float, float]:
    return told.point, told.low, told.high

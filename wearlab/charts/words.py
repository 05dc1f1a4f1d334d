"""Numbers, dates and names of the trade in plain words, shared by charts, tables and sentences."""

from __future__ import annotations

import re
from datetime import date

from babel.dates import format_skeleton

from wearlab.language import ENGLISH, _, localised, month, month_name, msg, number, spoken
from wearlab.language import day as full_day
from wearlab.records import PUMP, SET

_ISO = re.compile(r"(?<![\w/-])\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])(?![\w/-])")

_MEASURES = {
    "return_flow": msg("return flow"),
    "pump_peak": msg("pump peak"),
    "pump_rise": msg("pump rise"),
    "pump_hold": msg("pump hold"),
    "rig_check": msg("rig check"),
}


def measure_words(measure: str) -> str:
    """Return a measure as a reader says it; an unknown one as it is spelled, without underscores."""
    return _(_MEASURES[measure]) if measure in _MEASURES else measure.replace("_", " ")


def position_words(position: str) -> str:
    """Return "injector 3" for "3", "pump" for the pump, "whole set" for a total and "bank 1" for one of a bank."""
    if position == PUMP:
        return _("pump")
    if position.startswith("bank "):
        return _("bank {name}", name=position.removeprefix("bank "))
    return _("whole set") if position == SET else _("injector {position}", position=position)


def level_words(value: float | None, unit: str = "") -> str:
    """Return a level with as many digits as a reading can carry, and its unit; a dash where there is none."""
    if value is None or value != value:
        return "–"
    text = levels_words(value)[0]
    return f"{text} {unit}" if unit else text


def levels_words(*values: float) -> tuple[str, ...]:
    """Return levels that belong together (a value and its ends) with the digits of the largest."""
    size = max(abs(value) for value in values)
    digits = 2 if size < 3 else 1 if size < 100 else 0
    return tuple(number(value, digits) for value in values)


def limit_words(value: float, unit: str = "") -> str:
    """Return a limit as it was configured (45, not 45.0), with its unit."""
    text = localised(f"{value:,.10g}" if abs(value) < 1e9 else f"{value:g}")
    return f"{text} {unit}" if unit else text


def limit_side_words(value: float, direction: str | None, unit: str = "") -> str:
    """Return what a limit allows: "at most 45 ml/min", or "at least" where less of it is past the limit."""
    limit = limit_words(value, unit)
    return _("at most {limit}", limit=limit) if direction == "above" else _("at least {limit}", limit=limit)


def bound_words(value: float | None, bound: str | None, unit: str = "") -> str:
    """Return a reading that may lie beyond the scale: "at least 120 ml/min"."""
    level = level_words(value, unit)
    if bound == "at_least":
        return _("at least {level}", level=level)
    return _("at most {level}", level=level) if bound == "at_most" else level


def km_words(value: float | None, *, about: bool = False) -> str:
    """Return a distance in km with thousands marked; `about` rounds a forecast to thousands."""
    if value is None or value != value or value in (float("inf"), float("-inf")):
        return "–"
    return f"{number(round(value, -3) if about else value)} km"


def month_words(day: date) -> str:
    """Return "May 2027"."""
    return month(day)


def day_words(day: date | None) -> str:
    """Return "3 May 2027"; a dash for no date."""
    return "–" if day is None else full_day(day)


def short_month_words(day: date) -> str:
    """Return "Feb 2027", for a table."""
    if spoken().name == ENGLISH:
        return f"{month_name(day)[:3]} {day.year}"
    return format_skeleton("yMMM", day, locale=spoken().dates)


def short_day_words(day: date) -> str:
    """Return "12 Jan 2027", for a table."""
    if spoken().name == ENGLISH:
        return f"{day.day} {short_month_words(day)}"
    return format_skeleton("yMMMd", day, locale=spoken().dates)


def month_tick(day: date) -> str:
    """Return "01/2027", for an axis."""
    return _("{month}/{year}", month=f"{day.month:02d}", year=day.year)


def dated(text: str) -> str:
    """Return a sentence with its dates in words: "about 2027-05-03" becomes "about 3 May 2027"."""
    return _ISO.sub(lambda found: day_words(date.fromisoformat(found[0])), text)


def when_words(early: date | None, middle: date | None, late: date | None, as_of: date | None = None) -> str:
    """Return a crossing's interval in plain words: "between March and July 2027, most likely May 2027".

    `early`, `middle` and `late` are the 10, 50 and 90 % dates; None means "never, as far as can be told".
    With `as_of` given, dates that have gone by are told as such. Without any date the answer is empty.
    """
    if early is None and middle is None and late is None:
        return ""
    likely = None if middle is None else month_words(middle)
    if as_of is not None and middle is not None and middle <= as_of:
        if late is not None and late <= as_of:
            return _("past already, since about {month}", month=likely)
        return _("most likely past already, since about {month}", month=likely)
    begun = early is not None and as_of is not None and early <= as_of
    if late is None:
        return _open_words(None if begun else early, likely, begun=begun)
    last = month_words(late)
    if early is None or begun:
        return _("by {last}, most likely {likely}", last=last, likely=likely) if likely else _("by {last}", last=last)
    if (early.year, early.month) == (late.year, late.month):
        return _("in {month}", month=month_words(early))
    first = month_name(early) if early.year == late.year else month_words(early)
    if likely:
        return _("between {first} and {last}, most likely {likely}", first=first, last=last, likely=likely)
    return _("between {first} and {last}", first=first, last=last)


def _open_words(early: date | None, likely: str | None, *, begun: bool) -> str:
    """A crossing that may never come: from its early date on, from now on, or at its most likely date alone."""
    if begun:
        return (
            _("from now on, most likely {likely}, perhaps never", likely=likely)
            if likely
            else _("from now on, perhaps never")
        )
    if early is None:
        return _("most likely {likely}", likely=likely) if likely else ""
    first = month_words(early)
    if likely:
        return _("not before {first}, most likely {likely}, perhaps never", first=first, likely=likely)
    return _("not before {first}, perhaps never", first=first)


def cell(text: str) -> str:
    """Return text without the control characters that neither HTML nor SVG can hold, on one line."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())

"""Numbers, dates and names of the trade in plain words, shared by charts, tables and sentences."""

from __future__ import annotations

import re
from datetime import date

from wearlab.records import PUMP, SET

_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

_ISO = re.compile(r"(?<![\w/-])\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])(?![\w/-])")

_MEASURES = {
    "return_flow": "return flow",
    "pump_peak": "pump peak",
    "pump_rise": "pump rise",
    "pump_hold": "pump hold",
    "rig_check": "rig check",
}


def measure_words(measure: str) -> str:
    """Return a measure as a reader says it; an unknown one as it is spelled, without underscores."""
    return _MEASURES.get(measure, measure.replace("_", " "))


def position_words(position: str) -> str:
    """Return "injector 3" for "3", "pump" for the pump, "whole set" for a total and "bank 1" for one of a bank."""
    if position == PUMP or position.startswith("bank "):
        return position
    return "whole set" if position == SET else f"injector {position}"


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
    return tuple(f"{value:,.{digits}f}" for value in values)


def limit_words(value: float, unit: str = "") -> str:
    """Return a limit as it was configured (45, not 45.0), with its unit."""
    text = f"{value:,.10g}" if abs(value) < 1e9 else f"{value:g}"
    return f"{text} {unit}" if unit else text


def bound_words(value: float | None, bound: str | None, unit: str = "") -> str:
    """Return a reading that may lie beyond the scale: "at least 120 ml/min"."""
    lead = {"at_least": "at least ", "at_most": "at most "}.get(bound or "", "")
    return lead + level_words(value, unit)


def km_words(value: float | None, *, about: bool = False) -> str:
    """Return a distance in km with thousands marked; `about` rounds a forecast to thousands."""
    if value is None or value != value or value in (float("inf"), float("-inf")):
        return "–"
    return f"{round(value, -3):,.0f} km" if about else f"{value:,.0f} km"


def month_words(day: date) -> str:
    """Return "May 2027"."""
    return f"{_MONTHS[day.month - 1]} {day.year}"


def day_words(day: date | None) -> str:
    """Return "3 May 2027"; a dash for no date."""
    return "–" if day is None else f"{day.day} {month_words(day)}"


def dated(text: str) -> str:
    """Return a sentence with its dates in words: "about 2027-05-03" becomes "about 3 May 2027"."""
    return _ISO.sub(lambda found: day_words(date.fromisoformat(found[0])), text)


def when_words(early: date | None, middle: date | None, late: date | None, as_of: date | None = None) -> str:
    """Return a crossing's interval in plain words: "between March and July 2027, most likely May 2027".

    `early`, `middle` and `late` are the 10, 50 and 90 % dates; None means "never, as far as can be told".
    With `as_of` given, dates that have gone by are told as such. Without any date the answer is empty.
    """
    likely = f", most likely {month_words(middle)}" if middle is not None else ""
    if early is None and middle is None and late is None:
        return ""
    if as_of is not None and middle is not None and middle <= as_of:
        since = f", since about {month_words(middle)}"
        return ("past already" if late is not None and late <= as_of else "most likely past already") + since
    if late is None:
        if early is None:
            return f"most likely {month_words(middle)}" if middle is not None else ""
        if as_of is not None and early <= as_of:
            return f"from now on{likely}, perhaps never"
        return f"not before {month_words(early)}{likely}, perhaps never"
    if early is None or (as_of is not None and early <= as_of):
        return f"by {month_words(late)}{likely}"
    if (early.year, early.month) == (late.year, late.month):
        return f"in {month_words(early)}"
    first = _MONTHS[early.month - 1] if early.year == late.year else month_words(early)
    return f"between {first} and {month_words(late)}{likely}"


def cell(text: str) -> str:
    """Return text without the control characters that neither HTML nor SVG can hold, on one line."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())

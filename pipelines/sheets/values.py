"""From the text of a cell to a number: marks, units in the cell, bounds, footnotes, what was not measured.

Nothing is guessed: a text that the declared decimal and thousands marks do not explain is unreadable, and the
other reading of it is only offered as a suggestion.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from enum import IntEnum
from functools import lru_cache

import numpy as np

from pipelines.sheets.cells import Bools, Cells, Floats, Ints
from pipelines.sheets.vocabulary import cell_unit, flat, meaning, phrases
from pipelines.sheets.words import MeasuredUnit
from wearlab.errors import UnitError

_BLANKS = " \u00a0\u2009\u202f"
_NOT_MEASURED_SIGNS = set("?-–—−./") | {"--", "---", "??", "???", "n/a", "#n/a", "…", "..."}
_MARK = re.compile(r"\s*([*†‡]+|\((?:\d|[a-z])\))$")
_DAY_MONTH = re.compile(r"(\d{1,2})[-. /]\s?([^\W\d_]{3,9})\.?(?:[-. /]\d{2,4})?")
_ISO = re.compile(r"(\d{4})-(\d{2})-(\d{2})(?:[T ]|$)")
_MONTHS = {
    name: number
    for number, names in enumerate(
        ("jan gen ene sty", "feb fev lut", "mar mrt maa mae mrz", "apr avr abr kwi", "may mai mag mei maj",
         "jun juin giu cze",
         "jul juil lug lip", "aug aou ago sie", "sep set wrz", "oct okt ott paz", "nov lis", "dec dez dic gru"),
        start=1,
    )
    for name in names.split()
}  # fmt: skip
_SIMPLE = re.compile(r"\d{1,15}(?:\.\d{1,15})?", re.ASCII)
#: Longest cell that is looked at as a number, in signs: some patterns take a time that grows with its square.
LONGEST_NUMBER = 150

_CLOCK = re.compile(r"(\d{1,5}):([0-5]\d):([0-5]\d)", re.ASCII)
_PLAIN = re.compile(r"-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")


class Status(IntEnum):
    """What a cell of numbers holds."""

    MEASURED = 0
    NOT_MEASURED = 1
    SPOILED = 2
    BEYOND = 3  # beyond the scale, without a figure
    UNREADABLE = 4


_STATUS = {"not_measured": Status.NOT_MEASURED, "spoiled": Status.SPOILED, "beyond": Status.BEYOND}


@dataclass(frozen=True, slots=True)
class Style:
    """How numbers are written in a column. In a workbook a true number cell has the plain form 1234.5.

    `typed` : the file itself typed the cells as numbers, so that only the plain form is read.
    """

    decimal: str = "."
    thousands: tuple[str, ...] = ()
    workbook: bool = False
    typed: bool = False


@dataclass(frozen=True, slots=True)
class Number:
    """A cell as read, in the unit written: `bound` 1 = at least, -1 = at most, 0 = the number itself.

    `step` is the place of the last written digit (0.1 for "12.5"); `mark` a footnote sign or "~".
    """

    status: Status
    value: float = float("nan")
    bound: int = 0
    unit: str = ""
    mark: str = ""
    step: float = float("nan")
    scientific: bool = False


@dataclass(frozen=True, slots=True)
class Numbers:
    """A column of numbers, one entry a row; `units` and `marks` are distinct words with a code per row."""

    status: Ints
    value: Floats
    bound: Ints
    step: Floats
    scientific: Bools
    units: Cells
    marks: Cells

    def at(self, rows: Ints | Bools) -> Numbers:
        """Return chosen rows only."""
        return Numbers(
            self.status[rows],
            self.value[rows],
            self.bound[rows],
            self.step[rows],
            self.scientific[rows],
            self.units.at(rows),
            self.marks.at(rows),
        )


def numbers(cells: Cells, style: Style, typed: Bools | None = None) -> Numbers:
    """Read a column of numbers, each distinct text once; `typed` says which cells the file typed as numbers."""
    codes = cells.codes
    if typed is None:
        found = cells.each(lambda text: read_number(text, style))
    else:
        count, plain = len(cells.texts), replace(style, typed=True)
        numeric = np.bincount(codes[typed], minlength=count) > 0
        found = [read_number(text, plain if one else style) for text, one in zip(cells.texts, numeric, strict=True)]
        both = np.flatnonzero(numeric & (np.bincount(codes[~typed], minlength=count) > 0))
        if len(both):  # a text that is typed in one row and not in another has two meanings
            other = np.zeros(count, dtype=np.int64)
            other[both] = np.arange(count, count + len(both)) - both
            codes = codes + np.where(typed, 0, other[codes])
            found += [read_number(cells.texts[place], style) for place in both.tolist()]

    def words(texts: list[str]) -> Cells:
        return Cells(np.arange(len(texts), dtype=np.int64)[codes], texts).words(str)

    return Numbers(
        np.array([one.status for one in found], dtype=np.int64)[codes],
        np.array([one.value for one in found], dtype=np.float64)[codes],
        np.array([one.bound for one in found], dtype=np.int64)[codes],
        np.array([one.step for one in found], dtype=np.float64)[codes],
        np.array([one.scientific for one in found], dtype=np.bool_)[codes],
        words([one.unit for one in found]),
        words([one.mark for one in found]),
    )


def read_number(text: str, style: Style) -> Number:
    """Read one cell. Never raises: what cannot be read has the status UNREADABLE."""
    bare = text.strip()
    if len(bare) > LONGEST_NUMBER:
        return Number(Status.UNREADABLE)
    if style.typed and _PLAIN.fullmatch(bare):
        return _number(float(bare), _step(bare, "."), "", "e" in bare.lower()) or Number(Status.UNREADABLE)
    if style.decimal == "." and "." not in style.thousands and _SIMPLE.fullmatch(bare):
        return Number(Status.MEASURED, float(bare), step=_step(bare, "."))
    if not bare or bare in _NOT_MEASURED_SIGNS:
        return Number(Status.NOT_MEASURED)
    if not any(sign.isdecimal() for sign in bare):
        said = meaning("status", bare)
        if said in _STATUS:
            return Number(_STATUS[said], bound=1 if said == "beyond" else 0)
    mark = _MARK.search(bare)
    if mark is not None:
        bare = bare[: mark.start()]
    bound, about, bare = _prefix(bare)
    found = _clock(bare) or _figure(bare, style)
    if found is None:
        return Number(Status.UNREADABLE)
    if found.bound and bound:
        return Number(Status.UNREADABLE)
    sign = mark.group(1) if mark is not None else "~" if about else ""
    return replace(found, bound=found.bound or bound, mark=sign)


def other_reading(text: str, style: Style) -> str | None:
    """Return what an unreadable number would be under other marks, where one or two values are possible."""
    values = set()
    for decimal, mark in ((".", ","), (",", "."), (".", "'"), (".", " "), (",", " ")):
        found = read_number(text, Style(decimal, (mark,), style.workbook))
        if found.status == Status.MEASURED:
            values.add(found.value)
    return " or ".join(f"{value:g}" for value in sorted(values)) if 1 <= len(values) <= 2 else None


def date_suggestion(text: str) -> str | None:
    """Return the numbers that a spreadsheet may have turned into this date ("12-Mar" was 12.3), None for no date."""
    found = _DAY_MONTH.fullmatch(text.strip())
    if found is not None:
        first, month = (
            int(found.group(1)),
            _MONTHS.get(flat(found.group(2))[:4]) or _MONTHS.get(flat(found.group(2))[:3]),
        )
        return None if month is None else f"{first}.{month} or {month}.{first}"
    iso = _ISO.match(text.strip())
    if iso is None:
        return None
    month, day = int(iso.group(2)), int(iso.group(3))
    return f"{day}.{month} or {month}.{day}"


def _unit_or_none(text: str) -> MeasuredUnit | None:
    try:
        return cell_unit(text) if text else None
    except UnitError:
        return None


def _prefix(text: str) -> tuple[int, bool, str]:
    """A sign or word before the figure: the bound it makes, whether it says "about", and the rest."""
    if text[:1].isdecimal():
        return 0, False, text
    for pattern, bound, about in _prefixes():
        found = pattern.match(flat(text))
        if found is not None:
            return bound, about, text[found.end() :].strip()
    return 0, False, text


@lru_cache(maxsize=1)
def _prefixes() -> tuple[tuple[re.Pattern[str], int, bool], ...]:
    """Patterns of the signs and words that may stand before a figure."""
    made = []
    for name, signs, bound in (("at_least", ">=|≥|>", 1), ("at_most", "<=|≤|<", -1), ("about", "~|≈", 0)):
        words = "|".join(re.escape(word) for word in phrases("status", name))
        made.append((re.compile(rf"(?:{signs}|(?:{words})(?![^\W\d_]))\s*"), bound, name == "about"))
    return tuple(made)


def _clock(text: str) -> Number | None:
    """A time in hours, minutes and seconds ("0:01:00", as workbooks keep a minute) is a number of seconds."""
    found = _CLOCK.fullmatch(text)
    if found is None:
        return None
    hours, minutes, seconds = (int(part) for part in found.groups())
    return Number(Status.MEASURED, hours * 3600.0 + minutes * 60.0 + seconds, 0, "s", "", 1.0)


def _figure(text: str, style: Style) -> Number | None:
    grouped, pattern = _patterns(style.decimal, style.thousands)
    if style.workbook and _PLAIN.fullmatch(text) and not grouped.fullmatch(text):
        whole, exponent = text, "e" in text.lower()
        return _number(float(whole), _step(whole, "."), "", exponent)
    found = pattern.fullmatch(text)
    if found is None:
        return None
    sign, body, exponent_text, rest = found.groups()
    for mark in _all_marks(style.thousands):
        body = body.replace(mark, "")
    step = _step(body, style.decimal)
    body = body.replace(style.decimal, ".")
    try:
        value = float(f"{body}e{exponent_text or 0}")
    except (ValueError, OverflowError):
        return None
    if not np.isfinite(value):
        return None
    value = -value if sign in ("-", "−") else value
    rest = rest.strip()
    if rest.startswith("+"):
        made = _number(value, step, rest[1:].strip(), bool(exponent_text))
        return None if made is None else replace(made, bound=1)
    return _number(value, step, rest, bool(exponent_text))


def _number(value: float, step: float, rest: str, scientific: bool) -> Number | None:
    if not np.isfinite(value) or (rest and _unit_or_none(rest) is None):
        return None
    return Number(Status.MEASURED, value, 0, rest, "", step, scientific)


def _step(body: str, decimal: str) -> float:
    mantissa, _, exponent = body.lower().partition("e")
    places = len(mantissa.partition(decimal)[2])
    try:
        return float(10.0 ** (int(exponent or 0) - places))
    except (OverflowError, ValueError):  # an exponent that no number has, or of thousands of digits
        return float("nan")


def _all_marks(thousands: tuple[str, ...]) -> str:
    marks = "".join(thousands)
    if any(mark.isspace() for mark in thousands):
        marks += _BLANKS
    if "'" in marks or "’" in marks:
        marks += "'’"
    return "".join(dict.fromkeys(marks))


@lru_cache(maxsize=256)
def _patterns(decimal: str, thousands: tuple[str, ...]) -> tuple[re.Pattern[str], re.Pattern[str]]:
    point = re.escape(decimal)
    marks = re.escape(_all_marks(thousands))
    grouped = rf"[+\-−]?\d{{1,3}}(?:[{marks}]\d{{3}})+(?:{point}\d+)?" if marks else r"(?!)"
    groups = rf"\d{{1,3}}(?:[{marks}]\d{{3}})+(?!\d)|" if marks else ""
    body = rf"(?:{groups}\d+)(?:{point}\d+)?|{point}\d+"
    number = rf"([+\-−]?)\s*({body})(?:[eE]([+-]?\d{{1,3}}))?(?![\d{point}])(.*)"
    return re.compile(grouped), re.compile(number, re.DOTALL)

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
from pipelines.sheets.words import MeasuredUnit, fold, measured_unit
from wearlab.errors import UnitError

_BLANKS = " \u00a0\u2009\u202f"
_NOT_MEASURED = {
    "",
    "n a",
    "na",
    "nm",
    "n m",
    "not measured",
    "none",
    "missing",
    "unknown",
    "hose off",
    "not tested",
}
_NOT_MEASURED_SIGNS = set("?-–—−./") | {"--", "---", "??", "???", "n/a", "#n/a", "…", "..."}
_SPOILED = {"spilled", "spilt", "spoiled", "spoilt", "void", "invalid", "knocked over", "lost"}
_BEYOND = {"full", "off scale", "offscale", "overflow", "overflowed", "ran over", "over scale", "tube full"}
_AT_LEAST = ("at least", "more than", "over", "above", "min.", ">=", "≥", ">")
_AT_MOST = ("at most", "less than", "under", "below", "max.", "<=", "≤", "<")
_ABOUT = ("approx.", "approx", "about", "ca.", "ca", "circa", "~", "≈")
_MARK = re.compile(r"\s*([*†‡]+|\((?:\d|[a-z])\))$")
_SIMPLE = re.compile(r"\d{1,15}(?:\.\d{1,15})?", re.ASCII)
_PLAIN = re.compile(r"-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")


class Status(IntEnum):
    """What a cell of numbers holds."""

    MEASURED = 0
    NOT_MEASURED = 1
    SPOILED = 2
    BEYOND = 3  # beyond the scale, without a figure
    UNREADABLE = 4


@dataclass(frozen=True, slots=True)
class Style:
    """How numbers are written in a column. In a workbook a true number cell has the plain form 1234.5."""

    decimal: str = "."
    thousands: tuple[str, ...] = ()
    workbook: bool = False


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


def numbers(cells: Cells, style: Style) -> Numbers:
    """Read a column of numbers, each distinct text once."""
    found = cells.each(lambda text: read_number(text, style))
    codes = cells.codes

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
    if style.decimal == "." and "." not in style.thousands and _SIMPLE.fullmatch(bare):
        return Number(Status.MEASURED, float(bare), step=_step(bare, "."))
    word = fold(bare)
    if bare in _NOT_MEASURED_SIGNS or (word in _NOT_MEASURED and not any(sign.isdigit() for sign in bare)):
        status = Status.UNREADABLE if not word and bare and bare not in _NOT_MEASURED_SIGNS else Status.NOT_MEASURED
        return Number(status)
    if word in _SPOILED:
        return Number(Status.SPOILED)
    if word in _BEYOND:
        return Number(Status.BEYOND, bound=1)
    mark = _MARK.search(bare)
    if mark is not None:
        bare = bare[: mark.start()]
    bound, about, bare = _prefix(bare)
    found = _figure(bare, style)
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


def _unit_or_none(text: str) -> MeasuredUnit | None:
    try:
        return measured_unit(text) if text else None
    except UnitError:
        return None


def _prefix(text: str) -> tuple[int, bool, str]:
    lower = text.casefold()
    for signs, bound in ((_AT_LEAST, 1), (_AT_MOST, -1)):
        for sign in signs:
            if lower.startswith(sign):
                return bound, False, text[len(sign) :].strip()
    for sign in _ABOUT:
        if lower.startswith(sign):
            return 0, True, text[len(sign) :].strip()
    return 0, False, text


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
    return float(10.0 ** (int(exponent or 0) - places))


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

"""Dates by declared formats only. A date that does not exist is never rolled over to the next month."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from enum import IntEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipelines.sheets.cells import Bools, Cells, Ints
from pipelines.sheets.vocabulary import meaning

Dates = NDArray[np.datetime64]
NO_DATE = np.datetime64("NaT", "D")

# serial day numbers of a workbook between the years 1982 and 2064 (four years later where it counts from 1904)
_SERIAL = re.compile(r"[3-5]\d{4}(?:\.\d+)?")
_DAY_ZERO = date(1899, 12, 30)
_DAY_ZERO_1904 = date(1904, 1, 1)
_PARTS = {
    "%d": r"\d{1,2}",
    "%m": r"\d{1,2}",
    "%Y": r"\d{4}",
    "%y": r"\d{2}",
    "%H": r"\d{1,2}",
    "%M": r"\d{1,2}",
    "%S": r"\d{1,2}",
    "%b": r"[^\W\d]+",
    "%B": r"[^\W\d]+",
}


class DateStatus(IntEnum):
    """What a cell of dates holds."""

    GOOD = 0
    BLANK = 1
    UNREADABLE = 2
    IMPOSSIBLE = 3  # fits a declared format but does not exist
    AMBIGUOUS = 4  # fits two declared formats with different answers
    SERIAL = 5  # a workbook's day number, converted


def read_dates(
    cells: Cells, formats: tuple[str, ...], *, typed: Bools | None, workbook: bool, from_1904: bool = False
) -> tuple[Dates, Ints]:
    """Read a column of dates; each distinct text once.

    Parameters
    ----------
    cells : the column.
    formats : declared formats, as `datetime.strptime` writes them.
    typed : where the workbook itself says that the cell is a date (its text is ISO then); None: nowhere.
    workbook : whether a bare day number may stand for a date.
    from_1904 : whether the workbook counts its days from 1904-01-01.

    Returns
    -------
    datetime64[D] with NaT where there is none, and a `DateStatus` a row.
    """
    dates, status = _column(cells, formats, workbook, from_1904)
    if typed is not None and typed.any():
        iso, iso_status = _column(cells, ("%Y-%m-%d",), False, False)
        dates = np.where(typed, iso, dates)
        status = np.where(typed, iso_status, status)
    return dates, status


def _column(cells: Cells, formats: tuple[str, ...], workbook: bool, from_1904: bool) -> tuple[Dates, Ints]:
    found = cells.each(lambda text: read_date(text, formats, workbook, from_1904))
    dates = np.array([NO_DATE if one is None else np.datetime64(one, "D") for one, _ in found], "datetime64[D]")
    status = np.array([one for _, one in found], dtype=np.int64)
    return dates[cells.codes], status[cells.codes]


def read_date(
    text: str, formats: tuple[str, ...], workbook: bool, from_1904: bool = False
) -> tuple[date | None, DateStatus]:
    """Read one date; None with the reason where there is none."""
    if text in ("", "?", "-", "–", "—", "n/a"):
        return None, DateStatus.BLANK
    if not any(sign.isdecimal() for sign in text) and meaning("status", text) == "not_measured":
        return None, DateStatus.BLANK
    answers = {found for form in formats if (found := _parsed(text, form)) is not None}
    if len(answers) == 1:
        return answers.pop(), DateStatus.GOOD
    if len(answers) > 1:
        return None, DateStatus.AMBIGUOUS
    if workbook and _SERIAL.fullmatch(text):
        zero = _DAY_ZERO_1904 if from_1904 else _DAY_ZERO
        return zero + timedelta(days=int(float(text))), DateStatus.SERIAL
    if any(_shape(form).fullmatch(text) for form in formats):
        return None, DateStatus.IMPOSSIBLE
    return None, DateStatus.UNREADABLE


def _parsed(text: str, form: str) -> date | None:
    for candidate in (text, text[:10]) if form == "%Y-%m-%d" and text[10:11] in ("T", " ") else (text,):
        try:
            return datetime.strptime(candidate, form).date()
        except ValueError:
            continue
    return None


@lru_cache(maxsize=64)
def _shape(form: str) -> re.Pattern[str]:
    pieces = re.split(r"(%[a-zA-Z])", form)
    return re.compile("".join(_PARTS.get(piece, re.escape(piece)) for piece in pieces))

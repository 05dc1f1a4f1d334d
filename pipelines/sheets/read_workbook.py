"""Workbooks (XLSX, XLSM, ODS) to rows of text with true row numbers, after their container was checked."""

from __future__ import annotations

import io
import math
from array import array
from bisect import bisect_left
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np
from python_calamine import (
    CalamineError,
    CalamineWorkbook,
    PasswordError,
    SheetTypeEnum,
    SheetVisibleEnum,
)

from pipelines.sheets.archive import refuse_large_archive
from pipelines.sheets.container import Container, open_container
from pipelines.sheets.raw import CellSet, RawSheet
from pipelines.sheets.scan import BookScan, SheetScan, cell_name
from pipelines.sheets.scan_ods import scan_ods
from pipelines.sheets.scan_xlsx import scan_xlsx
from wearlab.errors import SheetError

_Cell = str | float | bool | date | time | timedelta

#: What the library raises where it did not expect a file to be so; it is no `Exception` and cannot be imported.
_PANIC = "PanicException"


@dataclass(frozen=True, slots=True)
class Workbook:
    """A workbook as read: its kind ("xlsx", "xlsm", "ods"), its visible sheets with content, and notes."""

    kind: str
    sheets: tuple[RawSheet, ...]
    notes: tuple[str, ...]


def read_workbook(label: str, data: bytes) -> Workbook:
    """Read every visible worksheet of a workbook in memory.

    Numbers become text as a spreadsheet shows them in general format: no ".0", at most 15 digits. Dates
    become ISO 8601 and are listed in `RawSheet.date_cells`, whatever day the workbook counts from. Merged
    areas are filled with the text of their first cell. Error cells become the error's text, a formula
    without a stored result its own text; both are told in the sheet's notes. Hidden sheets are told and not
    read.

    Parameters
    ----------
    label:
        The file's name for sentences.
    data:
        The whole file.

    Raises
    ------
    SheetError
        Not a workbook, damaged, encrypted, a zip bomb, entities, links to other files, no visible content.
    """
    refuse_large_archive(label, len(data))
    container = open_container(label, data)
    kind = _kind(container)
    scan = scan_ods(container) if kind == "ods" else scan_xlsx(container)
    try:
        sheets, notes = _read_sheets(label, data, scan)
    except PasswordError:
        raise SheetError(f"{label} is encrypted: save it without a password and load that file") from None
    except (CalamineError, OSError, ValueError, OverflowError) as fault:
        raise _unreadable(label, str(fault)[:120]) from None
    except BaseException as fault:
        if type(fault).__name__ != _PANIC:
            raise
        raise _unreadable(label, "its parts contradict each other") from None
    if not sheets:
        raise SheetError(
            f"{label} has no visible sheet with content{_because(notes)}: expected a header and rows on a visible sheet"
        )
    if kind == "xlsm":
        notes.append("the workbook holds macros, which were not run")
    return Workbook(kind, tuple(sheets), tuple(notes))


def _unreadable(label: str, why: str) -> SheetError:
    return SheetError(
        f"{label} cannot be read as a workbook ({why}): open it in a spreadsheet program, save it again and "
        "load that file"
    )


def _because(notes: list[str]) -> str:
    return f" ({'; '.join(notes)})" if notes else ""


def _kind(container: Container) -> str:
    label, members = container.label, container.members
    if "xl/workbook.xml" in members and "[Content_Types].xml" in members:
        return "xlsm" if "xl/vbaProject.bin" in members else "xlsx"
    if "xl/workbook.bin" in members:
        raise SheetError(f"{label} is a binary workbook (XLSB), which is not read: save it as XLSX")
    if "content.xml" in members and "mimetype" in members:
        # the templates of spreadsheets have a longer type that begins the same
        if container.members["mimetype"].file_size < 200 and container.read("mimetype").startswith(
            b"application/vnd.oasis.opendocument.spreadsheet"
        ):
            return "ods"
        raise SheetError(f"{label} is an office document but no spreadsheet: expected XLSX, XLSM, ODS or CSV")
    if "[Content_Types].xml" in members:
        raise SheetError(f"{label} is an office document but no spreadsheet: expected XLSX, XLSM, ODS or CSV")
    raise SheetError(f"{label} is a zip archive and no workbook: unpack it and load the folder")


def _read_sheets(label: str, data: bytes, scan: BookScan) -> tuple[list[RawSheet], list[str]]:
    sheets: list[RawSheet] = []
    notes: list[str] = []
    with CalamineWorkbook.from_filelike(io.BytesIO(data)) as book:
        for about in book.sheets_metadata:
            if about.visible != SheetVisibleEnum.Visible:
                notes.append(
                    f'sheet "{about.name}" is hidden and was not read: unhide it in the workbook if '
                    "its rows belong here"
                )
                continue
            if about.typ != SheetTypeEnum.WorkSheet:
                continue
            found = scan.sheets.get(about.name)
            if found is None:
                raise SheetError(
                    f'{label}: the content of sheet "{about.name}" is missing from the file: open it '
                    "in a spreadsheet "
                    "program, save it again and load that file"
                )
            sheet = book.get_sheet_by_name(about.name)
            cells: list[list[_Cell]] = sheet.to_python(skip_empty_area=False)
            merged = [(a[0], a[1], b[0], b[1]) for a, b in sheet.merged_cell_ranges or ()] + found.merged
            finished = _sheet(label, about.name, cells, merged, found, scan.from_1904)
            if finished.rows:
                sheets.append(finished)
    return sheets, notes


def _sheet(
    label: str,
    name: str,
    cells: list[list[_Cell]],
    merged: list[tuple[int, int, int, int]],
    scan: SheetScan,
    from_1904: bool,
) -> RawSheet:
    rows, dates, numbers = _texts(cells)
    _put(rows, scan.errors)
    _put(rows, {place: f"={text}" for place, text in scan.unsaved.items()})
    areas = _fill(label, name, rows, (dates, numbers), merged)
    notes = []
    if scan.errors:
        where = cell_name(*min(scan.errors))
        notes.append(f"{_many(len(scan.errors), 'cell')} with an error (first {where}): shown as text")
    if scan.unsaved:
        where = cell_name(*min(scan.unsaved))
        notes.append(
            f"{_many(len(scan.unsaved), 'formula')} without a stored result (first {where}): open "
            "the workbook in a spreadsheet program and save it to store them"
        )
    if from_1904:
        notes.append("the workbook counts its days from 1904-01-01")
    return RawSheet(name, rows, None, dates.cells(), tuple(areas), tuple(notes), from_1904, numbers.cells())


def _many(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


class _Places:
    """Places of cells, gathered row by row: the rows of each column, which takes a tenth of the memory of pairs."""

    def __init__(self) -> None:
        self.columns: dict[int, array[int]] = {}
        self.more: list[tuple[int, int]] = []

    def add(self, row: int, column: int) -> None:
        found = self.columns.get(column)
        if found is None:
            found = self.columns[column] = array("q")
        found.append(row)

    def has(self, row: int, column: int) -> bool:
        found = self.columns.get(column, ())
        place = bisect_left(found, row)
        return place < len(found) and found[place] == row

    def cells(self) -> CellSet:
        made = {column: np.frombuffer(rows, dtype=np.int64) for column, rows in self.columns.items()}
        for column, rows in CellSet.of(self.more).columns().items():
            made[column] = np.union1d(made.get(column, rows), rows)
        return CellSet(made)


def _texts(cells: list[list[_Cell]]) -> tuple[list[list[str]], _Places, _Places]:
    """Return the cells as text, the places of dates and the places of numbers."""
    known: dict[float, str] = {}
    dates, numbers = _Places(), _Places()
    rows: list[list[str]] = []
    for r, row in enumerate(cells):
        line: list[str] = []
        for c, value in enumerate(row):
            kind = type(value)
            if kind is str:
                line.append(value)  # type: ignore[arg-type]
            elif kind is float:
                numbers.add(r, c)
                text = known.get(value)  # type: ignore[arg-type]
                if text is None:
                    text = known[value] = number_text(value)  # type: ignore[arg-type,index]
                line.append(text)
            else:
                line.append(_other_text(value))
                if isinstance(value, date):
                    dates.add(r, c)
        rows.append(line)
    return rows, dates, numbers


def number_text(value: float) -> str:
    """Return a number as a spreadsheet shows it in general format: 45810.0 is "45810", 0.1 + 0.2 is "0.3"."""
    if math.isfinite(value) and value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return f"{value:.15g}"


def _other_text(value: _Cell) -> str:
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, datetime):
        with suppress(OverflowError):  # the last moment of the calendar
            value += timedelta(milliseconds=0.5)
        return value.isoformat(timespec="seconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        return value.isoformat(timespec="seconds")
    if isinstance(value, timedelta):
        seconds = round(value.total_seconds())
        sign = "-" if seconds < 0 else ""
        return f"{sign}{abs(seconds) // 3600:02d}:{abs(seconds) // 60 % 60:02d}:{abs(seconds) % 60:02d}"
    return number_text(float(value))


def _put(rows: list[list[str]], texts: dict[tuple[int, int], str]) -> None:
    for (r, c), text in texts.items():
        while len(rows) <= r:
            rows.append([])
        line = rows[r]
        if len(line) <= c:
            line.extend([""] * (c + 1 - len(line)))
        if not line[c]:
            line[c] = text


def _fill(
    label: str,
    name: str,
    rows: list[list[str]],
    typed: tuple[_Places, ...],
    merged: list[tuple[int, int, int, int]],
) -> list[tuple[int, int, int, int]]:
    """Fill merged areas with their first cell, as far as the table reaches."""
    wide = max((len(row) for row in rows), default=0)
    room = 2 * len(rows) * wide
    areas = []
    for top, left, bottom, right in merged:
        bottom, right = min(bottom, len(rows) - 1), min(right, wide - 1)
        if top > bottom or left > right:
            continue
        room -= (bottom - top + 1) * (right - left + 1)
        if room < 0:
            raise SheetError(
                f'{label}, sheet "{name}": its merged areas overlap many times over, which no '
                "spreadsheet program "
                "writes: save it anew from a spreadsheet program"
            )
        areas.append((top, left, bottom, right))
        text = rows[top][left] if left < len(rows[top]) else ""
        if not text:
            continue
        alike = [places for places in typed if places.has(top, left)]
        for r in range(top, bottom + 1):
            line = rows[r]
            if len(line) <= right:
                line.extend([""] * (right + 1 - len(line)))
            for c in range(left, right + 1):
                line[c] = text
                for places in alike:
                    places.more.append((r, c))
    return areas

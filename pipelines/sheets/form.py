"""The blank test sheet: a page to print, and a workbook that loads back through a layout of our own."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import xlsxwriter
from jinja2 import Environment, StrictUndefined
from xlsxwriter.utility import xl_rowcol_to_cell

from wearlab.config import Settings
from wearlab.errors import InputError, SheetError
from wearlab.records import Driven
from wearlab.study.cautions import ALL

REASONS = ("planned", "complaint", "after repair", "warranty", "return")
TEMPERATURES = ("tank", "return", "coolant")

_SHEET = "Tests"
_GUIDE = "How to fill"
_CYLINDERS = 8
_WIDTHS = {"vehicle": 14, "date": 12, "complaint": 28, "fault_codes": 16, "protocol": 18, "note": 30}
_STATED = ("vehicle", "technician", "rig", "fault_codes", "protocol")


@dataclass(frozen=True, slots=True)
class FormColumn:
    """A column of the blank workbook: its header, the field it fills, and the position of a reading."""

    header: str
    field: str
    position: str | None
    optional: bool


def form_columns() -> tuple[FormColumn, ...]:
    """Return the columns of the built-in layout in their order; the workbook form is made from them."""
    text = files("pipelines.sheets").joinpath("layouts/form.toml").read_text(encoding="utf-8")
    return tuple(
        FormColumn(column["header"], column["field"], column.get("position"), bool(column.get("optional", False)))
        for column in tomllib.loads(text)["columns"]
    )


def blank_form_html(
    settings: Settings, vehicle: str | None = None, cylinders: int | None = None, repeats: int = 2
) -> str:
    """Return the blank test sheet as one self-contained HTML page that prints on A4.

    Parameters
    ----------
    settings:
        Names of the workshop and of its protocols are printed.
    vehicle:
        Printed into its field where given.
    cylinders:
        Columns of the return-flow table, 1 to 24; None takes the most that a configured family has, else 6.
    repeats:
        Rows of the tables, 1 to 4.

    Raises
    ------
    InputError
        `cylinders` or `repeats` is out of range.
    """
    count = cylinders if cylinders is not None else _most_cylinders(settings)
    if not 1 <= count <= 24:
        raise InputError(f"a test sheet for {count} cylinders cannot be made: give 1 to 24")
    if not 1 <= repeats <= 4:
        raise InputError(f"a test sheet with {repeats} repeats cannot be made: give 1 to 4")
    source = files("pipelines.sheets").joinpath("templates/form.html").read_text(encoding="utf-8")
    template = Environment(autoescape=True, undefined=StrictUndefined).from_string(source)
    return template.render(
        workshop=settings.name,
        vehicle=vehicle or "",
        cylinders=count,
        repeats=repeats,
        protocols=list(settings.protocols),
        reasons=REASONS,
        drives=[drive.value for drive in Driven],
        temperatures=TEMPERATURES,
        cautions=ALL,
    )


def write_blank_form_xlsx(
    path: Path,
    settings: Settings,
    vehicle: str | None = None,
    cylinders: int | None = None,
    rows: int = 200,
) -> None:
    """Write the blank test sheet as a workbook; filled in, it loads back without any layout of the user.

    The sheet "Tests" has one header row and then one row a test: a repeat is a row of its own, and so is the
    pump test, because its conditions differ. The sheet "How to fill" explains it and is not loaded.

    Parameters
    ----------
    path:
        File to write, ending in .xlsx; an existing file is not overwritten.
    settings:
        Its protocols are offered for choice.
    vehicle:
        Written into the first row where given.
    cylinders:
        Columns for cylinders, 1 to 8; None takes the most that a configured family has, at most 8.
    rows:
        Rows that are prepared with formats and choices.

    Raises
    ------
    InputError
        `cylinders` or `rows` is out of range.
    SheetError
        The file exists or cannot be written.
    """
    count = cylinders if cylinders is not None else min(_most_cylinders(settings), _CYLINDERS)
    if not 1 <= count <= _CYLINDERS:
        raise InputError(f"the workbook form has columns for 1 to {_CYLINDERS} cylinders, not {count}")
    if not 1 <= rows <= 10_000:
        raise InputError(f"{rows} rows cannot be prepared: give 1 to 10,000")
    if path.exists():
        raise SheetError(f"{path} exists already: name another file, a filled form is never overwritten")
    columns = [column for column in form_columns() if _wanted(column, count)]
    book = xlsxwriter.Workbook(path)
    _write_tests(book, columns, settings, vehicle, rows)
    _write_guide(book, settings)
    try:
        book.close()
    except (OSError, xlsxwriter.exceptions.FileCreateError) as fault:
        raise SheetError(f"{path} cannot be written ({fault}): check the folder and its rights") from None


def _most_cylinders(settings: Settings) -> int:
    return max((family.cylinders or 0 for family in settings.families.values()), default=0) or 6


def _wanted(column: FormColumn, cylinders: int) -> bool:
    number = column.position or ""
    return not number.isdecimal() or int(number) <= cylinders


def _write_tests(book: Any, columns: list[FormColumn], settings: Settings, vehicle: str | None, rows: int) -> None:
    sheet = book.add_worksheet(_SHEET)
    head = book.add_format({"bold": True, "text_wrap": True, "valign": "vcenter", "bottom": 2})
    text = book.add_format({"num_format": "@"})
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    sheet.set_row(0, 45)
    for index, column in enumerate(columns):
        # identifiers are text, so that leading zeros stay
        style = text if column.field in _STATED else day if column.field == "date" else None
        sheet.set_column(index, index, _WIDTHS.get(column.field, 10), style)
        sheet.write_string(0, index, column.header, head)
        choice = _choice(column, settings)
        if choice is not None:
            sheet.data_validation(1, index, rows, index, choice)
    sheet.freeze_panes(1, 2)
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.repeat_rows(0)
    if vehicle:
        sheet.write_string(1, [column.field for column in columns].index("vehicle"), vehicle, text)


def _choice(column: FormColumn, settings: Settings) -> dict[str, Any] | None:
    words: dict[str, list[str]] = {
        "reason": list(REASONS),
        "driven": [drive.value for drive in Driven],
        "temp_kind": list(TEMPERATURES),
        "injectors_connected": ["yes", "no"],
    }
    source: list[str] | str | None = words.get(column.field)
    if column.field == "protocol" and settings.protocols:
        # the list stands on the guide sheet: a list inside the cell rule may have 255 signs only
        last = xl_rowcol_to_cell(len(settings.protocols), 3, row_abs=True, col_abs=True)
        source = f"='{_GUIDE}'!$D$2:{last}"
    if source is None:
        return None
    return {"validate": "list", "source": source, "error_type": "information", "ignore_blank": True}


def _write_guide(book: Any, settings: Settings) -> None:
    sheet = book.add_worksheet(_GUIDE)
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    bold = book.add_format({"bold": True})
    sheet.set_column(0, 0, 100)
    sheet.set_column(3, 3, 28)
    lines = (
        f'One row a test on the sheet "{_SHEET}". The header row stays as it is; columns on the right of '
        '"Duration (s)" that are not needed may be removed, except cylinder 1.',
        "A second measurement at the same visit is a second row with 2 under Repeat.",
        "The pump test has a row of its own with its own speed, battery, supply and closed volume.",
        "Return flow is written in ml collected over the duration in s. A tube that ran over: > and "
        "its size, for example >120. Not measured: leave the cell empty.",
        "Dates are dates or year-month-day. Decimals as the spreadsheet takes them; in a cell of text, a point.",
        "Cylinders by their number on the engine, not in firing order.",
    )
    sheet.write_string(0, 0, "How to fill this workbook", bold)
    for row, line in enumerate(lines, start=1):
        sheet.write_string(row, 0, line, wrap)
    start = len(lines) + 2
    sheet.write_string(start, 0, "Cautions", bold)
    for row, line in enumerate(ALL, start=start + 1):
        sheet.write_string(row, 0, line, wrap)
    sheet.write_string(0, 3, "Protocols", bold)
    for row, name in enumerate(settings.protocols, start=1):
        sheet.write_string(row, 3, name)

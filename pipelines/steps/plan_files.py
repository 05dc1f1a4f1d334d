"""The tables of a plan as a workbook or as CSV, in which no text is ever run as a formula.

The same view gives the same bytes: the workbook bears the day of the plan, not that of writing.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

from pipelines.steps.plan_view import PlanView
from pipelines.steps.view_table import DIGITS, Cell, Column, Form, Table
from pipelines.steps.whole_file import write_whole
from wearlab.errors import InputError
from wearlab.language import _

SUFFIXES = (".xlsx", ".csv")
#: the table of a CSV when none is named
FIRST = "plan"

#: signs with which a text may be run by a spreadsheet, the wide ones of East Asian keyboards with them; some programs
#: strip what stands before them
_RUNS = ("=", "+", "-", "@", "＝", "＋", "－", "＠")
_BREAKS = ("\t", "\r", "\n")
#: characters that a cell of a workbook and the head of a table hold, and the first year that it can count
_CELL, _HEAD, _YEAR = 32_767, 255, 1900
_STYLE = "Table Style Light 1"
_FORMATS: dict[Form, str] = {
    "date": "yyyy-mm-dd",
    "count": "#,##0",
    "expected": "0.00",
    "money": "#,##0.00",
    "km": "#,##0",
    "percent": "0.0",
    "hours": "0.00",
    "rate": "0.0000",
    "level": "#,##0.00",
}
#: characters that the name of a sheet has at most, and those that it must not have
_SHEET, _NOT_IN_SHEET = 31, str.maketrans(dict.fromkeys("[]:*?/\\", " "))
#: widths in characters: of what is counted or dated, of sentences, and the most of a text
_NUMBER, _SENTENCE, _TEXT = 12, 60, 32


def write_plan(view: PlanView, path: Path, table: str | None = None) -> tuple[str, ...]:
    """Write a view as XLSX (all tables, or one) or as CSV in UTF-8 (one table, the plan where none is named).

    Returns the names of the tables that were written. A file that is there is replaced.

    Raises
    ------
    InputError
        The name ends in neither .xlsx nor .csv, the file cannot be written, or there is no plan to fill the one table
        that was asked for: the reason is told and nothing is written.
    UnknownName
        There is no such table.
    """
    kind = path.suffix.lower()
    if kind not in SUFFIXES:
        raise InputError(f"{path} is no file of a plan: give a name that ends in .xlsx or .csv")
    if kind == ".csv" or table is not None:
        one = view.table(table or FIRST)
        if view.no_plan and one.planned:
            raise InputError(f"{' '.join(view.no_plan)} Nothing was written to {path}")
        chosen: tuple[Table, ...] = (one,)
    else:
        chosen = view.tables
    write_whole(path, csv_text(chosen[0]) if kind == ".csv" else workbook(view, chosen))
    return tuple(one.name for one in chosen)


def harmless(text: str) -> str:
    """Return a text with an apostrophe before it where a spreadsheet could run it."""
    runs = text.startswith(_BREAKS) or text.lstrip().startswith(_RUNS)
    return f"'{text}" if runs else text


def csv_text(table: Table) -> bytes:
    """Return a table as CSV: UTF-8, commas, dates as 2027-05-03, numbers with a point, nothing where none is known."""
    made = io.StringIO(newline="")
    writer = csv.writer(made, lineterminator="\r\n")
    writer.writerow([harmless(column.title) for column in table.columns])
    for row in table.rows:
        writer.writerow([_written(column.form, value) for column, value in zip(table.columns, row, strict=True)])
    return made.getvalue().encode("utf-8", "replace")


def _written(form: Form, value: Cell) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return harmless(value)
    if isinstance(value, date):
        return value.isoformat()
    return f"{value:.{DIGITS.get(form, 2)}f}"


def workbook(view: PlanView, tables: Sequence[Table], title: str = "") -> bytes:
    """Return tables as a workbook in the spoken language, a sheet each: real tables with filters, the head frozen."""
    import xlsxwriter

    made = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(made, options) as book:
        day = view.as_of
        book.set_properties({"title": title or _("Plan"), "created": datetime(day.year, day.month, day.day)})
        formats = {form: book.add_format({"num_format": code, "valign": "top"}) for form, code in _FORMATS.items()}
        formats["text"] = book.add_format({"num_format": "@", "valign": "top"})
        formats["sentence"] = book.add_format({"text_wrap": True, "valign": "top"})
        head = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
        for table, name in zip(tables, sheet_names(_(one.name) for one in tables), strict=True):
            page = book.add_worksheet(name)
            _fill(page, table, formats, head)
            if view.no_plan and table.name == "about":
                page.activate()
    return made.getvalue()


def sheet_names(names: Iterable[str]) -> list[str]:
    """Return names as sheets can bear them: short enough, without the signs that none may have, each once."""
    return _each_once((name.translate(_NOT_IN_SHEET).strip("' ") or "-" for name in names), _SHEET)


def _each_once(texts: Iterable[str], most: int) -> list[str]:
    """Texts of so many characters at most; one that is there already, in capitals or not, gets a number."""
    found: dict[str, str] = {}
    for text in texts:
        name, number = text[:most], 1
        while name.casefold() in found:
            number += 1
            end = f" ({number})"
            name = text[: most - len(end)] + end
        found[name.casefold()] = name
    return list(found.values())


def _fill(page: Any, table: Table, formats: dict[Form, Any], head: Any) -> None:
    for number, row in enumerate(table.rows, start=1):
        for at, (column, value) in enumerate(zip(table.columns, row, strict=True)):
            _put(page, number, at, column.form, value, formats)
    heads = _each_once((column.shown for column in table.columns), _HEAD)
    last = max(len(table.rows), 1)  # a table has a row, if only an empty one
    page.add_table(
        0,
        0,
        last,
        len(table.columns) - 1,
        {
            "name": "table_" + table.name.replace(" ", "_"),
            "style": _STYLE,
            "columns": [
                {"header": name, "header_format": head, "format": formats[column.form]}
                for name, column in zip(heads, table.columns, strict=True)
            ],
        },
    )
    page.freeze_panes(1, 1)
    for at, column in enumerate(table.columns):
        page.set_column(at, at, _width(column, [row[at] for row in table.rows]))
    page.set_landscape()
    page.fit_to_pages(1, 0)
    page.repeat_rows(0)


def _put(page: Any, row: int, at: int, form: Form, value: Cell, formats: dict[Form, Any]) -> None:
    """Every text is typed as text: a number or a formula in it stays what was written."""
    if value is None:
        return
    if isinstance(value, date):
        if value.year >= _YEAR:
            page.write_datetime(row, at, datetime(value.year, value.month, value.day), formats[form])
        else:
            page.write_string(row, at, value.isoformat(), formats["text"])
    elif isinstance(value, str):
        page.write_string(row, at, value.encode("utf-8", "replace").decode("utf-8")[:_CELL], formats[form])
    else:
        page.write_number(row, at, value, formats[form])


def _width(column: Column, values: Sequence[Cell]) -> int:
    if column.form == "sentence":
        return _SENTENCE
    if column.form != "text":
        return _NUMBER
    return min(max([_NUMBER, *(len(value) + 2 for value in values if isinstance(value, str))]), _TEXT)

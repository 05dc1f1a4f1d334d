"""What waits for a person as a sheet to be edited, and such a sheet read back."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from pipelines.sheets.aside import Item
from pipelines.sheets.choices import Choice
from pipelines.sheets.files import read_file
from pipelines.sheets.raw import RawSheet
from wearlab.errors import InputError, SheetError

COLUMNS = ("id", "what", "file", "row", "column", "cell", "reason", "suggestion", "decision", "value", "why")
_NEEDED = ("id", "decision", "value", "why")
_WIDTHS = (18, 15, 24, 7, 18, 18, 70, 18, 12, 18, 24)
SUFFIXES = (".csv", ".xlsx")
#: A spreadsheet runs a cell of text that begins with one of these.
_RUNS = ("=", "+", "-", "@", "\t", "\r")


def write_items(path: Path, items: Sequence[Item]) -> None:
    """Write all that waits as CSV or XLSX, one line each, with empty columns for what a person decides.

    Texts of foreign sheets are never formulas in it: in a workbook every cell is typed as text, in CSV a text that a
    spreadsheet would run has an apostrophe before it.

    Raises
    ------
    InputError
        The name ends in neither .csv nor .xlsx, the file is there already, or it cannot be written.
    """
    if path.suffix.lower() not in SUFFIXES:
        raise InputError(f"{path} is no sheet to write: give a name that ends in .csv or .xlsx")
    if path.exists():
        raise InputError(f"{path} is there already and may hold decisions: settle it or give another name")
    rows = [_row(item) for item in items]
    content = _workbook(rows) if path.suffix.lower() == ".xlsx" else _text(rows)
    try:
        path.write_bytes(content)
    except OSError as fault:
        raise InputError(f"{path} cannot be written ({fault.strerror or fault}): name another place") from None


def read_choices(path: Path) -> list[Choice]:
    """Read what a person decided; lines without decision and value are left open.

    Raises
    ------
    SheetError
        It is no CSV or XLSX that can be read.
    InputError
        It lacks a needed column, has one twice, or holds nothing that was decided.
    """
    raw = read_file(path)
    if raw.kind not in ("csv", "xlsx"):
        raise SheetError(f"{path.name} is {raw.kind.upper()}: expected the CSV or XLSX that was written with --out")
    filled = [sheet for sheet in raw.sheets if any(cell.strip() for row in sheet.rows for cell in row)]
    if not filled:
        raise SheetError(f"{path.name} is empty: expected the columns {', '.join(COLUMNS)}")
    if len(filled) > 1:
        raise InputError(f"{path.name} has {len(filled)} sheets with cells: keep the one with the decisions")
    return _choices(path.name, filled[0])


def _choices(name: str, sheet: RawSheet) -> list[Choice]:
    head = [cell.strip().lower() for cell in sheet.rows[0]]
    for column in _NEEDED:
        if head.count(column) != 1:
            many = "no" if column not in head else "more than one"
            raise InputError(
                f'{name} has {many} column "{column}" in row 1: keep the header as it was written with --out; '
                "nothing was changed"
            )
    unknown = [word for word in head if word and word not in COLUMNS]
    if unknown:
        raise InputError(
            f'{name} has the unknown column "{unknown[0][:40]}": keep the header as it was written with --out; '
            "nothing was changed"
        )
    place = {column: head.index(column) for column in _NEEDED}
    made: list[Choice] = []
    for index, row in enumerate(sheet.rows[1:], start=1):
        said = {column: row[at].strip() if at < len(row) else "" for column, at in place.items()}
        where = f"row {sheet.row_number(index)} of {name}"
        if not any(said.values()) and not any(cell.strip() for cell in row):
            continue
        if any("\ufffd" in text for text in said.values()):
            raise InputError(f"{where} has signs that cannot be read: save the file as UTF-8; nothing was changed")
        if not said["decision"] and not said["value"]:
            continue
        if not said["id"]:
            raise InputError(f"{where} decides something but has no id: put the id back; nothing was changed")
        made.append(Choice(said["id"], said["decision"].lower(), said["value"], said["why"], where))
    if not made:
        raise InputError(
            f"{name} decides nothing: fill the column decision (accept, value, drop, answer or open); "
            "nothing was changed"
        )
    return made


def _row(item: Item) -> list[str]:
    return [
        item.item_id,
        item.what,
        item.file + (f" [{item.sheet}]" if item.sheet else ""),
        str(item.row) if item.row else "",
        item.col_name or item.subject or "",
        item.cell or "",
        item.sentence,
        item.suggestion or "",
        "",
        "",
        "",
    ]


def _text(rows: Sequence[Sequence[str]]) -> bytes:
    made = io.StringIO()
    writer = csv.writer(made, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([f"'{text}" if text.startswith(_RUNS) else text for text in row])
    return b"\xef\xbb\xbf" + made.getvalue().encode("utf-8", "replace")


def _workbook(rows: Sequence[Sequence[str]]) -> bytes:
    import xlsxwriter

    made = io.BytesIO()
    with xlsxwriter.Workbook(made, {"in_memory": True}) as book:
        sheet = book.add_worksheet("aside")
        bold, wrapped = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
        for column, (name, width) in enumerate(zip(COLUMNS, _WIDTHS, strict=True)):
            sheet.set_column(column, column, width, wrapped)
            sheet.write_string(0, column, name, bold)
        for number, row in enumerate(rows, start=1):
            for column, text in enumerate(row):
                if text:
                    sheet.write_string(number, column, text[:32_000], wrapped)
        sheet.freeze_panes(1, 1)
        sheet.data_validation(
            1, 8, max(len(rows), 1), 8, {"validate": "list", "source": ["accept", "value", "drop", "answer", "open"]}
        )
    return made.getvalue()

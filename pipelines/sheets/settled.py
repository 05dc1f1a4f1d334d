"""What a person decided on rows and cells, applied to a sheet before it is read; the raw rows stay as they are."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from pipelines.sheets.cells import Ints, cells_of
from pipelines.sheets.checks import RULES, Level
from pipelines.sheets.fields import QUANTITY
from pipelines.sheets.match import Mapped, Match
from pipelines.sheets.raw import CellSet, RawSheet
from pipelines.sheets.table import SheetTable
from pipelines.sheets.values import Status, Style, read_number
from wearlab.store.database import Database

#: Ways to settle a remark.
ACCEPT, VALUE, DROP = "accept", "value", "drop"

#: Stands between the cells of a row where it is compared as one text.
_BETWEEN = "\x1f"

_ISO = re.compile(r"\d{4}-\d{2}-\d{2}")
_PLAIN = re.compile(r"[+-]?\d+(?:\.\d+)?")
_DATES = frozenset(["date", "in_service", "warranty_until", "leaves_on", "valid_from", "due_on", "calibrated"])
_NUMBERS = frozenset([*QUANTITY, "reading", "value", "area", "cylinders", "on_hand", "on_order", "calibrate_every"])


@dataclass(frozen=True, slots=True)
class Decision:
    """One decision on a row (`col_no` None) or cell, named by the rule that doubted it."""

    sheet: str | None
    row_no: int
    col_no: int | None
    code: str
    decision: str
    value: str | None
    reason: str | None

    @property
    def drops_row(self) -> bool:
        """Whether dropping means the whole row and not one cell of it."""
        rule = RULES.get(self.code)
        return self.col_no is None or (rule is not None and rule.level == Level.ROW)


@dataclass(slots=True)
class SettledSheet:
    """A sheet with the decided texts in place of its own, and what there is to tell about it.

    Rows are indices of data rows; `given` has the mapped column, the text as written and what stands in for it.
    """

    sheet: RawSheet
    accepted: dict[tuple[str, int], list[int]] = field(default_factory=dict)
    given: list[tuple[int, Mapped, str, str]] = field(default_factory=list)
    dropped_rows: list[tuple[int, str]] = field(default_factory=list)
    dropped_cells: list[tuple[int, Mapped, str, str]] = field(default_factory=list)

    def tell(self, table: SheetTable) -> None:
        """Hand the decisions to the findings of a sheet: what was accepted is not doubted again."""
        findings = table.findings
        findings.waived = {key: np.array(rows, dtype=np.int64) for key, rows in self.accepted.items()}
        for (code, column), rows in sorted(self.accepted.items()):
            mapped = next((one for one in table.match.columns if one.index + 1 == column), None)
            places = np.array(rows, dtype=np.int64)
            cells = None if mapped is None else table.cells(mapped).at(places)
            findings.add("accepted", places, column=mapped, cells=cells, more=_plain(code))
        for row, mapped, before, after in self.given:
            findings.add("given", np.array([row]), column=mapped, cells=cells_of([before]), more=after)
        for row, mapped, before, why in self.dropped_cells:
            findings.add("dropped_cell", np.array([row]), column=mapped, cells=cells_of([before]), more=why)
        live = [(row, why) for row, why in self.dropped_rows if not table.structure[row]]
        findings.add("dropped", np.array([row for row, _ in live], dtype=np.int64), more=[why for _, why in live])


def decisions_of(database: Database, sha256: str) -> list[Decision]:
    """Return the decisions on a file by its content, the last one on each remark, in the order they were made."""
    found: dict[tuple[str | None, int, int | None, str], Decision] = {}
    for row in database.rows(
        "SELECT sheet, row_no, col_no, code, decision, value, reason FROM decision WHERE sha256 = ? "
        "ORDER BY decided_at, rowid",
        [sha256],
    ):
        one = Decision(*row)
        key = (one.sheet, one.row_no, one.col_no, one.code)
        found.pop(key, None)
        found[key] = one
    return list(found.values())


def decisions_by_line(database: Database) -> dict[str, list[tuple[str | None, Decision]]]:
    """Return all decisions by the text of the row, each with the header of its column.

    The same row elsewhere, in this file or another, gets the same decision; only what was said of a copy as such
    is said of that one row.
    """
    found: dict[str, dict[tuple[str | None, str], Decision]] = {}
    for line, header, *row in database.rows(
        "SELECT line, col_name, sheet, row_no, col_no, code, decision, value, reason FROM decision "
        "WHERE code <> 'duplicate' ORDER BY decided_at, rowid"
    ):
        one = Decision(*row)
        found.setdefault(line, {})[header, one.code] = one
    return {line: [(header, one) for (header, _), one in said.items()] for line, said in found.items()}


def _replayed(
    sheet: RawSheet, match: Match, elsewhere: Mapping[str, list[tuple[str | None, Decision]]]
) -> list[Decision]:
    columns = {one.name: one.index + 1 for one in match.columns}
    made: list[Decision] = []
    for index in range(match.first, len(sheet.rows)):
        for header, one in elsewhere.get(_BETWEEN.join(sheet.rows[index]), ()):
            if one.col_no is None or header in columns:
                column = None if one.col_no is None or header is None else columns[header]
                made.append(replace(one, sheet=sheet.sheet, row_no=sheet.row_number(index), col_no=column))
    return made


def settle_sheet(
    sheet: RawSheet,
    match: Match,
    decided: Sequence[Decision],
    elsewhere: Mapping[str, list[tuple[str | None, Decision]]],
    *,
    workbook: bool,
) -> SettledSheet:
    """Return a sheet as it is to be read after the decisions on it, and on the same rows elsewhere."""
    mine = [one for one in decided if one.sheet == sheet.sheet]
    if elsewhere:
        own = {(one.row_no, one.col_no, one.code) for one in mine}
        said = _replayed(sheet, match, elsewhere)
        mine = [one for one in said if (one.row_no, one.col_no, one.code) not in own] + mine
    if not mine:
        return SettledSheet(sheet)
    place = {sheet.row_number(index): index for index in range(len(sheet.rows))}
    columns = {one.index + 1: one for one in match.columns}
    made = SettledSheet(sheet)
    texts: dict[tuple[int, int], str] = {}
    for one in mine:
        index = place.get(one.row_no)
        if index is None or index < match.first:
            continue
        row = index - match.first
        mapped = None if one.col_no is None else columns.get(one.col_no)
        if one.decision == ACCEPT:
            made.accepted.setdefault((one.code, one.col_no or 0), []).append(row)
        elif one.decision == DROP and one.drops_row:
            made.dropped_rows.append((row, _why(one.reason)))
        elif mapped is not None:
            before = _cell(sheet, index, mapped.index)
            after = "" if one.decision == DROP else one.value or ""
            texts[index, mapped.index] = after
            if one.decision == DROP:
                made.dropped_cells.append((row, mapped, before, _why(one.reason)))
            else:
                made.given = [kept for kept in made.given if (kept[0], kept[1].index) != (row, mapped.index)]
                made.given.append((row, mapped, before, after))
    if texts:
        made.sheet = _with_texts(sheet, match, texts, workbook)
    return made


def _with_texts(sheet: RawSheet, match: Match, texts: Mapping[tuple[int, int], str], workbook: bool) -> RawSheet:
    """A sheet with other texts in some cells; a day as 2026-10-31 and a plain number are read as what they are."""
    rows = list(sheet.rows)
    columns = {one.index: one for one in match.columns}
    dates, numbers = set(), set()
    for (index, column), text in texts.items():
        cells = list(rows[index])
        cells += [""] * (column + 1 - len(cells))
        cells[column] = text
        rows[index] = cells
        what = columns[column].column.field
        if what in _DATES and _ISO.fullmatch(text):
            dates.add((index, column))
        elif what in _NUMBERS and _PLAIN.fullmatch(text) and not _readable(text, columns[column], match, workbook):
            numbers.add((index, column))
    return replace(
        sheet,
        rows=rows,
        date_cells=_retyped(CellSet.of(sheet.date_cells), set(texts), dates),
        number_cells=_retyped(sheet.number_cells, set(texts), numbers),
    )


def _readable(text: str, mapped: Mapped, match: Match, workbook: bool) -> bool:
    """Whether a number can be read with the marks of its column."""
    column, file = mapped.column, match.layout.file
    marks = file.thousands if column.thousands is None else column.thousands
    return read_number(text, Style(column.decimal or file.decimal, marks, workbook)).status != Status.UNREADABLE


def _retyped(cells: CellSet, out: set[tuple[int, int]], new: set[tuple[int, int]]) -> CellSet:
    columns: dict[int, Ints] = dict(cells.columns())
    for column in {column for _, column in out}:
        gone = np.array([row for row, one in out if one == column], dtype=np.int64)
        come = np.array([row for row, one in new if one == column], dtype=np.int64)
        kept = np.setdiff1d(columns.get(column, np.zeros(0, dtype=np.int64)), gone)
        columns[column] = np.union1d(kept, come)
    return CellSet(columns)


def _cell(sheet: RawSheet, row: int, column: int) -> str:
    cells = sheet.rows[row]
    return cells[column].strip() if column < len(cells) else ""


def _why(reason: str | None) -> str:
    return f": {reason}" if reason else ""


def _plain(code: str) -> str:
    return code.replace("_", " ")

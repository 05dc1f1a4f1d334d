"""Rows of a sheet that are no data: blank lines, repeated headers, signatures, print dates, totals and means."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from pipelines.sheets.cells import Bools, cells_of
from pipelines.sheets.dates import DateStatus
from pipelines.sheets.propose_words import lexicon

if TYPE_CHECKING:
    from pipelines.sheets.table import SheetTable

#: A count at the end of a line of totals.
_COUNT = re.compile(r"(\d+)\s*$")
_FOOTER_CELLS = 2  # "printed" and its date; a row with more is data that lacks its date
_KEY_FIELD = {"stock": "part_number", "rigs": "rig"}


def blank_rows(table: SheetTable) -> Bools:
    """Return the rows without any text."""
    blank = np.ones(table.size, dtype=np.bool_)
    for mapped in table.match.columns:
        blank &= table.cells(mapped).blank
    for row in np.flatnonzero(blank):
        blank[row] = not any(cell.strip() for cell in table.rows[row])
    return blank


def repeated_headers(table: SheetTable) -> Bools:
    """Return the rows that say the header again, as at the top of a printed page."""
    same = np.ones(table.size, dtype=np.bool_)
    header = table.sheet.rows[table.match.header]
    for mapped in table.match.columns:
        word = header[mapped.index].strip() if mapped.index < len(header) else ""
        same &= table.cells(mapped).bools(lambda text, word=word: text == word)  # type: ignore[misc]
    return same


def set_labels_aside(table: SheetTable) -> None:
    """Mark lines of one label (signature, print date, totals) as structure; means are set aside."""
    key = table.one(_KEY_FIELD.get(table.layout.kind, "date"))
    if key is None:
        key = table.one("vehicle")
    if key is None:
        return
    cells = table.cells(key)
    usable = ~cells.blank
    if key.column.field == "date":
        _, status = table.days_of(key)
        usable = np.isin(status, [DateStatus.GOOD, DateStatus.SERIAL, DateStatus.IMPOSSIBLE, DateStatus.AMBIGUOUS])
    if (vehicle := table.one("vehicle")) is not None:  # "printed" with its date below the dates
        usable &= ~table.cells(vehicle).bools(lambda text: lexicon().row(text) == "footer")
    labels: list[tuple[int, str]] = []
    means: list[tuple[int, str]] = []
    for row in np.flatnonzero(~usable & ~table.structure):
        texts = [cell.strip() for cell in table.rows[row] if cell.strip()]
        distinct = list(dict.fromkeys(texts))
        word = lexicon().row(distinct[0]) if distinct else None
        counts = word == "total" and len(distinct) == 1 and _COUNT.search(distinct[0]) is not None
        alone = len(distinct) == 1 and not (key.column.field == "vehicle" and len(table.match.columns) == 1)
        if word in ("mean", "total") and not counts:
            means.append((int(row), distinct[0]))
        elif alone or (word == "footer" and len(distinct) <= _FOOTER_CELLS):
            labels.append((int(row), distinct[0]))
    table.structure[[row for row, _ in labels]] = True
    rows = np.array([row for row, _ in means], dtype=np.int64)
    table.findings.add("aggregate", rows, cells=cells_of([text for _, text in means]))
    _tell_totals(table, labels)


def _tell_totals(table: SheetTable, labels: list[tuple[int, str]]) -> None:
    """Say whether the number of rows that a sheet states is the one it has."""
    counted = int(np.count_nonzero(table.live))
    for row, text in labels:
        found = _COUNT.search(text)
        if found is not None and lexicon().row(text) == "total":
            code = "total_matches" if int(found.group(1)) == counted else "total_differs"
            more = found.group(1) if code == "total_matches" else f"{found.group(1)}, the sheet has {counted}"
            table.findings.add(code, np.array([row]), cells=cells_of([text]), more=more)

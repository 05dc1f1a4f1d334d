"""A file as it was read, out of the store again: rows verbatim, and all else of it that its readings depend on."""

from __future__ import annotations

import json
from collections.abc import Mapping

import numpy as np
import pandas as pd

from pipelines.sheets.cells import Ints, objects
from pipelines.sheets.layout import Layout
from pipelines.sheets.match import Match
from pipelines.sheets.raw import NO_CELLS, CellSet, RawFile, RawSheet
from wearlab.errors import StoreError
from wearlab.store.database import Database

_DATE, _NUMBER = "date", "number"


def keep_sheet(database: Database, sheet: RawSheet, match: Match | None, place: int, file_id: int) -> None:
    """Store what the rows of a sheet do not say; `place` is its order in the file from 0."""
    database.run(
        "INSERT INTO raw_sheet VALUES (?, ?, ?, ?, ?, ?, ?)",
        [
            file_id,
            place,
            sheet.sheet,
            sheet.from_1904,
            [list(area) for area in sheet.merged],
            list(sheet.notes),
            None if match is None else match.layout.model_dump_json(),
        ],
    )
    made: list[dict[str, object]] = []
    for kind, cells in ((_DATE, sheet.date_cells), (_NUMBER, sheet.number_cells)):
        known = cells if isinstance(cells, CellSet) else CellSet.of(cells)
        for column, rows in known.columns().items():
            first, last = _runs(rows)
            made.append(
                {
                    "file_id": file_id,
                    "place": place,
                    "kind": kind,
                    "col_no": column + 1,
                    "first_rows": first.tolist(),
                    "last_rows": last.tolist(),
                }
            )
    if made:
        frame = pd.DataFrame({name: objects([row[name] for row in made]) for name in made[0]})
        database.append("raw_type", frame)


def kept_file(database: Database, file_id: int) -> tuple[RawFile, list[Layout | None]]:
    """Return a stored file as it was read, and the layout that each of its sheets was read with.

    Raises
    ------
    StoreError
        The store holds no such file.
    """
    found = database.rows(
        "SELECT name, sha256, bytes, file_kind, encoding, delimiter, notes FROM source_file WHERE file_id = ?",
        [file_id],
    )
    if not found:
        raise StoreError(f'{database.path} holds no file number {file_id}: see "wearlab aside" for the files there are')
    name, sha256, size, kind, encoding, delimiter, notes = found[0]
    typed: dict[tuple[int, str], dict[int, Ints]] = {}
    for place, one, column, first, last in database.rows(
        "SELECT place, kind, col_no, first_rows, last_rows FROM raw_type WHERE file_id = ?", [file_id]
    ):
        typed.setdefault((place, one), {})[column - 1] = _rows(first, last)
    sheets: list[RawSheet] = []
    layouts: list[Layout | None] = []
    for place, sheet, from_1904, merged, said, layout in database.rows(
        "SELECT place, sheet, from_1904, merged, notes, layout FROM raw_sheet WHERE file_id = ? ORDER BY place",
        [file_id],
    ):
        numbers, rows = _kept_rows(database, file_id, sheet)
        sheets.append(
            RawSheet(
                sheet,
                rows,
                numbers,
                _cells(typed.get((place, _DATE), {})),
                tuple((area[0], area[1], area[2], area[3]) for area in merged),
                tuple(said),
                bool(from_1904),
                _cells(typed.get((place, _NUMBER), {})),
            )
        )
        layouts.append(None if layout is None else Layout.model_validate(json.loads(layout)))
    return RawFile(name, sha256, int(size), kind, encoding, delimiter, tuple(sheets), tuple(notes)), layouts


def _kept_rows(database: Database, file_id: int, sheet: str | None) -> tuple[list[int] | None, list[list[str]]]:
    found = database.rows(
        "SELECT row_no, cells FROM raw_row WHERE file_id = ? AND sheet IS NOT DISTINCT FROM ? ORDER BY row_no",
        [file_id, sheet],
    )
    numbers = [int(row[0]) for row in found]
    plain = numbers == list(range(1, len(numbers) + 1))
    return None if plain else numbers, [row[1] for row in found]


def _cells(columns: Mapping[int, Ints]) -> CellSet:
    return CellSet(columns) if columns else NO_CELLS


def _runs(rows: Ints) -> tuple[Ints, Ints]:
    """First and last of each run of neighbours in sorted numbers."""
    breaks = np.flatnonzero(np.diff(rows) != 1)
    return rows[np.concatenate([[0], breaks + 1])], rows[np.concatenate([breaks, [len(rows) - 1]])]


def _rows(first: list[int], last: list[int]) -> Ints:
    return np.concatenate([np.arange(a, b + 1, dtype=np.int64) for a, b in zip(first, last, strict=True)])

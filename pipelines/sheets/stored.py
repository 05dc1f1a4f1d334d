"""One file into the store: sheets through their kind, raw rows with their bucket, remarks, questions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import pandas as pd

from pipelines.sheets.account import FileAccount, SheetResult
from pipelines.sheets.cells import Cells, Ints, cells_of, coded, objects
from pipelines.sheets.events import events_of
from pipelines.sheets.findings import shortened
from pipelines.sheets.known import Known
from pipelines.sheets.match import Match
from pipelines.sheets.questions import Question, merged, question_frame
from pipelines.sheets.raw import RawFile, RawSheet
from pipelines.sheets.registers import odometer_of, stock_of, vehicles_of, visits_of
from pipelines.sheets.table import SheetTable
from pipelines.sheets.tested import tests_of
from wearlab.config import Settings
from wearlab.records import Bucket
from wearlab.store.database import Database

_BUCKETS = [Bucket.STRUCTURE.value, Bucket.ACCEPTED.value, Bucket.FLAGGED.value, Bucket.SET_ASIDE.value]
_OTHER_KINDS: dict[str, Callable[[SheetTable, Database, Known], SheetResult]] = {
    "vehicles": vehicles_of,
    "events": events_of,
    "odometer": odometer_of,
    "visits": visits_of,
    "stock": stock_of,
}
_WITH_SHEET = {"test", "raw_row", "remark"}
#: Stands between the cells of a row on its way into the store.
_BETWEEN = "\x1f"


@dataclass(frozen=True, slots=True)
class Fitted:
    """A sheet with the layout that fits it, or none."""

    sheet: RawSheet
    match: Match | None


def store_file(
    database: Database,
    settings: Settings,
    known: Known,
    raw: RawFile,
    fitted: list[Fitted],
    *,
    name: str,
    as_of: date,
    now: datetime,
) -> FileAccount:
    """Store all sheets of a file; the caller holds the transaction. `now` is the time of loading."""
    file_id = int(database.value("SELECT nextval('file_ids')"))
    counts = np.zeros(4, dtype=np.int64)
    readings, cells_aside = 0, 0
    questions: list[Question] = []
    notes = list(raw.notes)
    layouts: list[str] = []
    kinds: list[str] = []
    for one in fitted:
        notes += one.sheet.notes
        bucket: Ints = np.zeros(len(one.sheet.rows), dtype=np.int64)
        if one.match is None:
            if any(cell.strip() for row in one.sheet.rows for cell in row):
                rows = len(one.sheet.rows)
                notes.append(f'the sheet "{one.sheet.sheet}" fits no layout: its {rows} rows are kept as notes only')
        else:
            layout = one.match.layout
            layouts.append(layout.name)
            kinds.append(layout.kind)
            table = SheetTable(one.sheet, one.match, workbook=raw.kind != "csv", as_of=as_of)
            if layout.kind == "tests":
                result = tests_of(table, settings, database, known, raw.sha256)
            else:
                result = _OTHER_KINDS[layout.kind](table, database, known)
            findings = table.findings
            findings.aside |= table.live & ~result.stored & findings.lost(result.stored)
            state = np.where(findings.aside, 3, np.where(findings.flagged, 2, 1))
            bucket[one.match.first :] = np.where(table.structure, 0, state)
            for target, frame in result.frames:
                _append(database, target, frame, file_id, one.sheet)
            _append(database, "remark", _remarks(table, one.match), file_id, one.sheet)
            readings += result.readings
            cells_aside += findings.cells_aside
            questions += result.questions
        _raw_rows(database, one.sheet, bucket, file_id)
        counts += np.bincount(bucket, minlength=4)
    asked = merged(questions)
    database.append("question", question_frame(asked, file_id))
    structure, accepted, flagged, aside = (int(count) for count in counts)
    account = FileAccount(
        name,
        "loaded",
        int(counts.sum()),
        structure,
        accepted,
        flagged,
        aside,
        cells_aside,
        readings,
        tuple(question.sentence for question in asked),
        ", ".join(dict.fromkeys(layouts)),
        " ".join(note if note.endswith(".") else f"{note}." for note in notes) or None,
    )
    _source(database, raw, account, file_id, ", ".join(dict.fromkeys(kinds)), now)
    return account


def _source(database: Database, raw: RawFile, account: FileAccount, file_id: int, kind: str, now: datetime) -> None:
    row = {
        "file_id": file_id,
        "name": account.file,
        "sha256": raw.sha256,
        "bytes": raw.size,
        "layout": account.layout,
        "kind": kind,
        "encoding": raw.encoding,
        "loaded_at": now,
        "rows_read": account.rows_read,
        "structure": account.structure,
        "accepted": account.accepted,
        "flagged": account.flagged,
        "set_aside": account.set_aside,
        "cells_set_aside": account.cells_set_aside,
        "readings": account.readings,
    }
    database.run(
        f"INSERT INTO source_file ({', '.join(row)}) VALUES ({', '.join('?' for _ in row)})",  # noqa: S608
        list(row.values()),
    )


def _append(database: Database, target: str, frame: pd.DataFrame, file_id: int, sheet: RawSheet) -> None:
    if frame.empty:
        return
    frame = frame.assign(file_id=file_id)
    if target in _WITH_SHEET:
        frame["sheet"] = objects([sheet.sheet] * len(frame)) if sheet.sheet else pd.Categorical([None] * len(frame))
    database.append(target, frame)


def _remarks(table: SheetTable, match: Match) -> pd.DataFrame:
    for index, header in match.unmapped:
        del index
        table.findings.add(
            "column_unused",
            np.array([0] if table.size else [], dtype=np.int64),
            cells=cells_of([header]),
            more=header,
        )
    frame = table.findings.frame()
    if frame.empty:
        return frame
    frame["row_no"] = table.numbers[frame["row"].to_numpy()]
    frame["cell"] = [None if text is None else shortened(text, 200) for text in frame["cell"]]
    return frame.drop(columns="row")


def _raw_rows(database: Database, sheet: RawSheet, bucket: Ints, file_id: int) -> None:
    """Every row as it was read: the cells of a row travel as one text and become a list inside the store."""
    rows = sheet.rows
    if not rows:
        return
    lines = list(map(_BETWEEN.join, rows))
    sizes = np.fromiter(map(len, rows), dtype=np.int64, count=len(rows))
    marks = np.fromiter((line.count(_BETWEEN) for line in lines), dtype=np.int64, count=len(rows))
    if (marks != np.maximum(sizes - 1, 0)).any():  # a cell holds the sign itself: hand over lists, which is slower
        lists = pd.DataFrame({"file_id": np.full(len(rows), file_id), "cells": objects(rows)})
        lists["row_no"] = [sheet.row_number(index) for index in range(len(rows))]
        lists["bucket"] = coded(Cells(bucket, _BUCKETS))
        lists["sheet"] = objects([sheet.sheet] * len(rows))
        database.append("raw_row", lists)
        return
    frame = pd.DataFrame(
        {
            "row_no": np.arange(1, len(rows) + 1) if sheet.row_numbers is None else np.array(sheet.row_numbers),
            "n": sizes,
            "line": objects(lines),
            "bucket": coded(Cells(bucket, _BUCKETS)),
        }
    )
    database.run(
        "CREATE OR REPLACE TEMP TABLE incoming_lines (row_no INTEGER, n INTEGER, line VARCHAR, bucket VARCHAR)"
    )
    database.append("incoming_lines", frame)
    database.run(
        "INSERT INTO raw_row SELECT ?, ?, row_no, "
        "CASE WHEN n = 0 THEN [] ELSE string_split(line, chr(31)) END, bucket FROM incoming_lines",
        [file_id, sheet.sheet],
    )
    database.run("DROP TABLE incoming_lines")

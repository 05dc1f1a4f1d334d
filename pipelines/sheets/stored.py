"""One file into the store: sheets through their kind, raw rows with their bucket, remarks, questions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import pandas as pd

from pipelines.sheets.account import FileAccount, SheetResult
from pipelines.sheets.asked import ask_layout
from pipelines.sheets.cells import Ints, cells_of, objects
from pipelines.sheets.earlier import see_earlier
from pipelines.sheets.events import events_of
from pipelines.sheets.findings import shortened
from pipelines.sheets.known import Known
from pipelines.sheets.match import Match
from pipelines.sheets.meter_judge import judge_meters, vehicles_in
from pipelines.sheets.numbered import numbered
from pipelines.sheets.progress import READ, unheard
from pipelines.sheets.questions import Question, merged, question_frame
from pipelines.sheets.raw import RawFile, RawSheet
from pipelines.sheets.raw_kept import keep_sheet
from pipelines.sheets.raw_rows import BUCKETS, store_rows
from pipelines.sheets.registers import odometer_of, rigs_of, stock_of, vehicles_of, visits_of
from pipelines.sheets.settled import decisions_by_line, decisions_of, settle_sheet
from pipelines.sheets.table import SheetTable
from pipelines.sheets.tested import tests_of
from wearlab.config import Settings
from wearlab.store.database import Database
from wearlab.store.names import quoted

_OTHER_KINDS: dict[str, Callable[[SheetTable, Database, Known], SheetResult]] = {
    "vehicles": vehicles_of,
    "events": events_of,
    "odometer": odometer_of,
    "visits": visits_of,
    "stock": stock_of,
    "rigs": rigs_of,
}
_WITH_SHEET = {"test", "raw_row", "remark", "odometer_log", "meter_column", "row_print"}


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
    stage: Callable[[str, float], None] = unheard,
    again: int | None = None,
) -> FileAccount:
    """Store all sheets of a file; the caller holds the transaction.

    `now` is the time of loading; `stage` hears what is being done and which share of the file's work is done;
    `again` is the number of a file that the store has already and of which everything made was taken out.
    """
    file_id = int(database.value("SELECT nextval('file_ids')")) if again is None else again
    see_earlier(database, file_id, raw.sha256)
    decided, elsewhere = decisions_of(database, raw.sha256), decisions_by_line(database)
    counts = np.zeros(4, dtype=np.int64)
    readings, cells_aside = 0, 0
    questions: list[Question] = []
    notes = list(raw.notes)
    layouts: list[str] = []
    kinds: list[str] = []
    for place, one in enumerate(fitted):
        stage("checking", READ + (1 - READ) * place / len(fitted))
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
            match = numbered(one.match, known)
            settled = settle_sheet(one.sheet, match, decided, elsewhere, workbook=raw.is_workbook)
            table = SheetTable(settled.sheet, match, workbook=raw.is_workbook, as_of=as_of)
            settled.tell(table)
            if layout.kind == "tests":
                result = tests_of(table, settings, database, known, raw.sha256)
            else:
                result = _OTHER_KINDS[layout.kind](table, database, known)
            findings = table.findings
            findings.aside |= table.live & ~result.stored & findings.lost(result.stored)
            state = np.where(findings.aside, 3, np.where(findings.flagged, 2, 1))
            bucket[one.match.first :] = np.where(table.structure, 0, state)
            stage("storing", READ + (1 - READ) * (place + 0.5) / len(fitted))
            while result.frames:
                target, frame = result.frames.pop(0)
                _append(database, target, frame, file_id, one.sheet)
                del frame  # the next one needs the memory
            _append(database, "touched", table.touched, file_id, one.sheet)
            _append(database, "remark", _remarks(table, one.match), file_id, one.sheet)
            readings += result.readings
            cells_aside += findings.cells_aside
            questions += result.questions if layout.kind == "tests" else [*result.questions, *ask_layout(layout)]
        store_rows(database, one.sheet, bucket, file_id)
        keep_sheet(database, one.sheet, one.match, place, file_id)
        counts += np.bincount(bucket, minlength=4)
    asked = merged(questions)
    database.append("question", question_frame(asked, file_id))
    _once(database, file_id)
    sentences = [question.sentence for question in asked]
    if vehicles := vehicles_in(database, file_id):
        sentences += judge_meters(database, vehicles)
        counts = _counted(database, file_id)
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
        tuple(sentences),
        ", ".join(dict.fromkeys(layouts)),
        " ".join(note if note.endswith(".") else f"{note}." for note in notes) or None,
        tuple(question.question_id for question in asked),
    )
    if again is None:
        _source(database, raw, account, file_id, ", ".join(dict.fromkeys(kinds)), as_of, now)
    else:
        _source_again(database, account, file_id, ", ".join(dict.fromkeys(kinds)), as_of)
    return account


def _counted(database: Database, file_id: int) -> Ints:
    found = dict(database.rows("SELECT bucket, count(*) FROM raw_row WHERE file_id = ? GROUP BY bucket", [file_id]))
    return np.array([found.get(bucket, 0) for bucket in BUCKETS], dtype=np.int64)


def _source(
    database: Database, raw: RawFile, account: FileAccount, file_id: int, kind: str, as_of: date, now: datetime
) -> None:
    row = {
        "file_id": file_id,
        "name": account.file,
        "sha256": raw.sha256,
        "bytes": raw.size,
        "layout": account.layout,
        "kind": kind,
        "encoding": raw.encoding,
        "delimiter": raw.delimiter,
        "file_kind": raw.kind,
        "notes": list(raw.notes),
        "as_of": as_of,
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
        f"INSERT INTO source_file ({', '.join(quoted(name) for name in row)}) VALUES ({', '.join('?' for _ in row)})",  # noqa: S608
        list(row.values()),
    )


def _source_again(database: Database, account: FileAccount, file_id: int, kind: str, as_of: date) -> None:
    database.run(
        "UPDATE source_file SET layout = ?, kind = ?, as_of = ?, rows_read = ?, structure = ?, accepted = ?, "
        "flagged = ?, set_aside = ?, cells_set_aside = ?, readings = ? WHERE file_id = ?",
        [
            account.layout,
            kind,
            as_of,
            account.rows_read,
            account.structure,
            account.accepted,
            account.flagged,
            account.set_aside,
            account.cells_set_aside,
            account.readings,
            file_id,
        ],
    )


def _once(database: Database, file_id: int) -> None:
    """Two sheets of a file may speak of the same vehicle and day."""
    read = "SELECT count(*) FROM raw_sheet WHERE file_id = ? AND layout IS NOT NULL"
    if int(database.value(read, [file_id])) < 2:
        return
    sql = "CREATE OR REPLACE TEMP TABLE touched_once AS SELECT DISTINCT * FROM touched WHERE file_id = ?"
    database.run(sql, [file_id])
    database.run("DELETE FROM touched WHERE file_id = ?", [file_id])
    database.run("INSERT INTO touched SELECT * FROM touched_once")
    database.run("DROP TABLE touched_once")


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

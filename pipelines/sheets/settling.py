"""Remarks and questions settled by a person: answers and decisions stored, and what they concern made again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pandas as pd

from pipelines.sheets.aside import Item, remark_items
from pipelines.sheets.asked import layout_mark
from pipelines.sheets.cells import objects
from pipelines.sheets.choices import OPEN, Choice, at
from pipelines.sheets.layout import Layout
from pipelines.sheets.renewal import Fit, Renewal, files_asking, files_on
from pipelines.sheets.replies import NO
from pipelines.sheets.settled import VALUE
from wearlab.config import Settings
from wearlab.errors import InputError
from wearlab.store.database import Database


@dataclass(frozen=True, slots=True)
class Settled:
    """What was settled: answers and decisions, and how many files were made again."""

    answers: int
    decisions: int
    files: int


def settle(
    database: Database,
    settings: Settings,
    chosen: Sequence[tuple[Item, Choice]],
    now: datetime,
    *,
    fit: Fit | None = None,
) -> Settled:
    """Store checked choices and make every file again that they concern; the caller holds the transaction.

    `fit` : finds layouts anew, for files whose layout was answered for before.

    Raises
    ------
    InputError
        An answer or a value does not settle what it is said to; the caller rolls back.
    """
    renewal = Renewal(database, settings)
    answered = [(item, choice) for item, choice in chosen if item.is_question]
    decided = [(item, choice) for item, choice in chosen if not item.is_question]
    anew: set[int] = set()
    for item, choice in answered:
        value = choice.value if choice.decision == VALUE else ""
        files = files_asking(database, item.item_id) | files_on(database, item.subject or "")
        if database.value("SELECT 1 FROM answer WHERE question_id = ?", [item.item_id]):
            files |= files_of(database, item)
            anew |= files if item.code == "layout" else set()
        if choice.decision == OPEN:
            database.run("DELETE FROM answer WHERE question_id = ?", [item.item_id])
        else:
            database.run(
                "INSERT INTO answer (question_id, answered_at, value, reason, kind, subject) VALUES (?, ?, ?, ?, ?, ?)",
                [item.item_id, now, value, choice.why or None, item.code, item.subject],
            )
        renewal.ask(files)
        if item.code in ("event", "meter"):
            note_answered(database, item, value)
        if value == "yes" and item.code == "odometer unit":
            decided += _by_suggestion(database, item)
    _store_decisions(database, decided, now)
    renewal.ask(files_alike(database, [item for item, _ in decided]))
    renewal.run(fit=fit, fitted=anew)
    renewal.finish()
    _still_asked(database, answered)
    _still_doubted(database, [(item, choice) for item, choice in decided if choice.decision == VALUE])
    return Settled(len(answered), len(decided), len(renewal.accounts))


def files_of(database: Database, item: Item) -> set[int]:
    """Return every file that an answer given before may have changed."""
    if item.code == "layout":
        mark = (item.subject or "").rpartition("(")[2].rstrip(")")
        rows = database.rows("SELECT file_id, layout FROM raw_sheet WHERE layout IS NOT NULL")
        return {int(number) for number, text in rows if layout_mark(Layout.model_validate_json(text)) == mark}
    return {int(row[0]) for row in database.rows("SELECT file_id FROM source_file WHERE kind NOT IN ('stock', 'rigs')")}


def files_alike(database: Database, items: Sequence[Item]) -> set[int]:
    """Return the files of rows that are settled, and every other file that has one of these rows."""
    mine = sorted({item.file_id for item in items if item.file_id is not None})
    if not mine:
        return set()
    lines = database.rows(
        "SELECT DISTINCT array_to_string(cells, chr(31)) FROM raw_row WHERE list_contains(?, file_id) "
        "AND list_contains(?, row_no)",
        [mine, sorted({item.row for item in items})],
    )
    found = database.rows(
        "SELECT DISTINCT file_id FROM raw_row WHERE bucket <> 'structure' "
        "AND list_contains(?, array_to_string(cells, chr(31)))",
        [[line[0] for line in lines]],
    )
    return set(mine) | {int(row[0]) for row in found}


def _store_decisions(database: Database, decided: Sequence[tuple[Item, Choice]], now: datetime) -> None:
    for item, choice in decided:
        if choice.decision == OPEN:
            database.run(
                "DELETE FROM decision WHERE sha256 = ? AND sheet IS NOT DISTINCT FROM ? AND row_no = ? "
                "AND col_no IS NOT DISTINCT FROM ? AND code = ?",
                [item.sha256, item.sheet, item.row, item.column, item.code],
            )
    decided = [(item, choice) for item, choice in decided if choice.decision != OPEN]
    if not decided:
        return
    lines = [
        database.value(
            "SELECT array_to_string(cells, chr(31)) FROM raw_row WHERE file_id = ? AND row_no = ? "
            "AND sheet IS NOT DISTINCT FROM ?",
            [item.file_id, item.row, item.sheet],
        )
        for item, _ in decided
    ]
    columns: dict[str, list[Any]] = {
        "sha256": [item.sha256 for item, _ in decided],
        "sheet": [item.sheet for item, _ in decided],
        "row_no": [item.row for item, _ in decided],
        "col_no": [item.column for item, _ in decided],
        "code": [item.code for item, _ in decided],
        "decision": [choice.decision for _, choice in decided],
        "value": [choice.value or None for _, choice in decided],
        "reason": [choice.why or None for _, choice in decided],
        "decided_at": [now] * len(decided),
        "col_name": [item.col_name for item, _ in decided],
        "line": [line or "" for line in lines],
    }
    database.append("decision", pd.DataFrame({name: objects(values) for name, values in columns.items()}))


def _still_asked(database: Database, answered: Sequence[tuple[Item, Choice]]) -> None:
    for item, choice in answered:
        if choice.decision != VALUE or choice.value == NO:
            continue
        waits = "SELECT 1 FROM question JOIN source_file USING (file_id) WHERE question_id = ?"
        if database.value(waits, [item.item_id]):
            raise InputError(
                f'{at(choice)}"{choice.value}" does not answer {item.item_id} ({item.sentence}); nothing was changed'
            )


def _still_doubted(database: Database, given: Sequence[tuple[Item, Choice]]) -> None:
    for item, choice in given:
        again = database.value(
            "SELECT sentence FROM remark WHERE file_id = ? AND row_no = ? AND sheet IS NOT DISTINCT FROM ? "
            "AND col_no IS NOT DISTINCT FROM ? AND level IN ('row', 'cell')",
            [item.file_id, item.row, item.sheet, item.column],
        )
        if again is not None:
            raise InputError(
                f'{at(choice)}"{choice.value}" does not settle {item.item_id}: {again.rstrip(".")}; nothing was changed'
            )


def _by_suggestion(database: Database, item: Item) -> list[tuple[Item, Choice]]:
    """Every meter reading of a vehicle that was taken for another unit, given as was suggested."""
    found = [
        one
        for one in remark_items(database)
        if one.code == "odometer_miles" and one.suggestion and one.file_id is not None and one.column is not None
    ]
    mine = set(
        database.rows(
            "SELECT file_id, sheet, row_no FROM test WHERE vehicle = ? UNION "
            "SELECT file_id, sheet, row_no FROM odometer_log WHERE vehicle = ?",
            [item.subject, item.subject],
        )
    )
    return [
        (one, Choice(one.item_id, VALUE, one.suggestion or "", "as answered for the vehicle"))
        for one in found
        if (one.file_id, one.sheet, one.row) in mine
    ]


def note_answered(database: Database, item: Item, value: str) -> None:
    """Enter the event that a question was about, in place of what an earlier answer entered."""
    note = f"answer to question {item.item_id}"
    database.run("DELETE FROM work WHERE file_id IS NULL AND note = ?", [note])
    if value in ("", "no"):
        return
    kind, _, day = value.partition(" ")
    vehicle = (item.subject or "").split(" ")[0]
    database.run(
        "INSERT INTO work (file_id, row_no, vehicle, vehicle_text, done_on, kind, note) "
        "VALUES (NULL, nextval('note_ids'), ?, ?, ?, ?, ?)",
        [vehicle, vehicle, day, kind, note],
    )

"""What waits for a person: flagged and set-aside rows and cells, and open questions, each with an id that stays."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

from wearlab.errors import InputError
from wearlab.store.database import Database

_WHAT = {"row": "set aside", "cell": "cell set aside", "flag": "flagged"}
#: Rules by which a person has settled something already.
_SETTLED = ("dropped", "dropped_cell")
_LEAST_ID = 4


@dataclass(frozen=True, slots=True)
class Item:
    """One remark or open question.

    `item_id` is made of the content of the file, sheet, row, column and rule, or is the question's own id; it is the
    same after a reload. `code` is the rule, or the kind of the question; `what` is "set aside", "cell set aside",
    "flagged" or "question". `file_id`, `sha256`, `row` are None and 0 where a question belongs to no row.
    """

    item_id: str
    what: str
    code: str
    file: str
    sentence: str
    file_id: int | None = None
    sha256: str = ""
    sheet: str | None = None
    row: int = 0
    column: int | None = None
    col_name: str | None = None
    cell: str | None = None
    suggestion: str | None = None
    subject: str | None = None
    readings: int = 0

    @property
    def is_question(self) -> bool:
        """Whether this is a question and no remark."""
        return self.what == "question"


def remark_items(database: Database) -> list[Item]:
    """Return everything that was flagged or set aside and that nobody has settled, in the order of files and rows."""
    rows = database.rows(
        "SELECT s.name, m.file_id, s.sha256, m.sheet, m.row_no, m.col_no, m.col_name, m.level, m.code, m.sentence, "
        "m.cell, m.suggestion FROM remark m JOIN source_file s USING (file_id) "
        "WHERE m.level IN ('row', 'cell', 'flag') AND NOT list_contains(?, m.code) "
        "ORDER BY s.name, s.sha256, m.sheet NULLS FIRST, m.row_no, m.col_no NULLS FIRST, m.code",
        [list(_SETTLED)],
    )
    found: list[Item] = []
    seen: dict[str, int] = {}
    for file, file_id, sha256, sheet, row, column, name, level, code, sentence, cell, suggestion in rows:
        item_id = _id(sha256, sheet, row, column, code)
        if seen.setdefault(item_id, len(found)) < len(found):
            continue  # the same rule twice on one cell is settled once
        found.append(
            Item(
                item_id, _WHAT[level], code, file, sentence, int(file_id), sha256, sheet, int(row),
                None if column is None else int(column), name, cell, suggestion,
            )
        )  # fmt: skip
    return found


def question_items(database: Database) -> list[Item]:
    """Return every open question once, in the order of kind and subject."""
    rows = database.rows(
        """
        SELECT q.question_id, q.kind, q.subject, first(q.sentence ORDER BY s.sha256), sum(q.readings)::BIGINT,
               coalesce(string_agg(DISTINCT s.name, ', ' ORDER BY s.name), '')
        FROM question q LEFT JOIN source_file s USING (file_id)
        WHERE q.question_id NOT IN (SELECT question_id FROM answer)
        GROUP BY q.question_id, q.kind, q.subject ORDER BY q.kind, q.subject
        """
    )
    return [
        Item(number, "question", kind, files, sentence, subject=subject, readings=int(readings))
        for number, kind, subject, sentence, readings, files in rows
    ]


def settled_items(database: Database) -> list[Item]:
    """Return what is settled already, so that it can be settled otherwise or opened again."""
    found = [
        Item(number, "question", kind, "", f'answered with "{value}"', subject=subject)
        for number, kind, subject, value in database.rows(
            "SELECT question_id, kind, subject, arg_max(value, answered_at) FROM answer "
            "WHERE kind IS NOT NULL GROUP BY question_id, kind, subject ORDER BY ALL"
        )
    ]
    for file, file_id, sha256, sheet, row, column, name, code, decision in database.rows(
        "SELECT coalesce(any_value(s.name), d.sha256), any_value(s.file_id), d.sha256, d.sheet, d.row_no, d.col_no, "
        "any_value(d.col_name), d.code, arg_max(d.decision, d.decided_at) FROM decision d "
        "LEFT JOIN source_file s USING (sha256) GROUP BY d.sha256, d.sheet, d.row_no, d.col_no, d.code ORDER BY ALL"
    ):
        item_id = _id(sha256, sheet, row, column, code)
        found.append(
            Item(item_id, "settled", code, file, f"settled with {decision}", file_id, sha256, sheet, row, column, name)
        )
    return found


def all_items(database: Database) -> list[Item]:
    """Return all that waits, questions first."""
    return question_items(database) + remark_items(database)


class Finder:
    """Finds items by their ids; of two with one id the first counts."""

    def __init__(self, items: Sequence[Item]) -> None:
        self._items = {one.item_id: one for one in reversed(items)}

    def find(self, text: str, place: str = "") -> Item:
        """Return the item of an id or of the beginning of one; `place` begins an error sentence.

        Raises
        ------
        InputError
            Nothing or several things begin like that.
        """
        return _found(self._items, text, place)


def _found(by_id: dict[str, Item], text: str, place: str) -> Item:
    word = text.strip().lower()
    at = f"{place}: " if place else ""
    found = [by_id[word]] if word in by_id else []
    if not found and len(word) >= _LEAST_ID:
        found = [one for number, one in by_id.items() if number.startswith(word)]
    if not found:
        raise InputError(
            f'{at}nothing has the id "{text.strip()[:40]}": see "wearlab aside" for the ids there are; '
            "nothing was changed"
        )
    if len(found) > 1:
        raise InputError(f'{at}{len(found)} ids begin with "{text.strip()}": give more of it; nothing was changed')
    return found[0]


def _id(sha256: str, sheet: str | None, row: int, column: int | None, code: str) -> str:
    text = f"{sha256}|{sheet or ''}|{row}|{column or 0}|{code}"
    return hashlib.sha1(text.encode(), usedforsecurity=False).hexdigest()[:16]

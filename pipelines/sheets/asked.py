"""Questions about a layout: named by its header, answered from memory, asked with each file until then."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from pipelines.sheets.cells import Bools
from pipelines.sheets.fields import QUANTITY
from pipelines.sheets.layout import Layout, parse_units
from pipelines.sheets.questions import Question
from pipelines.sheets.readings import Readings
from pipelines.sheets.vocabulary import answer_word
from pipelines.sheets.words import fold
from wearlab.errors import UnitError
from wearlab.records import Driven
from wearlab.store.database import Database

#: Kind of a stored question about a layout.
KIND = "layout"
#: Stands for the file of a question whose file was refused, so that nothing else of it is stored.
REFUSED = 0

_DEFAULTS = ("driven", "protocol", "duration", "depot")
_HOLDS = ("driven", "protocol")
_YES = re.compile(r'\bIs "([^"]+)" the ')


def header_mark(headers: Iterable[str]) -> str:
    """Return a short mark of a header, the same for the same columns in any order and in any file."""
    words = sorted({word for header in headers if (word := fold(header))})
    return hashlib.sha1("\n".join(words).encode(), usedforsecurity=False).hexdigest()[:8]


def layout_mark(layout: Layout) -> str:
    """Return the mark of the header that a layout describes."""
    return header_mark(column.header for column in layout.columns)


def layout_question(mark: str, key: str, sentence: str, readings: int = 0) -> Question:
    """Return the question `key` about the sheets whose header has this mark."""
    return Question(KIND, f"{key} ({mark})", sentence, readings)


def remembered(database: Database) -> dict[str, str]:
    """Return the last answer to every question that was answered and not only closed, by the question's id."""
    found = database.rows("SELECT question_id, arg_max(value, answered_at) FROM answer GROUP BY question_id")
    return {number: value for number, value in found if value}


def with_answers(layout: Layout, said: Mapping[str, str]) -> Layout:
    """Return a layout with the remembered answers to its questions; what cannot be an answer is left open.

    `said` : answers by question id.
    """
    mark = layout_mark(layout)
    for key in list(layout.asked):
        answer = said.get(layout_question(mark, key, "").question_id)
        if answer is not None:
            layout = _answered(layout, key, answer.strip()) or layout
    return layout


def open_questions(layout: Layout) -> dict[str, str]:
    """Return the questions that the layout itself does not answer by now, as key and sentence."""
    found: dict[str, str] = {}
    for key, sentence in layout.asked.items():
        name, _, header = key.partition(":")
        column = next((one for one in layout.columns if one.header == header), None)
        if key in _HOLDS and (layout.defaults.driven or layout.defaults.protocol):
            continue
        if key in _DEFAULTS and getattr(layout.defaults, key) is not None:
            continue
        if name == "rise" and column is not None and (column.rise_to or layout.defaults.rise_to):
            continue
        if name == "meaning" and (column is None or column.field != "ignore"):
            continue
        found[key] = sentence
    return found


def ask_layout(layout: Layout) -> list[Question]:
    """Return the open questions of a layout that no reading waits for."""
    mark = layout_mark(layout)
    return [
        layout_question(mark, key, f"{layout.name}: {sentence}") for key, sentence in open_questions(layout).items()
    ]


def ask_with_readings(readings: Readings, silent: Bools) -> list[Question]:
    """Ask the layout's open questions and keep the readings they are about out of models.

    `silent` : readings of which nobody knows how the engine was driven.
    """
    layout = readings.table.layout
    mark, found = layout_mark(layout), []
    for key, sentence in open_questions(layout).items():
        name, _, header = key.partition(":")
        waits = np.zeros(len(readings), dtype=np.bool_)
        if key in _HOLDS:
            waits = readings.keep & silent
            if not waits.any():
                continue
        elif name == "rise":
            places = [place for place, one in enumerate(readings.columns) if one.column.header == header]
            waits = readings.keep & np.isin(readings.column, places)
        readings.show |= waits
        found.append(layout_question(mark, key, f"{layout.name}: {sentence}", int(np.count_nonzero(waits))))
    return found


def asks_drive(layout: Layout) -> bool:
    """Whether the layout itself asks how the engine was driven, so that nothing else has to."""
    return any(key in _HOLDS for key in open_questions(layout))


def _answered(layout: Layout, key: str, answer: str) -> Layout | None:
    name, _, header = key.partition(":")
    if not answer:
        return None
    if key in _DEFAULTS:
        asked = _YES.search(layout.asked[key])
        if asked is not None and answer_word(answer):
            answer = asked.group(1)
        if key == "driven" and answer not in set(Driven):
            return None
        return _changed(layout, key, defaults={key: answer})
    changes: dict[str, Any] = {}
    if name == "rise":
        changes = {"rise_to": answer}
    elif name == "words":
        pairs = [piece.rpartition("=") for piece in answer.split(";")]
        changes = {"words": {word.strip(): meaning.strip() for word, sign, meaning in pairs if sign and fold(word)}}
    elif name == "meaning":
        field, _, unit = answer.partition(" ")
        if (field in QUANTITY) != bool(unit):
            return None
        changes = {"field": field, "unit": unit.strip() or None}
    return _changed(layout, key, header=header, column=changes) if any(changes.values()) else None


def _changed(
    layout: Layout,
    key: str,
    *,
    defaults: dict[str, Any] | None = None,
    header: str = "",
    column: dict[str, Any] | None = None,
) -> Layout | None:
    data = layout.model_dump()
    data["defaults"].update(defaults or {})
    for one in data["columns"]:
        if column is not None and one["header"] == header:
            one.update(column | {"words": {**one["words"], **column.get("words", {})}})
    del data["asked"][key]
    try:
        made = Layout.model_validate(data)
        parse_units(made)
    except (ValueError, UnitError):
        return None
    return made.model_copy(update={"built_in": layout.built_in})

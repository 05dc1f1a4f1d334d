"""What a person says to remarks and questions, checked before anything is changed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pipelines.sheets.aside import Finder, Item
from pipelines.sheets.asked import with_answers
from pipelines.sheets.checks import RULES, Level
from pipelines.sheets.given import reply_for
from pipelines.sheets.known import known_vehicles
from pipelines.sheets.layout import Layout
from pipelines.sheets.settled import ACCEPT, DROP, VALUE
from wearlab.config import Settings
from wearlab.errors import InputError
from wearlab.store.database import Database

#: Rules other than flags that a person may overrule: what was written can be meant.
_MAY_STAND = {"duplicate", "all_zero", "peak_implausible", "sentinel", "without_peak"}
#: Takes an earlier answer or decision back.
OPEN = "open"
#: Begin of a text that a spreadsheet would run; none of them is a value of a sheet.
_FORMULA = ("=", "@", "+", "-", "\t", "\r")
#: A number with its sign and perhaps its unit, which is no formula.
_SIGNED = re.compile(r"[+-]\s*\d[\d.,'\s]*[\w°/.%²³ ]*")


@dataclass(frozen=True, slots=True)
class Choice:
    """What a person says to one item: its id (or the beginning of it), a decision, a value and why.

    `place` names where it was said, for error sentences ("row 7 of answers.csv"); "" for the command line.
    """

    item: str
    decision: str
    value: str = ""
    why: str = ""
    place: str = ""


def check_choices(
    database: Database, settings: Settings, items: Sequence[Item], choices: Sequence[Choice]
) -> list[tuple[Item, Choice]]:
    """Find the item of every choice and check what is said to it; nothing is changed.

    Raises
    ------
    InputError
        An id is unknown, said twice or stands for several, or a decision cannot be; one sentence says which.
    """
    found: list[tuple[Item, Choice]] = []
    seen: dict[str, str] = {}
    cells: dict[tuple[Any, ...], str] = {}
    known, finder = known_vehicles(database, settings), Finder(items)
    for choice in choices:
        item = finder.find(choice.item, choice.place)
        here = choice.place or f'"{choice.item}"'
        if item.item_id in seen:
            raise InputError(f"{at(choice)}{item.item_id} is settled twice: keep one of the two; nothing was changed")
        seen[item.item_id] = here
        choice = _checked(item, choice)
        if item.is_question and choice.decision == VALUE:
            said = reply_for(item, choice.value, known, settings)
            choice = Choice(choice.item, choice.decision, said, choice.why, choice.place)
            if item.code == "layout":
                _answers_layout(database, item, choice)
        if not item.is_question and choice.decision == VALUE:
            key = (item.sha256, item.sheet, item.row, item.column)
            if cells.setdefault(key, choice.value) != choice.value:
                raise InputError(
                    f"{at(choice)}row {item.row} of {item.file} is given two values for one cell: keep one of them; "
                    "nothing was changed"
                )
        found.append((item, choice))
    return found


def _checked(item: Item, choice: Choice) -> Choice:
    """The choice with its decision spelled out; raises where it cannot be."""
    decision = choice.decision or (VALUE if choice.value else "")
    where = at(choice)
    if decision == "answer":
        decision = VALUE
    if decision == OPEN and not choice.value.strip():
        return Choice(choice.item, OPEN, "", choice.why.strip(), choice.place)
    if decision not in (ACCEPT, VALUE, DROP):
        raise InputError(
            f'{where}"{choice.decision}" is no decision on {item.item_id}: use accept, value, drop, answer or open; '
            "nothing was changed"
        )
    if decision == VALUE and not choice.value.strip():
        raise InputError(f"{where}{item.item_id} needs a value: enter one, or accept or drop it; nothing was changed")
    if decision != VALUE and choice.value.strip() and not (item.is_question and decision == ACCEPT):
        raise InputError(
            f'{where}{item.item_id} has the value "{choice.value}" and is to be {decision}ed: keep one of the two; '
            "nothing was changed"
        )
    for text in (choice.value, choice.why):
        _no_formula(text, where)
        _can_be_kept(text, where)
    if item.is_question:
        value = "yes" if decision == ACCEPT and not choice.value.strip() else choice.value
        return Choice(choice.item, DROP if decision == DROP else VALUE, value.strip(), choice.why.strip(), choice.place)
    rule = RULES[item.code]
    if decision == ACCEPT and rule.level != Level.FLAG and item.code not in _MAY_STAND:
        raise InputError(
            f"{where}{item.item_id} cannot be accepted as it is ({item.sentence.rstrip('.')}): give a value or drop "
            "it; nothing was changed"
        )
    if decision == VALUE and item.column is None:
        raise InputError(
            f"{where}{item.item_id} is about a whole row and takes no value: accept or drop it, or settle one of its "
            "cells; nothing was changed"
        )
    return Choice(choice.item, decision, choice.value.strip(), choice.why.strip(), choice.place)


def _answers_layout(database: Database, item: Item, choice: Choice) -> None:
    """Refuse an answer that a stored layout cannot take; one for a file that waits is tried when it is loaded."""
    key = (item.subject or "").rpartition(" (")[0]
    for (text,) in database.rows(
        "SELECT DISTINCT r.layout FROM raw_sheet r JOIN question q USING (file_id) "
        "WHERE q.question_id = ? AND r.layout IS NOT NULL",
        [item.item_id],
    ):
        layout = Layout.model_validate_json(text)
        if key in with_answers(layout, {item.item_id: choice.value}).asked:
            raise InputError(
                f'{at(choice)}"{choice.value[:60]}" does not answer {item.item_id} ({item.sentence}); '
                "nothing was changed"
            )


def _no_formula(text: str, where: str) -> None:
    plain = text.strip()
    if text.startswith(_FORMULA) and plain not in ("-", "+") and _SIGNED.fullmatch(plain) is None:
        raise InputError(
            f'{where}"{plain[:40]}" is a formula and no value: enter the value itself; nothing was changed'
        )


def _can_be_kept(text: str, where: str) -> None:
    """A command line hands on bytes that are no text as halves of signs, which no store can keep."""
    if "\0" in text or any("\ud800" <= sign <= "\udfff" for sign in text):
        raise InputError(f'{where}"{text[:40]}" holds a sign that is no character: write it anew; nothing was changed')


def at(choice: Choice) -> str:
    """Return where something was said, as the beginning of an error sentence; blank for the command line."""
    return f"{choice.place}: " if choice.place else ""

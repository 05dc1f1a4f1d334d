"""Which columns a table of states needs: what all of its parts share is said once, what is empty not at all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

from wearlab.charts.words import km_words, level_words, when_words
from wearlab.language import _
from wearlab.pack.booking import about_day
from wearlab.pack.page_words import between, span
from wearlab.pack.state_tables import StateTable
from wearlab.pack.view import PartState
from wearlab.pack.wear_words import rate_words
from wearlab.records import State

#: states of which a table stays closed: there is nothing to do about them
CALM = (State.STEADY.value, State.NO_LIMIT.value, State.NO_ANSWER.value)

_DASH = "–"
_NO_BREAK = "\u00a0"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its head, a cell a row, and whether paper can do without it."""

    head: str
    cells: tuple[str, ...]
    screen: bool = False


@dataclass(frozen=True, slots=True)
class ShownTable:
    """A table of states as a page shows it.

    `states`: whether the parts differ in state, so that it has a column; `once` are the sentences of what all parts
    share; `pressing`: one of its parts asks for somebody.
    """

    table: StateTable
    states: bool
    columns: tuple[Column, ...]
    once: tuple[str, ...]
    pressing: bool


def shown_table(table: StateTable, as_of: date) -> ShownTable:
    """Return the columns of a table and what is told below it."""
    made: list[tuple[str, Callable[[PartState], str], bool]] = [
        (_("Level now, {unit}", unit=table.unit), _level, False),
        (_("Rate {rates}", rates=table.rates).strip(), _rate, False),
        (_("Next reading"), lambda row: span(row.next_low, row.next_high), True),
        (_("New part"), lambda row: span(row.new_low, row.new_high), True),
        (_("Crosses its limit"), lambda row: _crossing(row, as_of), False),
        (_("Test by"), lambda row: _test(row, as_of), False),
    ]
    columns, once = [], []
    for head, cell, screen in made:
        cells = tuple(cell(row) for row in table.rows)
        if set(cells) == {_DASH}:
            continue
        if len(cells) > 1 and len(set(cells)) == 1 and cell is not _level:
            once.append(f"{head}: {cells[0]}.")
        else:
            columns.append(Column(head, cells, screen))
    states = {row.state for row in table.rows}
    return ShownTable(table, len(states) > 1, tuple(columns), tuple(once), bool(states - set(CALM)))


def _level(row: PartState) -> str:
    return f"{level_words(row.level)} {between(row.level_low, row.level_high)}".strip()


def _rate(row: PartState) -> str:
    told, ends = rate_words(row.rate_low, row.rate, row.rate_high)
    # the interval stays on one line
    return f"{told} ({ends.replace(' ', _NO_BREAK)})" if ends else told


def _crossing(row: PartState, as_of: date) -> str:
    told = when_words(row.date_p10, row.date_p50, row.date_p90, as_of)
    if not told:
        return _DASH
    if row.odometer_p50_km is None:
        return told
    return _("{when}, at about {distance}", when=told, distance=km_words(row.odometer_p50_km, about=True))


def _test(row: PartState, as_of: date) -> str:
    if row.retest_by is None:
        return _DASH
    if row.retest_by == as_of:
        return _("now")
    day = about_day(row.retest_by, as_of)
    return _("{day}, overdue", day=day) if row.retest_by < as_of else day

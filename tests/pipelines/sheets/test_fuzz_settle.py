"""The edited list that is read back: whatever its bytes, it is carried out or answered with one sentence, whole."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fuzz.containers import XLSX, packed
from fuzz.yard import filled_store
from hostile import changed, quick
from pipelines.sheets.aside import Item, all_items
from pipelines.sheets.aside_file import COLUMNS, read_choices
from pipelines.sheets.choices import Choice, check_choices
from pipelines.sheets.settling import settle
from wearlab.config import Settings
from wearlab.errors import WearlabError
from wearlab.store.database import Database

DECISIONS = st.sampled_from(["accept", "value", "drop", "answer", "open", "", "ACCEPT", "erase", "value "])
VALUES = st.sampled_from(
    ["", "yes", "no", "12", "12,5", "1e999", "9" * 5000, "-3", "=1+1", "@x", "2025-04-30", "0000-00-00", "9999-12-31",
     "1-2", "2-1", "1-3-4-2", "from 4", "from 99", "us", "uk", "4", "24", "①", "²", "idle", "M-007", "M7", "x\ny",
     "NaN", "9" * 400 + " bar", "1 bar", "1e400", "\u202e", "\x1b[2J", "open", "inf bar", "60 s", "' OR 1=1 --"]
)  # fmt: skip


class _OverError(Exception):
    """Takes everything back."""


@pytest.fixture(scope="module")
def store() -> Iterator[Database]:
    with filled_store() as database:
        yield database


@pytest.fixture(scope="module")
def items(store: Database) -> list[Item]:
    return all_items(store)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("hostile")


def _carried_out(store: Database, items: list[Item], choices: list[Choice]) -> WearlabError | None:
    """Settle and take it back; the store's accounts add up meanwhile and nothing is left afterwards."""

    def act() -> None:
        try:
            with store.transaction():
                chosen = check_choices(store, Settings(), items, choices)
                settle(store, Settings(), chosen, datetime(2026, 7, 1))
                rows = store.rows("SELECT rows_read, structure + accepted + flagged + set_aside FROM source_file")
                assert all(read == told for read, told in rows)
                assert store.value("SELECT count(*) FROM reading WHERE NOT isfinite(value)") == 0
                raise _OverError
        except _OverError:
            return

    fault = quick(act)
    assert store.value("SELECT count(*) FROM decision") == store.value("SELECT count(*) FROM answer") == 0
    return fault


def _list(rows: list[list[str]]) -> bytes:
    made = io.StringIO()
    csv.writer(made).writerows([["id", "decision", "value", "why"], *rows])
    return made.getvalue().encode()


def test_the_yard_has_something_of_every_kind(items: list[Item]) -> None:
    assert {item.what for item in items} == {"set aside", "cell set aside", "flagged", "question"}
    assert len(items) >= 8


@given(st.data())
@settings(max_examples=40)
def test_decisions_of_any_kind_on_real_ids(
    store: Database, items: list[Item], folder: Path, data: st.DataObject
) -> None:
    ids = st.sampled_from([item.item_id for item in items])
    rows = data.draw(st.lists(st.tuples(ids, DECISIONS, VALUES, VALUES), min_size=1, max_size=3))
    path = folder / "list.csv"
    path.write_bytes(_list([list(row) for row in rows]))
    choices: list[Any] = []
    if quick(lambda: choices.extend(read_choices(path))) is None:
        _carried_out(store, items, choices)


@given(st.data(), st.booleans())
@settings(max_examples=120)
def test_lists_with_bytes_of_chance(items: list[Item], folder: Path, data: st.DataObject, book: bool) -> None:
    path = folder / ("list.xlsx" if book else "list.csv")
    if book:
        cells = "".join(f'<c t="inlineStr"><is><t>{word}</t></is></c>' for word in COLUMNS)
        page = XLSX["xl/worksheets/sheet1.xml"]
        page = page[: page.index("<row")] + f"<row>{cells}</row><row>{cells}</row></sheetData></worksheet>"
        path.write_bytes(packed(XLSX, data.draw(changed(page.encode()))))
    else:
        path.write_bytes(data.draw(changed(_list([[item.item_id, "accept", "", ""] for item in items[:3]]))))
    quick(lambda: read_choices(path))


@pytest.mark.parametrize("value", ["9" * 5000, "²", "①", "25", "0", "1e1", " 4 4", "04"])
def test_a_number_of_cylinders_that_cannot_be(value: str) -> None:
    from pipelines.sheets.given import reply_for
    from pipelines.sheets.known import Known

    item = Item("id", "question", "cylinders", "", "How many cylinders has M 7?", subject="M7")
    assert "give a number from 1 to 24" in str(quick(lambda: reply_for(item, value, Known(), Settings())))


@pytest.mark.parametrize("value", ["9" * 400, "9" * 400 + " bar", "nan", "inf", "1e400 bar"])
def test_a_pressure_that_no_computer_holds(value: str) -> None:
    from pipelines.sheets.given import reply_for
    from pipelines.sheets.known import Known

    item = Item("id", "question", "back pressure", "", "Under which pressure?", subject="M7")
    assert "give a pressure in bar" in str(quick(lambda: reply_for(item, value, Known(), Settings())))


@pytest.mark.parametrize("text", ["\ud800", "x\0y"])
def test_half_signs_of_a_command_line(store: Database, items: list[Item], text: str) -> None:
    """A shell hands bytes on that are no UTF-8; they are half signs in Python and cannot be stored."""
    item = next(item for item in items if item.what == "flagged")
    assert "has the id" in str(_carried_out(store, items, [Choice(text, "accept")]))
    for choice in (Choice(item.item_id, "value", text), Choice(item.item_id, "drop", "", text)):
        assert "no character" in str(_carried_out(store, items, [choice]))

"""Undo puts every row back, and a step that fails half-way changes nothing."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from garage import HEAD, LAYOUT, Garage
from pipelines.sheets.aside import remark_items
from pipelines.sheets.choices import Choice
from pipelines.sheets.journal import KEPT_COPIES, read_journal
from pipelines.steps import taking_back
from wearlab.errors import StoreError


@pytest.mark.parametrize("what", ["settle", "unload", "reload"])
def test_undo_restores_every_row(garage: Garage, what: str) -> None:
    garage.settle(Choice(garage.item("alias").item_id, "", "yes"))
    before = garage.whole(every=True)
    if what == "settle":
        garage.settle(*[Choice(item.item_id, "drop") for item in garage.ask(remark_items)])
    elif what == "unload":
        garage.unload("first.csv", "second.csv")
    else:
        path = garage.home / "layouts" / "round.toml"
        path.write_text(LAYOUT.replace('unit = "ml"', 'unit = "l"'), encoding="utf-8")
        garage.reload()
    assert garage.whole() != before
    done = garage.undo()
    assert done.what == what
    assert garage.whole(every=True) == before
    assert (garage.home / done.kept).is_file()
    garage.undo()
    assert "alias" in {item.code for item in garage.items()}
    with pytest.raises(StoreError, match="nothing to undo"):
        garage.undo()


def test_undo_does_not_lose_what_came_since_unasked(garage: Garage) -> None:
    garage.unload("second.csv")
    garage.load("second.csv")
    garage.write("third.csv", f"{HEAD}\nB22;01.12.2025;15000;idle;14;14,5;\n")
    garage.load("third.csv")
    before = garage.whole(every=True)
    with pytest.raises(StoreError, match=r"second.csv, third.csv came in, which an undo would lose: .*--even-so"):
        garage.undo()
    assert garage.whole(every=True) == before
    garage.undo(even_so=True)
    assert garage.ask(lambda db: db.rows("SELECT name FROM source_file ORDER BY 1")) == [
        ("first.csv",),
        ("second.csv",),
    ]


def test_the_journal_and_the_last_copies_are_kept(garage: Garage) -> None:
    for number in range(KEPT_COPIES + 2):
        item = garage.item("unreadable") if number == 0 else None
        garage.settle(Choice(item.item_id, "", "13")) if item else garage.reload("first.csv")
    entries = read_journal(garage.home)
    assert [entry.number for entry in entries] == list(range(1, KEPT_COPIES + 3))
    assert entries[0].what == "settle"
    assert (entries[0].before["decision"], entries[0].after["decision"]) == (0, 1)
    assert entries[1].detail == "first.csv"
    kept = sorted(path.name for path in (garage.home / "copies").iterdir())
    assert kept == sorted(Path(str(entry.copy)).name for entry in entries[-KEPT_COPIES:])
    for _ in range(KEPT_COPIES):
        garage.undo()
    with pytest.raises(StoreError, match="is gone"):
        garage.undo()


def test_a_damaged_copy_is_not_put_back(garage: Garage) -> None:
    garage.unload("second.csv")
    before = garage.whole(every=True)
    (copy,) = (garage.home / "copies").iterdir()
    content = bytearray(copy.read_bytes())
    content[len(content) // 2] ^= 1
    copy.write_bytes(content)
    with pytest.raises(StoreError, match="is damaged"):
        garage.undo()
    assert garage.whole(every=True) == before


def test_without_room_for_a_copy_nothing_happens(garage: Garage, monkeypatch: pytest.MonkeyPatch) -> None:
    before = garage.whole(every=True)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(shutil, "copyfile", full)
    with pytest.raises(StoreError, match="nothing was changed"):
        garage.unload("second.csv")
    assert garage.whole(every=True) == before
    assert read_journal(garage.home) == []


def test_a_fault_half_way_leaves_the_store_as_it_was(garage: Garage, monkeypatch: pytest.MonkeyPatch) -> None:
    before = garage.whole(every=True)

    def broken(*_: object) -> None:
        raise RuntimeError("the light went out")

    monkeypatch.setattr(taking_back, "rebuild_lives", broken)
    with pytest.raises(RuntimeError):
        garage.unload("second.csv")
    assert garage.whole(every=True) == before
    with pytest.raises(StoreError, match="nothing to undo"):
        garage.undo()


def test_a_step_that_was_killed_before_its_last_word_can_be_undone(garage: Garage) -> None:
    before = garage.whole(every=True)
    garage.unload("second.csv")
    journal = garage.home / "journal.jsonl"
    begun, done = journal.read_text(encoding="utf-8").splitlines()
    assert done != begun
    journal.write_text(begun + "\n", encoding="utf-8")
    garage.undo()
    assert garage.whole(every=True) == before

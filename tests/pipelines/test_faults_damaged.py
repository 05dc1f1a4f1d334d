"""A database file that was changed or cut: one sentence that names the file and the way back, or nothing is changed."""

from __future__ import annotations

import gc
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from conftest import Outcome, Run

DAY = ("--as-of", "2026-06-30")


def flipped(place: float | int, count: int = 8) -> Callable[[bytes], bytes]:
    """Flip some bytes; a share of the file or a place in it."""

    def change(content: bytes) -> bytes:
        at = int(place * len(content)) if isinstance(place, float) else place
        return content[:at] + bytes(byte ^ 0x5A for byte in content[at : at + count]) + content[at + count :]

    return change


DAMAGES = {
    "magic": flipped(8),
    "first header": flipped(20),
    "second header": flipped(4096 + 16),
    "third header": flipped(8192 + 16),
    "both headers": lambda content: flipped(4096 + 16)(flipped(8192 + 16)(content)),
    "cut to nothing": lambda content: b"",
    "cut in the header": lambda content: content[:100],
    "cut after the headers": lambda content: content[:12288],
    "cut in half": lambda content: content[: len(content) // 2],
    "other bytes": lambda content: b"hello, this is a letter " * 1000,
}


def told(outcome: Outcome, home: Path) -> None:
    """One sentence with the file and what to do."""
    assert outcome.code == 2
    (line,) = outcome.err.splitlines()
    assert str(home / "wearlab.duckdb") in line
    assert "is damaged" in line
    assert "restore it from a backup" in line
    assert "fault of its own" not in line


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_file_that_does_not_open(milk_round: Path, run: Run, damage: str) -> None:
    store = milk_round / "wearlab.duckdb"
    store.write_bytes(DAMAGES[damage](store.read_bytes()))
    changed = store.read_bytes()
    for words in (("due", *DAY), ("check",), ("note", "R10", "cleaning", "--on", "2026-06-01")):
        told(run(*words, "--home", milk_round), milk_round)
    assert store.read_bytes() == changed  # what may still be saved from it is left as it is


def test_bytes_changed_in_the_middle(milk_round: Path, tmp_path: Path, run: Run) -> None:
    saved = tmp_path / "b.zip"
    assert run("backup", "--home", milk_round, "--out", saved).code == 0
    store = milk_round / "wearlab.duckdb"
    content = store.read_bytes()
    sound = run("readings", "--home", milk_round, "--json").out
    dice = random.Random(11)
    found = 0
    for _ in range(8):
        store.write_bytes(flipped(dice.randrange(12288, len(content) - 8))(content))
        said = run("check", "--home", milk_round)
        if said.code == 2:
            told(said, milk_round)
            found += 1
            continue
        found += said.code
        if said.code == 1:
            assert "cannot be read" in said.out
            assert "restore a backup" in said.out
        else:  # bytes that nothing uses
            assert run("readings", "--home", milk_round, "--json").out == sound
        again = run("backup", "--home", milk_round, "--out", saved)
        assert again.code in (0, 2)
        if again.code == 2:
            assert "is damaged" in again.err
        assert said.code == again.code == 0 or (said.code, again.code) == (1, 2)  # none replaces the whole one
    assert found > 4
    assert run("restore", saved, tmp_path / "back").code == 0
    assert run("readings", "--home", tmp_path / "back", "--json").out == sound


def test_a_look_at_a_damaged_table_says_so(milk_round: Path, run: Run) -> None:
    store = milk_round / "wearlab.duckdb"
    content = store.read_bytes()
    dice = random.Random(12)
    read = 0
    for _ in range(6):
        store.write_bytes(flipped(dice.randrange(12288, len(content) - 8))(content))
        said = run("readings", "--home", milk_round)
        gc.collect()  # each command is a process of its own else, and what it left open is gone with it
        if said.code == 0:
            continue
        told(said, milk_round)
        read += 1
    assert read > 0


def test_bytes_after_the_end_are_in_nobodys_way(milk_round: Path, run: Run) -> None:
    store = milk_round / "wearlab.duckdb"
    with store.open("ab") as file:
        file.write(b"more" * 100)
    assert run("check", "--home", milk_round).code == 0

"""Killed at any moment, every command that writes leaves a workspace that opens, is sound, and can go on."""

from __future__ import annotations

import os
import random
import shutil
from datetime import date
from pathlib import Path

import pytest

from command_server import Commands
from conftest import ROOT
from pipelines.sheets.aside import remark_items
from pipelines.steps.backup_file import verified
from pipelines.steps.check_store import check_workspace
from pipelines.workspace import open_workspace
from whole_store import Whole, whole

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork there, and no kill -9 either")

DAY = ("--as-of", "2026-06-30")
LATER = ("--as-of", "2026-07-31")

#: commands that write, each with the longest time after which it is killed, in seconds
WRITES: dict[str, tuple[tuple[object, ...], float]] = {
    "load": (("load", "SHEET", *DAY), 0.5),
    "note": (("note", "R10", "cleaning", "--on", "2026-06-01", *DAY), 0.15),
    "settle": (("settle", "--drop", "ITEM", *DAY), 0.4),
    "unload": (("unload", "first.csv"), 0.4),
    "learn": (("learn", *LATER), 0.8),
    "plan": (("plan", "--out", "HOME/plan.csv", *LATER), 1.0),
    "month": (("month", "2026-07"), 2.0),
    "undo": (("undo",), 0.3),
    "backup": (("backup", "--reports"), 0.3),
    "restore": (("restore", "BACKUP", "HOME/restored"), 0.3),
}


def stored(home: Path) -> Whole:
    with open_workspace(home).open(read_only=True) as db:
        return whole(db, every=True)


def sound(home: Path) -> None:
    """`check` finds nothing; what it notes is what a stopped command may leave."""
    found = check_workspace(open_workspace(home))
    assert found.findings == ()
    assert all("was left by a command that was stopped" in note for note in found.notes)


def command(name: str, home: Path, backup: Path) -> list[object]:
    with open_workspace(home).open(read_only=True) as db:
        item = next((one.item_id for one in remark_items(db)), "none")
    words = {"SHEET": home.parent / "sheets" / "second.csv", "ITEM": item, "BACKUP": backup}
    return [
        words.get(str(word), str(word).replace("HOME", str(home)) if isinstance(word, str) else word)
        for word in WRITES[name][0]
    ] + ["--home", home]


@pytest.fixture(scope="module")
def prepared(made_round: Path, commands: Commands, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with a step to undo, and a backup of it beside; copied for every test."""
    folder = tmp_path_factory.mktemp("prepared") / "round"
    shutil.copytree(made_round, folder)
    assert commands.run("reload", *DAY, "--home", folder / "home").code == 0
    assert commands.run("backup", "--out", folder / "b.zip", "--home", folder / "home").code == 0
    return folder


@pytest.mark.parametrize("name", WRITES)
def test_killed_at_random_times(prepared: Path, tmp_path: Path, commands: Commands, name: str) -> None:
    dice = random.Random(f"killed {name}")
    longest = WRITES[name][1]
    for attempt in range(2):
        folder = tmp_path / f"round{attempt}"
        shutil.copytree(prepared, folder)
        home = folder / "home"
        before = stored(home)
        ended = commands.run(*command(name, home, folder / "b.zip"), kill_after=longest * (attempt + dice.random()) / 2)
        assert ended.code in (0, -9), ended.err
        sound(home)
        # all of a transaction is there or nothing of it: a run has all its tables, a file all its rows
        after = stored(home)
        if name in ("backup", "restore"):
            assert after == before
        if len(after["run"]) > len(before["run"]):
            assert len(after["forecast"]) > len(before["forecast"])
        if (home / "restored").exists():
            assert stored(home / "restored") == before
        for made in (home / "backups").glob("*.zip"):
            assert verified(made).rows == {table: len(rows) for table, rows in before.items()}
        if not (home / "plan.csv").exists() or name != "plan":
            continue
        assert (home / "plan.csv").read_bytes().endswith(b"\n")


@pytest.mark.parametrize(
    ("name", "place", "call"),
    [
        ("note", "wearlab.store.database:Database.run", 1),
        ("load", "pipelines.sheets.load:forget_refused", 1),
        ("load", "pipelines.steps.rules:record_rules", 1),
        ("settle", "pipelines.steps.taking_back:write_entry", 1),
        ("settle", "pipelines.steps.taking_back:write_entry", 2),
        ("settle", "pipelines.steps.taking_back:drop_old_copies", 1),
        ("unload", "pipelines.steps.taking_back:record_rules", 1),
        ("learn", "pipelines.steps.learn:store_signals", 1),
        ("plan", "pipelines.steps.learn:record_rules", 1),
        ("month", "pipelines.steps.month:write_pack", 1),
        ("undo", "pipelines.steps.undo:copy_store", 1),
        ("undo", "pipelines.steps.undo:_put", 1),
        ("undo", "pipelines.steps.undo:write_entry", 1),
        ("undo", "pipelines.steps.undo:drop_old_copies", 1),
        ("backup", "pipelines.steps.backup:add_manifest", 1),
        ("backup", "pipelines.steps.backup:verified", 1),
        ("backup", "pipelines.steps.backup:opened_through", 1),
        ("restore", "pipelines.steps.restore:unpack", 1),
        ("restore", "pipelines.steps.restore:opened_through", 1),
        ("restore", "pipelines.steps.restore:_on_disk", 1),
    ],
)
def test_killed_between_two_moves(
    prepared: Path, tmp_path: Path, commands: Commands, name: str, place: str, call: int
) -> None:
    shutil.copytree(prepared, tmp_path / "round")
    home = tmp_path / "round" / "home"
    before = stored(home)
    words = command(name, home, tmp_path / "round" / "b.zip")
    assert commands.run(*words, dies_at=place, at_call=call).code == -9
    sound(home)
    after = stored(home)
    if name in ("settle", "unload", "undo"):
        assert len(after["raw_row"]) == len(before["raw_row"]) or name != "settle"
        again = commands.run("undo", "--home", home)  # the way back is open, whichever move it died at
        assert again.code == 0 or "nothing to undo" in again.sentence
        assert stored(home)["reading"] == before["reading"]
    elif name in ("backup", "restore"):
        assert after == before
        assert not (home / "restored").exists()
        assert not list((home / "backups").glob("*.zip"))
        assert commands.run(*words).code == 0
    elif name == "note":
        assert after == before
    sound(home)


def test_a_demo_that_was_stopped_can_be_made_again(tmp_path: Path, commands: Commands) -> None:
    home = tmp_path / "demo"
    words = ("demo", home, "--sheets", ROOT / "datasets_demo")
    assert commands.run(*words, dies_at="pipelines.steps.demo:load_files").code == -9
    if (home / "wearlab.duckdb").exists():
        sound(home)
    # stopped while an earlier one is taken away: what is left is still known as a demo
    (home / "reports" / "2026-10").mkdir(exist_ok=True)
    assert commands.run(*words, dies_at="shutil:rmtree", at_call=2).code == -9
    assert (home / "made-by-wearlab-demo").exists()
    assert commands.run(*words, dies_at="pipelines.steps.demo:learn").code == -9
    sound(home)
    with open_workspace(home).open(read_only=True) as db:
        assert db.value("SELECT count(*) FROM source_file") == len(list((ROOT / "datasets_demo" / "sheets").iterdir()))
        assert db.value("SELECT max(tested_on) FROM reading") <= date(2026, 10, 31)


def test_a_first_load_that_was_stopped_leaves_no_broken_file(
    made_round: Path, tmp_path: Path, commands: Commands
) -> None:
    shutil.copytree(made_round, tmp_path / "round")
    home = tmp_path / "round" / "home"
    (home / "wearlab.duckdb").unlink()
    words = ("load", home.parent / "sheets", *DAY, "--home", home)
    for place in ("wearlab.store.database:_create", "wearlab.store.fresh:_put"):
        assert commands.run(*words, dies_at=place).code == -9
        assert not (home / "wearlab.duckdb").exists()
    assert commands.run(*words).code == 0
    sound(home)

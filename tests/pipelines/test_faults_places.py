"""Folders with strange names, a workspace that was moved, and one reached through a link."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest

from conftest import Run
from pipelines.sheets.aside import remark_items
from pipelines.workspace import open_workspace
from wearlab.store.database import only_file

DAY = ("--as-of", "2026-06-30")

NAMES = [
    "\u00c5ngstr\u00f6m  van's 'own' 100% %20 %s",
    'a "quoted" #1; DROP TABLE test; --&y=$HOME',
    "\u51b7\u5374 \U0001f69a",
]


@pytest.mark.parametrize("name", NAMES)
def test_a_folder_with_a_strange_name(made_round: Path, tmp_path: Path, run: Run, name: str) -> None:
    shutil.copytree(made_round, tmp_path / name)
    home = tmp_path / name / "home"
    sheets = tmp_path / name / "sheets"
    saved = tmp_path / name / "saved.zip"
    with open_workspace(home).open(read_only=True) as db:
        item = remark_items(db)[0].item_id
    for words in (
        ("load", sheets, *DAY),
        ("settle", item, "--drop"),
        ("undo",),
        ("aside", "--out", home / "aside.csv"),
        ("backup", "--out", saved),
        ("check",),
    ):
        said = run(*words, "--home", home)
        assert said.code == 0, (words, said.err)
    assert run("restore", saved, tmp_path / name / name).code == 0
    assert (
        run("readings", "--home", tmp_path / name / name, "--json").out == run("readings", "--home", home, "--json").out
    )
    assert run("check", "--home", tmp_path / name / name).code == 0


def test_parquet_and_charts_in_a_folder_with_a_strange_name(made_round: Path, tmp_path: Path, run: Run) -> None:
    folder = tmp_path / 'van\'s "100%" \u00e9; #x'
    shutil.copytree(made_round, folder)
    home = folder / "home"
    said = run("chart", "R10", "--part", "1", "--out", folder / "part%20.svg", *DAY, "--home", home)
    assert said.code == 0, said.err
    assert (folder / "part%20.svg").is_file()
    with only_file(folder / "it's.parquet") as db:
        db.write_parquet(pd.DataFrame({"Vehicle": ["R1"], "Test date": ["2026-05-04"]}))
    said = run("load", folder / "it's.parquet", "--preview", *DAY, "--home", home)
    assert "it's.parquet" in said.out
    assert "fault of its own" not in said.err


def test_a_folder_that_duckdb_cannot_keep_a_database_in(made_round: Path, tmp_path: Path, run: Run) -> None:
    shutil.copytree(made_round, tmp_path / "what?")
    said = run("due", *DAY, "--home", tmp_path / "what?" / "home")
    assert said.code == 2
    assert "rename the folder" in said.err


def test_the_pack_in_a_folder_with_a_strange_name(milk_round: Path, tmp_path: Path, run: Run) -> None:
    home = tmp_path / "van's 100% #1 \u00e9"
    shutil.copytree(milk_round, home)
    said = run("month", "2026-06", "--home", home, "--json")
    assert said.code == 0, said.err
    assert (home / "reports" / "2026-06" / "index.html").is_file()
    assert said.json["xlsx"] == str(home / "reports" / "2026-06" / "pack.xlsx")
    if said.json["pdf"] is not None:
        assert Path(said.json["pdf"]).read_bytes().startswith(b"%PDF")


def test_a_workspace_that_was_moved(milk_round: Path, tmp_path: Path, run: Run) -> None:
    assert run("reload", *DAY, "--home", milk_round).code == 0
    due = run("due", *DAY, "--json", "--home", milk_round).out
    moved = tmp_path / "elsewhere" / "deep" / "home"
    moved.parent.mkdir(parents=True)
    shutil.move(milk_round, moved)
    assert run("due", *DAY, "--json", "--home", moved).out == due
    assert run("load", tmp_path / "round" / "sheets", *DAY, "--home", moved).code == 0
    assert run("undo", "--even-so", "--home", moved).code == 0  # the copies moved with it
    assert run("check", "--home", moved).code == 0


def test_a_workspace_reached_through_a_link(milk_round: Path, tmp_path: Path, run: Run) -> None:
    link = tmp_path / "link"
    link.symlink_to(milk_round, target_is_directory=True)
    assert run("reload", *DAY, "--home", link).code == 0
    assert run("undo", "--home", link).code == 0
    assert run("check", "--home", link).code == 0
    assert not (milk_round / "wearlab.duckdb").is_symlink()

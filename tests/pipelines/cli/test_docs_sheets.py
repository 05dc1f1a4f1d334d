"""The walk through `docs/sheets.md` holds: its sheets load as told, its question ids and its layout are right."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from pipelines.sheets.fields import FIELDS
from pipelines.sheets.layout import parse_layout

TEXT = (Path(__file__).parents[3] / "docs" / "sheets.md").read_text(encoding="utf-8")
NAMES = ("north.csv", "valley.csv", "fleet.csv", "fuel.csv", "work.csv")


def blocks(kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", TEXT, re.DOTALL)


@pytest.fixture
def garage(tmp_path: Path, run: Any) -> Path:
    home = tmp_path / "garage"
    assert run("new", home).code == 0
    return home


@pytest.fixture
def sheets(tmp_path: Path) -> Path:
    for name, content in zip(NAMES, blocks("csv"), strict=True):
        (tmp_path / name).write_text(content, encoding="utf-8")
    return tmp_path


def test_the_sheets_load_as_told(garage: Path, sheets: Path, run: Any) -> None:
    told = blocks("text")
    preview = run("load", sheets / "north.csv", "--preview", "--home", garage, "--as-of", "2026-11-01")
    assert "the layout as it would be written" in preview.out
    north = run("load", sheets / "north.csv", "--home", garage, "--as-of", "2026-11-01", "--json").json["files"][0]
    assert told[0].startswith(
        f"north.csv: {north['rows_read']} rows = {north['structure']} structure, {north['accepted']} accepted, "
        f"{north['set_aside']} set aside; {north['readings']} readings [{north['layout']}]"
    )
    for line in [*north["proposed"][1:], *north["question_ids"]]:
        assert line in told[0]
    valley = run("load", sheets / "valley.csv", "--home", garage, "--as-of", "2026-11-01", "--json").json["files"][0]
    assert valley["status"] == "refused"
    assert len(valley["question_ids"]) == 2
    for number in valley["question_ids"]:
        assert number in told[1]
        (answer,) = re.findall(rf'wearlab settle {number} "?([^"\n]+)', TEXT)
        assert run("settle", number, answer, "--home", garage).code == 0
    again = run("load", sheets / "valley.csv", "--home", garage, "--as-of", "2026-11-01")
    assert again.code == 0, again.out
    assert run("settle", north["question_ids"][0], "yes", "--home", garage).code == 0
    rows = run("readings", "V-17", "--home", garage, "--as-of", "2026-11-01", "--json").json
    assert {row["protocol"] for row in rows} == {"idle 60 s"}
    registers = [sheets / name for name in NAMES[2:]]
    fleet = run("load", *registers, "--home", garage, "--as-of", "2026-11-01", "--json").json["files"]
    assert [one["status"] for one in fleet] == ["loaded"] * 3
    assert [one["accepted"] for one in fleet] == [3, 2, 2]
    for words in (["unload", "north.csv"], ["undo"], ["reload"], ["undo"], ["aside"]):
        assert f"`wearlab {' '.join(words)}`" in TEXT
        outcome = run(*words, "--home", garage)
        assert outcome.code == 0, outcome.err


def test_the_layout_and_the_fields_are_right() -> None:
    (example,) = blocks("toml")
    assert parse_layout(example.encode(), "example").kind == "tests"
    for kind, fields in FIELDS.items():
        (line,) = re.findall(rf"^\| {kind} \| (.*) \|$", TEXT, re.MULTILINE)
        words = set(re.findall(r"[a-z_]+", re.sub(r"\(.*?\)", "", line)))
        assert fields <= words, kind

"""The order of loading, copies and other names change nothing of the content."""

from __future__ import annotations

import io
import itertools
import random
import zipfile
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipelines.sheets.files import find_files
from pipelines.sheets.layout import parse_layout
from pipelines.sheets.load import load_files
from wearlab.config import Settings
from wearlab.store.database import open_database

LAYOUT = """
name = "long"
kind = "tests"
[defaults]
measure = "return_flow"
driven = "idle"
duration = "60 s"
unit = "ml"
"""
COLUMNS = """
van | vehicle
day | date
km | odometer
cyl | position
ml | value
note | note
"""
HEADER = "van,day,km,cyl,ml,note\n"


def _sheets(folder: Path) -> None:
    """Three sheets of one fleet: rows of one stand again in another, some visits are measured in two of them."""
    dice = random.Random(4)
    rows = [
        f"E{van},2025-{month:02d}-{10 + van},{10000 * month + van},{cylinder},{dice.uniform(9, 30):.1f},round {month}\n"
        for van in range(4)
        for month in range(1, 8)
        for cylinder in (1, 2, 3, 4)
    ]
    again = [row.replace("round 3", "second round").replace("11,", "12,") for row in rows if "round 3" in row]
    (folder / "a.csv").write_text(HEADER + "".join(rows[:70]))
    (folder / "b.csv").write_text(HEADER + "".join(rows[50:]) + "E1,2025-02-31,1,1,9,no such day\n")
    (folder / "c.csv").write_text(HEADER + "".join(again + rows[:10]) + "E2,2025-03-12,900000,1,spilled,\n")


def _content(store: Path, layout: str, files: list[Path], root: Path) -> dict[str, list[tuple[Any, ...]]]:
    with open_database(store) as database:
        for file in files:
            load_files(database, Settings(), [parse_layout(layout.encode(), "long")], [file], as_of=date(2026, 6, 30),
                       roots=[root])  # fmt: skip
        tables = ["raw_row", "remark", "test", "reading", "question", "source_file"]
        left_out = {"source_file": "file_id, loaded_at"}
        return {
            table: database.rows(
                f"SELECT s.sha256, t.* EXCLUDE ({left_out.get(table, 'file_id')}) FROM {table} t "  # noqa: S608
                "JOIN source_file s ON s.file_id = t.file_id ORDER BY ALL"
            )
            for table in tables
        }


@pytest.mark.parametrize("order", list(itertools.permutations(range(3)))[1:])
def test_the_same_folder_in_another_order(tmp_path: Path, columns: Any, order: tuple[int, ...]) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    _sheets(folder)
    layout = LAYOUT + columns(COLUMNS)
    files = find_files([folder])
    first = _content(tmp_path / "first.duckdb", layout, files, folder)
    other = _content(tmp_path / "other.duckdb", layout, [files[place] for place in order], folder)
    assert len(first["reading"]) > 100
    assert any(row[5] == "duplicate" or "duplicate" in row for row in first["remark"])
    for table in first:
        assert other[table] == first[table], table


def test_copies_under_other_names_and_in_an_archive(tmp_path: Path, columns: Any) -> None:
    folder, more = tmp_path / "in", tmp_path / "more"
    folder.mkdir()
    more.mkdir()
    _sheets(folder)
    files = find_files([folder])
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for file in files:
            archive.write(file, f"copy of {file.name}")
    for file in files:
        (more / file.name).write_bytes(file.read_bytes())
        (more / f"{file.stem}_2.csv").write_bytes(file.read_bytes())
    (more / "z.zip").write_bytes(packed.getvalue())
    layout = LAYOUT + columns(COLUMNS)
    assert len(find_files([more])) == 9
    once = _content(tmp_path / "once.duckdb", layout, files, folder)
    twice = _content(tmp_path / "twice.duckdb", layout, find_files([more]), more)
    for table in set(once) - {"source_file"}:
        assert twice[table] == once[table], table
    assert [row[0] for row in twice["source_file"]] == [row[0] for row in once["source_file"]]

"""Killed at any moment of a load, the database holds each file wholly or not at all, and the load can go on."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipelines.sheets.layout import parse_layout
from pipelines.sheets.load import load_files
from wearlab.config import Settings
from wearlab.store.database import Database, open_database

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork there, and no kill -9 either")

FILES = 4
ROWS = 3000
KILLS = 20

LAYOUT = """
name = "long"
kind = "tests"
[defaults]
measure = "return_flow"
driven = "idle"
duration = "60 s"
unit = "ml"
""" + "".join(
    f'[[columns]]\nheader = "{header}"\nfield = "{field}"\n'
    for header, field in (
        ("van", "vehicle"),
        ("day", "date"),
        ("km", "odometer"),
        ("cyl", "position"),
        ("ml", "value"),
        ("note", "note"),
    )
)

#: Imports everything once. Then every line of its input names a store and a time in seconds: a fork of it loads the
#: sheets into that store and is killed after that time (before it is waited for, so its number is still its own).
LOADER = """
import os, signal, sys, time
from datetime import date
from pathlib import Path
from pipelines.sheets.layout import parse_layout
from pipelines.sheets.load import load_files
from wearlab.config import Settings
from wearlab.store.database import open_database

layout, folder = parse_layout(sys.argv[1].encode(), "long"), Path(sys.argv[2])
print(0, flush=True)  # all is imported
for line in sys.stdin:
    store, _, seconds = line.strip().rpartition("|")
    child = os.fork()
    if child == 0:
        with open_database(Path(store)) as database:
            load_files(database, Settings(), [layout], sorted(folder.iterdir()), as_of=date(2026, 6, 30))
        os._exit(0)
    if seconds:
        time.sleep(float(seconds))
        os.kill(child, signal.SIGKILL)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


class Loader:
    """A process that loads the folder into any store and can be killed while it does so."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process

    def load(self, store: Path, kill_after_s: float | None = None) -> int:
        """Load; returns the exit code, -9 for a load that was killed."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{store}|{'' if kill_after_s is None else kill_after_s}\n")
        self.process.stdin.flush()
        return self.answer()

    def answer(self) -> int:
        """Return the next number that the process prints."""
        assert self.process.stdout is not None
        return int(self.process.stdout.readline())


@pytest.fixture(scope="module")
def sheets(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sheets")
    dice = random.Random(17)
    for number in range(FILES):
        lines = ["van,day,km,cyl,ml,note"]
        for row in range(ROWS):
            van, visit = row // 4 % 25, row // 100
            day = date(2012, 1, 1) + timedelta(days=60 * visit + van)
            ml = "spilled" if dice.random() < 0.01 else f"{dice.uniform(8, 40):.1f}"
            lines.append(f"F{number + 1}-{van},{day},{1000 * visit + 17 * van},{row % 4 + 1},{ml},round {visit}")
        (folder / f"{number}.csv").write_text("\n".join(lines) + "\n")
    return folder


@pytest.fixture(scope="module")
def loader(sheets: Path) -> Iterator[Loader]:
    words = [sys.executable, "-c", LOADER, LAYOUT, str(sheets)]
    root = Path(__file__).parents[3]
    with subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(root)}
    ) as process:
        made = Loader(process)
        assert made.answer() == 0
        yield made
        assert process.stdin is not None
        process.stdin.close()


def _columns(database: Database) -> dict[str, list[str]]:
    """The columns without ids and times of every table whose rows come from files."""
    found: dict[str, list[str]] = {}
    for table, column in database.rows(
        "SELECT table_name, column_name FROM duckdb_columns() JOIN duckdb_tables() USING (table_oid, table_name) "
        "WHERE NOT temporary ORDER BY table_name, column_index"
    ):
        found.setdefault(table, []).append(column)
    drop = {"file_id", "loaded_at"}
    return {table: [one for one in names if one not in drop] for table, names in found.items() if "file_id" in names}


def _content(database: Database) -> dict[str, dict[str, tuple[int, Any]]]:
    """What the store holds of each file: number and checksum of its rows, table by table."""
    content: dict[str, dict[str, tuple[int, Any]]] = {
        name: {} for (name,) in database.rows("SELECT name FROM source_file")
    }
    for table, columns in _columns(database).items():
        told = ", ".join(f't."{column}"' for column in columns)
        for name, count, checksum in database.rows(
            f"SELECT s.name, count(*), bit_xor(hash({told})) FROM {table} t "  # noqa: S608
            "JOIN source_file s ON s.file_id = t.file_id GROUP BY s.name"
        ):
            content[name][table] = (count, checksum)
    return content


def test_killed_at_twenty_random_moments(tmp_path: Path, loader: Loader, sheets: Path) -> None:
    started = time.monotonic()
    assert loader.load(tmp_path / "whole.duckdb") == 0
    seconds = time.monotonic() - started
    with open_database(tmp_path / "whole.duckdb") as database:
        whole = _content(database)
    assert len(whole) == FILES
    assert all(content["raw_row"][0] == ROWS + 1 and content["reading"][0] > 2800 for content in whole.values())
    dice = random.Random(99)
    found: list[int] = []
    killed = 0
    # on a busy machine loads take longer and shorter: more kills, until one fell before and one between the files
    for number in range(3 * KILLS):
        if number >= KILLS and 0 in found and {1, 2, 3} & set(found):
            break
        store = tmp_path / f"{number}.duckdb"
        killed += loader.load(store, seconds * (number % KILLS + dice.random()) / KILLS) == -signal.SIGKILL
        with open_database(store) as database:
            content = _content(database)
            assert content == {name: whole[name] for name in content}
            for table in _columns(database):
                left = f"SELECT count(*) FROM {table} WHERE file_id NOT IN (SELECT file_id FROM source_file)"  # noqa: S608
                assert database.value(left) == 0, table
            found.append(len(content))
            if number % 7 == 3:
                layout = parse_layout(LAYOUT.encode(), "long")
                load_files(database, Settings(), [layout], sorted(sheets.iterdir()), as_of=date(2026, 6, 30))
                assert _content(database) == whole
        store.unlink()
    assert killed >= KILLS // 2
    assert 0 in found
    assert {1, 2, 3} & set(found), "no kill fell between the files"

"""Two commands at once: a second writer and a reader wait and say so, readers do not wait for each other."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from conftest import ROOT, Run
from pipelines import workspace
from pipelines.workspace import open_workspace

DAY = ("--as-of", "2026-06-30")

HOLDER = """
import sys
from pathlib import Path
from wearlab.store.database import open_database
db = open_database(Path(sys.argv[1]), read_only=sys.argv[2] == "reading")
if sys.argv[2] == "writing":
    with db.transaction():
        db.run("INSERT INTO meta VALUES ('held', 'yes')")
        print("open", flush=True)
        sys.stdin.readline()
else:
    print("open", flush=True)
    sys.stdin.readline()
db.close()
"""


@contextmanager
def held(home: Path, how: str, seconds: float) -> Iterator[None]:
    """Another process holds the database for some seconds."""
    words = [sys.executable, "-c", HOLDER, str(home / "wearlab.duckdb"), how]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "open\n"
        stop = threading.Timer(seconds, lambda: process.communicate("\n"))
        stop.start()
        try:
            yield
        finally:
            stop.join()
    assert process.returncode == 0


@pytest.mark.parametrize(
    "words",
    [
        ("note", "R10", "cleaning", "--on", "2026-06-01"),
        ("load", "SHEET", *DAY),
        ("due", *DAY),
        ("backup",),
    ],
    ids=["a second writer", "a load", "a reader", "a backup"],
)
def test_it_waits_for_a_writer_and_says_so(milk_round: Path, run: Run, words: tuple[str, ...]) -> None:
    said = [str(milk_round.parent / "sheets" / "second.csv") if word == "SHEET" else word for word in words]
    with held(milk_round, "writing", 0.8):
        outcome = run(*said, "--home", milk_round)
    assert outcome.code == 0, outcome.err
    assert "waiting for another wearlab to finish" in outcome.err
    with open_workspace(milk_round).open(read_only=True) as db:
        assert db.value("SELECT value FROM meta WHERE key = 'held'") == "yes"
        assert db.value("SELECT count(*) FROM work") == (1 if words[0] == "note" else 0)
        assert db.value("SELECT count(*) FROM source_file") == (2 if words[0] == "load" else 1)
    assert run("check", "--home", milk_round).code == 0


def test_readers_and_a_backup_do_not_wait_for_readers(milk_round: Path, run: Run) -> None:
    with held(milk_round, "reading", 2.0):
        for words in (("due", *DAY), ("backup",), ("check",)):
            outcome = run(*words, "--home", milk_round)
            assert (outcome.code, outcome.err) == (0, "")


def test_a_writer_waits_for_a_reader(milk_round: Path, run: Run) -> None:
    with held(milk_round, "reading", 0.6):
        outcome = run("note", "R10", "cleaning", "--on", "2026-06-01", "--home", milk_round)
    assert outcome.code == 0
    assert "waiting" in outcome.err


def test_two_first_loads_at_once_lose_nothing(tmp_path: Path, made_round: Path) -> None:
    import shutil

    shutil.copytree(made_round, tmp_path / "round")
    home = tmp_path / "round" / "home"
    (home / "wearlab.duckdb").unlink()
    code = "import sys; from pipelines.cli import main; main(sys.argv[1:])"
    words = [sys.executable, "-c", code, "load", "--home", str(home), *DAY]
    sheets = [home.parent / "sheets" / name for name in ("first.csv", "second.csv")]
    both = [
        subprocess.Popen([*words, str(one)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT) for one in sheets
    ]
    assert [(one.communicate()[1], one.returncode)[1] for one in both] == [0, 0]
    with open_workspace(home).open(read_only=True) as db:
        assert db.value("SELECT count(*) FROM source_file") == 2


def test_a_folder_whose_name_has_lock_in_it_is_not_waited_for(
    tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workspace, "WAIT_S", 5.0)
    assert run("new", tmp_path / "padlock").code == 0
    (tmp_path / "padlock" / "wearlab.duckdb").write_bytes(b"no database" * 900)
    began = time.monotonic()
    outcome = run("due", "--home", tmp_path / "padlock")
    assert "is damaged" in outcome.err
    assert time.monotonic() - began < 4

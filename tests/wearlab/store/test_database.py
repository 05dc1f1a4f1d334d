"""The store: opening, refusing, waiting, migrating; nothing half done is ever kept."""

from __future__ import annotations

import subprocess
import sys
import textwrap
from pathlib import Path

import pandas as pd
import pytest

from wearlab.errors import StoreError, StoreLocked
from wearlab.store import database as store
from wearlab.store.database import migrate, open_database


def test_a_new_store_has_the_schema_and_its_version(tmp_path: Path) -> None:
    with open_database(tmp_path / "s.duckdb") as db:
        names = {row[0] for row in db.rows("SELECT table_name FROM information_schema.tables")}
        assert {"source_file", "raw_row", "test", "reading", "work", "fitment", "forecast", "run"} <= names
        assert db.value("SELECT value FROM meta WHERE key = 'schema_version'") == str(store.SCHEMA_VERSION)


def test_files_outside_cannot_be_reached_by_sql(tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_text("a\n1\n")
    with open_database(tmp_path / "s.duckdb") as db:
        with pytest.raises(Exception, match="disabled"):
            db.rows("SELECT * FROM read_csv(?)", [str(tmp_path / "x.csv")])
        with pytest.raises(Exception, match="locked"):
            db.run("SET enable_external_access = true")


def test_an_account_that_does_not_add_up_is_refused(tmp_path: Path) -> None:
    with open_database(tmp_path / "s.duckdb") as db, pytest.raises(Exception, match="CHECK"):
        db.run(
            "INSERT INTO source_file VALUES (1,'a','h',1,'l','tests',NULL,NULL,'csv',[],DATE '2026-01-01',"
            "now()::TIMESTAMP,10,1,2,3,3,0,5)"
        )


def test_a_fault_inside_a_transaction_leaves_nothing(tmp_path: Path) -> None:
    with open_database(tmp_path / "s.duckdb") as db:
        with pytest.raises(ZeroDivisionError), db.transaction():
            db.append("meta", pd.DataFrame({"key": ["a"], "value": ["b"]}))
            raise ZeroDivisionError
        assert db.value("SELECT count(*) FROM meta WHERE key = 'a'") == 0


def test_a_reader_needs_a_store(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="load a first sheet"):
        open_database(tmp_path / "none.duckdb", read_only=True)
    assert not (tmp_path / "none.duckdb").exists()


def test_a_damaged_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    path.write_bytes(b"not a database" * 500)
    with pytest.raises(StoreError, match="restore it from a backup"):
        open_database(path)


def test_a_newer_store_is_refused_and_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    with open_database(path) as db:
        db.run("UPDATE meta SET value = '99' WHERE key = 'schema_version'")
    before = path.read_bytes()
    with pytest.raises(StoreError, match="newer wearlab"):
        open_database(path, read_only=True)
    assert path.read_bytes() == before


def test_a_locked_store_waits_then_names_the_process(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    open_database(path).close()
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            textwrap.dedent(
                """
                import sys
                from pathlib import Path
                from wearlab.store.database import open_database
                db = open_database(Path(sys.argv[1]))
                print("open", flush=True)
                sys.stdin.read()
                """
            ),
            str(path),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "open\n"
        waits: list[float] = []
        with pytest.raises(StoreLocked, match=f"PID {holder.pid}"):
            open_database(path, wait_s=1.2, on_wait=waits.append)
        assert len(waits) >= 2
    finally:
        holder.communicate("")
    with open_database(path, read_only=True) as db:  # free again once the other process has ended
        assert db.value("SELECT count(*) FROM source_file") == 0


def test_migration_copies_first_and_is_one_transaction(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "s.duckdb"
    with open_database(path) as db:
        db.run("INSERT INTO meta VALUES ('kept', 'yes')")
    monkeypatch.setattr(store, "SCHEMA_VERSION", 3)
    steps = {
        1: "CREATE TABLE extra (a INTEGER)",
        2: "INSERT INTO extra VALUES (1); INSERT INTO nowhere VALUES (1)",
    }
    with pytest.raises(Exception, match="nowhere"):
        migrate(path, 1, steps=steps)
    monkeypatch.setattr(store, "SCHEMA_VERSION", 1)
    with open_database(path) as db:
        assert db.value("SELECT value FROM meta WHERE key = 'schema_version'") == "1"
        assert not db.rows("SELECT 1 FROM information_schema.tables WHERE table_name = 'extra'")
    monkeypatch.setattr(store, "SCHEMA_VERSION", 3)
    copy = migrate(path, 1, steps={**steps, 2: "INSERT INTO extra VALUES (7)"})
    with open_database(path) as db:
        assert db.rows("SELECT a FROM extra") == [(7,)]
        assert db.value("SELECT value FROM meta WHERE key = 'kept'") == "yes"
    monkeypatch.setattr(store, "SCHEMA_VERSION", 1)
    with open_database(copy) as db:
        assert db.value("SELECT value FROM meta WHERE key = 'schema_version'") == "1"


def test_a_version_without_a_way_forward_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "s.duckdb"
    open_database(path).close()
    monkeypatch.setattr(store, "SCHEMA_VERSION", 2)
    with pytest.raises(StoreError, match="cannot bring up to date"):
        migrate(path, 1, steps={})


def test_a_killed_writer_leaves_the_last_whole_state(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    script = textwrap.dedent(
        """
        import os, signal, sys
        from pathlib import Path
        from wearlab.store.database import open_database
        db = open_database(Path(sys.argv[1]))
        db.run("INSERT INTO meta VALUES ('first', 'whole')")
        with db.transaction():
            db.run("INSERT INTO meta VALUES ('second', 'half')")
            os.kill(os.getpid(), signal.SIGKILL)
        """
    )
    subprocess.run([sys.executable, "-c", script, str(path)], check=False)
    with open_database(path) as db:
        assert db.rows("SELECT key FROM meta WHERE key IN ('first', 'second')") == [("first",)]

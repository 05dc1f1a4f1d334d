"""Every rule of the store is broken once, and `check` says which, where and what to do."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from conftest import Run
from pipelines.sheets.journal import COPIES
from pipelines.workspace import open_workspace
from wearlab.store.check import look_through
from wearlab.store.database import Database, open_database
from wearlab.store.rules import OF_RUNS, RULES

#: what breaks a rule, by the rule's name
BREAKS = {
    "account of rows": "DELETE FROM raw_row WHERE row_no = 3",
    "account of readings": "UPDATE source_file SET readings = readings + 1",
    "reasons": "DELETE FROM remark",
    "rows of readings": "UPDATE raw_row SET bucket = 'structure' WHERE row_no = 3",
    "readings like their test": "UPDATE reading SET vehicle = 'Z9' WHERE row_no = 3",
    "unique raw_row t": "INSERT INTO raw_row SELECT * FROM raw_row WHERE row_no = 3",
    "unique test t": "INSERT INTO test SELECT * FROM test LIMIT 1",
    "unique reading t": "INSERT INTO reading SELECT * FROM reading LIMIT 1",
    "unique raw_sheet t": "INSERT INTO raw_sheet SELECT * FROM raw_sheet",
    "unique signal_run t": "INSERT INTO signal_run SELECT * FROM signal_run",
    "unique work t": "INSERT INTO work (row_no, done_on, kind) VALUES (7, '2026-01-01', 'cleaning'), "
    "(7, '2026-01-02', 'cleaning')",
    "reading of test": "DELETE FROM test WHERE row_no = 3",
    "test of test": "UPDATE test SET completed_by = 'none' WHERE row_no = 3",
    "raw_row of source_file": "UPDATE raw_row SET file_id = 9 WHERE row_no = 3",
    "work of source_file": "INSERT INTO work (file_id, row_no, done_on, kind) VALUES (9, 1, '2026-01-01', 'cleaning')",
    "stock of source_file": "INSERT INTO stock (file_id, row_no, part_number) VALUES (9, 1, 'a')",
    "remark of source_file": "UPDATE remark SET file_id = 9",
    "touched of source_file": "UPDATE touched SET file_id = 9",
    "part_state of run": "UPDATE part_state SET run_id = 9",
    "signal_run of run": "UPDATE signal_run SET run_id = 9",
    "limits of forecasts": "DELETE FROM limit_rule",
    "numbers still to give": "INSERT INTO source_file SELECT 99, 'a', 'b', * EXCLUDE (file_id, name, sha256) "
    "FROM source_file",
    "fitted of test": "UPDATE fitted SET test_id = 'none' WHERE position = '1'",
    "fitted of fitment": "DELETE FROM fitment",
}


def spoil(home: Path, sql: str) -> None:
    with open_workspace(home).open() as db:
        db.run(sql)


def test_a_sound_workspace_has_no_fault(milk_round: Path, run: Run) -> None:
    before = (milk_round / "wearlab.duckdb").read_bytes()
    said = run("check", "--home", milk_round)
    assert (said.code, said.err) == (0, "")
    assert "nothing is wrong" in said.out
    told = run("check", "--home", milk_round, "--json").json
    assert (told["findings"], told["notes"], told["files"]) == ([], [], 1)
    assert told["tables"] > 30
    assert (milk_round / "wearlab.duckdb").read_bytes() == before
    with open_workspace(milk_round).open(read_only=True) as db:  # what is broken below is there to be broken
        for table in ("raw_row", "remark", "signal_run", "part_state", "fitted", "fitment", "limit_rule", "touched"):
            assert db.value(f"SELECT count(*) FROM {table}") > 0, table  # noqa: S608


@pytest.fixture(scope="module")
def opened(made_round: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """A copy of the store, to be broken in transactions that are rolled back."""
    path = tmp_path_factory.mktemp("broken") / "s.duckdb"
    shutil.copyfile(made_round / "home" / "wearlab.duckdb", path)
    with open_database(path) as db:
        yield db


@pytest.mark.parametrize("rule", BREAKS)
def test_a_broken_rule_is_named(opened: Database, rule: str) -> None:
    assert rule in {one.name for one in RULES}
    with pytest.raises(ZeroDivisionError), opened.transaction():
        opened.run(BREAKS[rule])
        found = {one.rule: one for one in look_through(opened).findings}
        raise ZeroDivisionError  # nothing of it stays
    assert rule in found
    assert found[rule].cases >= 1
    assert found[rule].where
    assert "backup" in found[rule].advice or "reload" in found[rule].advice
    assert look_through(opened).findings == ()


def test_every_run_has_a_rule() -> None:
    names = {one.name for one in RULES}
    assert {f"{table} of run" for table in OF_RUNS} <= names


def test_the_sentence_names_place_and_way_back(milk_round: Path, run: Run) -> None:
    spoil(milk_round, BREAKS["account of rows"])
    said = run("check", "--home", milk_round)
    assert said.code == 1
    assert "first.csv does not add up (its rows by kind are not the rows read): make the file again" in said.out


def test_reload_mends_what_it_is_named_for(milk_round: Path, run: Run) -> None:
    spoil(milk_round, "DELETE FROM reading WHERE row_no = 4")
    assert run("check", "--home", milk_round).code == 1
    assert run("reload", "first.csv", "--home", milk_round, "--as-of", "2026-06-30").code == 0
    assert run("check", "--home", milk_round).code == 0


def test_a_table_or_column_that_is_missing(milk_round: Path, run: Run) -> None:
    spoil(milk_round, "DROP TABLE verdict")
    spoil(milk_round, "ALTER TABLE stock DROP note")
    said = run("check", "--home", milk_round)
    assert said.code == 1
    assert "the table verdict is missing" in said.out
    assert "the column stock.note is missing" in said.out


def test_a_kept_copy_is_compared_with_its_hash(milk_round: Path, run: Run) -> None:
    assert run("reload", "--home", milk_round, "--as-of", "2026-06-30").code == 0
    assert run("check", "--home", milk_round, "--json").json["copies"] == 1
    (copy,) = (milk_round / COPIES).iterdir()
    content = bytearray(copy.read_bytes())
    content[len(content) // 2] ^= 1
    copy.write_bytes(content)
    said = run("check", "--home", milk_round)
    assert said.code == 1
    assert f"{copy.name} differs from its hash, so that step 1 (reload) cannot be undone" in said.out


def test_journal_and_layouts_are_read_too(milk_round: Path, run: Run) -> None:
    (milk_round / "journal.jsonl").write_text('{"number": 1, "mad', encoding="utf-8")
    (milk_round / "layouts" / "odd.toml").write_text("name = ", encoding="utf-8")
    said = run("check", "--home", milk_round)
    assert said.code == 1
    assert "line 1 of" in said.out
    assert "take that line out" in said.out
    assert "odd.toml" in said.out


def test_nothing_to_check_yet(tmp_path: Path, run: Run) -> None:
    assert run("new", tmp_path / "w").code == 0
    said = run("check", "--home", tmp_path / "w")
    assert said.code == 2
    assert "no sheet is loaded yet" in said.err

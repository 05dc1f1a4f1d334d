"""A foreign file is read through a door of its own: that one file, and nothing else of the machine."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from wearlab.errors import StoreError
from wearlab.store.database import only_file


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with duckdb.connect() as con:
        con.execute(f"COPY (SELECT 7 AS a) TO '{tmp_path}/one.parquet'")
        con.execute(f"COPY (SELECT 8 AS a) TO '{tmp_path}/two.parquet'")
    (tmp_path / "secret.csv").write_text("a\n9\n")
    return tmp_path


def test_the_one_file_is_read(folder: Path) -> None:
    path = folder / "one.parquet"
    with only_file(path) as database:
        assert database.rows("SELECT a FROM read_parquet(?)", [str(path)]) == [(7,)]


@pytest.mark.parametrize(
    "statement",
    [
        "SELECT * FROM read_parquet('{folder}/two.parquet')",
        "SELECT * FROM read_parquet('{folder}/*.parquet')",
        "SELECT * FROM '{folder}/two.parquet'",
        "SELECT * FROM read_csv('{folder}/secret.csv')",
        "SELECT content FROM read_text('{folder}/secret.csv')",
        "SELECT * FROM glob('{folder}/*')",
        "SELECT * FROM read_csv('https://example.org/a.csv')",
        "COPY (SELECT 1) TO '{folder}/made.csv'",
        "ATTACH '{folder}/made.db'",
        "EXPORT DATABASE '{folder}/made'",
        "INSTALL httpfs",
        "LOAD httpfs",
        "SET enable_external_access = true",
        "SET allowed_directories = ['/']",
        "SET memory_limit = '100GB'",
        "SET temp_directory = '{folder}'",
    ],
)
def test_nothing_else_is_reached(folder: Path, statement: str) -> None:
    before = sorted(folder.iterdir())
    with pytest.raises(StoreError) as caught, only_file(folder / "one.parquet") as database:
        database.rows(statement.format(folder=folder))
    assert "\n" not in str(caught.value)
    assert sorted(folder.iterdir()) == before


def test_a_query_too_large_for_its_memory_fails_and_spills_nowhere(folder: Path) -> None:
    before = sorted(folder.iterdir())
    with pytest.raises(StoreError, match="Out of Memory"), only_file(folder / "one.parquet", memory="20MB") as database:
        database.rows("SELECT count(DISTINCT md5(i::VARCHAR)) FROM range(3000000) r(i)")
    assert sorted(folder.iterdir()) == before


def test_a_name_with_a_quote_opens_nothing_more(folder: Path) -> None:
    odd = folder / "o'ne', '.parquet"
    odd.write_bytes((folder / "one.parquet").read_bytes())
    with only_file(odd) as database:
        assert database.value("SELECT a FROM read_parquet(?)", [str(odd)]) == 7
    with pytest.raises(StoreError), only_file(odd) as database:
        database.rows("SELECT * FROM read_parquet(?)", [str(folder / "one.parquet")])

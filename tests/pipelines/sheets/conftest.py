"""A small workspace for tests of loading: write a sheet, load it, look at what became of every row."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipelines.sheets.account import FileAccount
from pipelines.sheets.layout import Layout, parse_layout
from pipelines.sheets.load import load_files
from wearlab.config import Settings
from wearlab.store.database import Database, open_database

AS_OF = date(2026, 6, 30)
SAMPLES = Path(__file__).parent / "samples"


class Bench:
    """One database and a folder of sheets."""

    def __init__(self, folder: Path, database: Database) -> None:
        self.folder = folder
        self.db = database
        self.layouts: list[Layout] = []
        self.settings = Settings()

    def layout(self, toml: str) -> None:
        self.layouts.append(parse_layout(toml.encode(), f"layout {len(self.layouts) + 1}"))

    def write(self, name: str, text: str, encoding: str = "utf-8") -> Path:
        path = self.folder / name
        path.write_bytes(text.lstrip("\n").encode(encoding))
        return path

    def load(self, *paths: Path, **options: Any) -> list[FileAccount]:
        options.setdefault("as_of", AS_OF)
        return load_files(self.db, self.settings, self.layouts, list(paths), **options)

    def one(self, name: str, text: str, encoding: str = "utf-8") -> FileAccount:
        """Write and load one sheet; its account must add up."""
        account = self.load(self.write(name, text, encoding))[0]
        parts = account.structure + account.accepted + account.flagged + account.set_aside
        assert account.rows_read == parts
        return account

    def buckets(self, sheet: str | None = None) -> dict[int, str]:
        found = self.db.rows(
            "SELECT row_no, bucket FROM raw_row WHERE sheet IS NOT DISTINCT FROM ? ORDER BY row_no", [sheet]
        )
        return dict(found)

    def readings(self, row: int, columns: str = "position, value, unit, bound") -> list[tuple[Any, ...]]:
        return self.db.rows(
            f"SELECT {columns} FROM reading JOIN test USING (test_id, vehicle, tested_on, measure, protocol) "  # noqa: S608
            "WHERE reading.row_no = ? ORDER BY col_no",
            [row],
        )

    def codes(self, row: int) -> set[str]:
        return {code for (code,) in self.db.rows("SELECT code FROM remark WHERE row_no = ?", [row])}

    def by_bucket(self, sheet: str | None = None) -> dict[str, list[int]]:
        """Row numbers by bucket."""
        found: dict[str, list[int]] = {}
        for row, bucket in self.buckets(sheet).items():
            found.setdefault(bucket, []).append(row)
        return found

    def suggestions(self, row: int) -> list[str]:
        query = "SELECT suggestion FROM remark WHERE row_no = ? AND suggestion IS NOT NULL ORDER BY 1"
        return [text for (text,) in self.db.rows(query, [row])]

    def asked(self) -> dict[str, list[str]]:
        """Subjects of the questions by their kind."""
        found: dict[str, list[str]] = {}
        for kind, subject in self.db.rows("SELECT kind, subject FROM question ORDER BY kind, subject"):
            found.setdefault(kind, []).append(subject)
        return found

    def sample(self, name: str, change: tuple[str, str] = ("", "")) -> Bench:
        """Load one of the sample sheets with its layout; `change` replaces a text in the layout first."""
        path = next(SAMPLES.glob(f"{name}*[!l]"))
        self.layout(path.with_suffix(".toml").read_text(encoding="utf-8").replace(*change, 1))
        self.account = self.load(path)[0]
        assert self.account.status == "loaded", self.account.sentence
        parts = (self.account.structure, self.account.accepted, self.account.flagged, self.account.set_aside)
        assert self.account.rows_read == sum(parts)
        return self

    def everything(self) -> dict[str, list[tuple[Any, ...]]]:
        """The content of the store without file ids and load times."""
        tables = {
            "source_file": "* EXCLUDE (file_id, loaded_at)",
            **dict.fromkeys(("raw_row", "remark", "test", "reading", "question", "work"), "* EXCLUDE (file_id)"),
        }
        return {
            table: self.db.rows(f"SELECT {columns} FROM {table} ORDER BY ALL")  # noqa: S608
            for table, columns in tables.items()
        }


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """An empty database with a folder beside it."""
    with open_database(tmp_path / "store.duckdb") as database:
        yield Bench(tmp_path, database)


def columns_toml(text: str) -> str:
    """Turn lines "header | field | more" into the columns of a layout."""
    made = []
    for line in text.strip().splitlines():
        header, field, *more = (part.strip() for part in line.split("|"))
        made.append(f'[[columns]]\nheader = "{header}"\nfield = "{field}"\n' + "\n".join(more).replace(";", "\n"))
    return "\n".join(made) + "\n"


@pytest.fixture
def columns() -> Any:
    """The function that writes the columns of a layout."""
    return columns_toml

"""How fast sheets are loaded, beside what DuckDB alone needs for the same file in the same run.

Run with `make bench`; each job is a process of its own. The aims: one million long rows in 10 s and under 1.5 GB, the
same file again in 2 s, 50,000 rows of XLSX in 5 s.
"""

from __future__ import annotations

import random
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from benchmarks.measured import Figures, Tell, measured

ROWS = 1_000_000
BOOK_ROWS = 50_000

FIELDS = {
    "van": "vehicle",
    "day": "date",
    "km": "odometer",
    "what": "measure",
    "driven": "driven",
    "cyl": "position",
    "rep": "repeat",
    "ml": "value",
    "unit": "unit",
    "seconds": "duration",
    "rail": "rail",
    "note": "note",
}
LAYOUT = 'name = "long"\nkind = "tests"\n' + "".join(
    f'[[columns]]\nheader = "{header}"\nfield = "{field}"\n' for header, field in FIELDS.items()
)


def _rows(count: int) -> list[list[str | int | float]]:
    """Visits of a fleet, four cylinders measured twice each; the same rows every time."""
    dice = random.Random(1)
    vans = max(count // 200, 10)
    rows: list[list[str | int | float]] = []
    visit = 0
    while len(rows) < count:
        round_, van = divmod(visit, vans)
        day = (date(2015, 1, 1) + timedelta(days=90 * round_ + van % 60)).isoformat()
        km, rail = 50_000 + 9_000 * round_ + dice.randint(0, 3000), dice.randint(270, 290)
        rows += [
            [f"T{van:05d}", day, km, "return", "idle", cylinder, repeat, dice.randint(80, 300) / 10, "ml", 60, rail, ""]
            for cylinder in (1, 2, 3, 4)
            for repeat in (1, 2)
        ]
        visit += 1
    return rows[:count]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("bench")
    (made / "long.toml").write_text(LAYOUT)
    lines = [",".join(FIELDS), *(",".join(map(str, row)) for row in _rows(ROWS))]
    (made / "long.csv").write_text("\n".join(lines) + "\n")
    return made


def _run(*words: object) -> Figures:
    return measured("measure.py", *words)


def _figures(name: str, done: Figures) -> str:
    rate = done["rows"] / done["seconds"]
    return f"{name}: {done['seconds']:.2f} s, {rate:,.0f} rows a second, peak memory {done['peak_mb']:,.0f} MB"


def test_a_million_long_rows(folder: Path, tell: Tell, benchmark: Any) -> None:
    bare = _run("bare", folder / "bare.duckdb", folder / "long.csv")
    words = ("load", folder / "long.duckdb", folder / "long.toml", folder / "long.csv")
    done = benchmark.pedantic(_run, words, rounds=1)
    assert (done["status"], done["rows"], done["readings"]) == ("loaded", ROWS + 1, ROWS)
    again = _run(*words)
    assert again["status"] == "already loaded"
    tell(
        "\n".join(
            [
                _figures("a million rows of CSV", done),
                _figures("bare DuckDB read_csv of the same file into a table", bare),
                f"ratio to bare DuckDB: {done['seconds'] / bare['seconds']:.1f}",
                f"the same file again: {again['seconds']:.2f} s",
            ]
        )
    )


def test_fifty_thousand_rows_of_xlsx(folder: Path, tell: Tell, benchmark: Any) -> None:
    import xlsxwriter

    with xlsxwriter.Workbook(folder / "book.xlsx", {"constant_memory": True}) as book:
        page = book.add_worksheet()
        for place, row in enumerate([list(FIELDS), *_rows(BOOK_ROWS)]):
            page.write_row(place, 0, row)
    words = ("load", folder / "book.duckdb", folder / "long.toml", folder / "book.xlsx")
    done = benchmark.pedantic(_run, words, rounds=1)
    assert (done["status"], done["rows"], done["readings"]) == ("loaded", BOOK_ROWS + 1, BOOK_ROWS)
    tell(_figures("50,000 rows of XLSX", done))


@pytest.mark.parametrize("kind", ["parquet", "jsonl"])
def test_a_million_rows_of_other_kinds(folder: Path, tell: Tell, benchmark: Any, kind: str) -> None:
    import duckdb

    form = {"parquet": "parquet", "jsonl": "json"}[kind]
    sheet = folder / f"long.{kind}"
    with duckdb.connect() as con:
        con.execute(f"COPY (SELECT * FROM read_csv('{folder}/long.csv')) TO '{sheet}' (FORMAT {form})")  # noqa: S608
    words = ("load", folder / f"{kind}.duckdb", folder / "long.toml", sheet)
    done = benchmark.pedantic(_run, words, rounds=1)
    assert (done["status"], done["rows"], done["readings"]) == ("loaded", ROWS + 1, ROWS)
    tell(_figures(f"a million rows of {kind}", done))

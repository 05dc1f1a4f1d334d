"""Sheets of chance that nobody described: the proposer answers to all of them, and every row of them has its place."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fuzz.containers import XLSX, packed
from hostile import changed, one_line, quick
from pipelines.sheets.account import FileAccount
from pipelines.sheets.layout import Layout, built_in_layouts, parse_layout
from pipelines.sheets.load import load_files
from pipelines.sheets.propose import Proposal, propose
from pipelines.sheets.raw import RawSheet
from wearlab.config import Settings
from wearlab.errors import SheetError
from wearlab.store.database import Database, open_database

AS_OF = date(2026, 6, 30)
SHEET = (
    "Vehicle;Date;Odometer km;Cyl 1 ml;Cyl 2 ml;Remark\nM-007;04.03.2025;10000;12,0;12,5;foam\n"
    "M-007;31.12.2025;20000;13,0;>50;cyl 1 and 2 swapped\nmean;;;12,5;;\nM-008;01.02.2026;1 fl oz;full;-;order 1-2\n"
)
HEADERS = st.sampled_from(
    ["Vehicle", "Date", "Cyl 1", "Cyl 2 (ml)", "Zyl. ②", "cylindre 3", "km", "mi", "peak bar", "note", "", "7", "#",
     "②", "Odometer", "kind", "held", "Serial", "old part", "Depot", "²", "…………", "x\x1by", "Date", "Vehicle ml",
     "1.2.3"]
)  # fmt: skip
CELLS = st.sampled_from(
    ["M 7", "M-007", "2025-03-04", "04.03.2025", "31.02.2025", "0000-00-00", "01.01.99999", "31.12.9999", "45810", "12",
     "12,5", "1.234,5", "1e999", "-1e999", "9" * 400, "nan", "inf", ">50", "<", "①", "1²", "፩", "", " ", "\u00a0",
     "full", "idle", "crank", "mean", "total", "x\0y", "x\x1b[2Jy", "\u202e", "=1+1", "12:60", "1/2", "60 s", "1 fl oz",
     "ml",
     "cyl 1 = S1 2 = S2", "yes", "swapped 1 and 2", "1-3-4-2", "0.1 psi", "- 3", "+", "%", "'", "{cell}", "{0}", "%s"]
)  # fmt: skip
ROWS = st.lists(st.lists(CELLS, max_size=6), max_size=8)

LAYOUT = """
name = "yard book"
kind = "tests"
[file]
delimiter = ";"
decimal = ","
thousands = ["."]
date_formats = ["%d.%m.%Y", "%Y-%m-%d"]
[defaults]
measure = "return_flow"
duration = "60 s"
unit = "ml"
"""
COLUMNS = "van vehicle;day date;km odometer;held driven;c1 reading 1;c2 reading 2;run repeat;note note"


@pytest.fixture(scope="module")
def store() -> Iterator[Database]:
    with open_database(Path(":memory:")) as database:
        yield database


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("hostile")


@pytest.fixture(scope="module")
def layout() -> Layout:
    made = LAYOUT
    for column in COLUMNS.split(";"):
        header, field, *place = column.split()
        made += f'[[columns]]\nheader = "{header}"\nfield = "{field}"\n'
        made += f'position = "{place[0]}"\n' if place else ""
    return parse_layout(made.encode(), "yard book")


def _finished(made: Proposal) -> None:
    assert (made.layout is None) == (made.reason is not None)
    for question in made.questions:
        one_line(SheetError(question.with_answers))


def _loaded(store: Database, folder: Path, content: bytes, name: str, layouts: list[Layout]) -> FileAccount:
    """Load without keeping; the account adds up, and every line of it can be shown."""
    path = folder / name
    path.write_bytes(content)
    accounts: list[FileAccount] = []

    def load() -> None:
        accounts.extend(load_files(store, Settings(), layouts, [path], as_of=AS_OF, preview=True))

    assert quick(load) is None
    (account,) = accounts
    parts = account.structure + account.accepted + account.flagged + account.set_aside
    assert account.rows_read == parts
    for text in (account.sentence, *account.questions, *account.proposed):
        assert text is None or text.isprintable()
    if account.status == "refused":
        assert account.rows_read == 0
        assert account.sentence
    assert store.value("SELECT count(*) FROM raw_row") == 0
    return account


@given(st.lists(HEADERS, min_size=1, max_size=7), ROWS, st.lists(st.lists(HEADERS | CELLS, max_size=3), max_size=2))
@settings(max_examples=250)
def test_sheets_of_odd_headers_and_cells(header: list[str], rows: list[list[str]], above: list[list[str]]) -> None:
    _finished(propose(RawSheet(None, [*above, header, *rows]), Settings(), as_of=AS_OF))


@given(st.lists(st.lists(st.text(max_size=6), max_size=4), max_size=6))
@settings(max_examples=100)
def test_sheets_of_any_text(rows: list[list[str]]) -> None:
    _finished(propose(RawSheet("a", rows), Settings(), as_of=AS_OF))


@given(st.dictionaries(st.sampled_from(["unit:readings", "kind", "unit:Cyl 1", "driven", "date order"]), CELLS), ROWS)
@settings(max_examples=50)
def test_answers_of_any_text(answers: dict[str, str], rows: list[list[str]]) -> None:
    sheet = RawSheet(None, [["Vehicle", "Date", "Cyl 1", "Cyl 2"], ["M 7", "04.03.2025", "12", "13"], *rows])
    _finished(propose(sheet, Settings(), answers=answers, as_of=AS_OF))


@given(changed(SHEET.encode()))
@settings(max_examples=30)
def test_a_sheet_with_bytes_of_chance_is_loaded_or_refused(store: Database, folder: Path, content: bytes) -> None:
    _loaded(store, folder, content, "a.csv", built_in_layouts())


@given(st.lists(st.lists(CELLS, min_size=3, max_size=8), min_size=1, max_size=8))
@settings(max_examples=30)
def test_every_row_of_a_known_sheet_has_its_place(
    store: Database, folder: Path, layout: Layout, rows: list[list[str]]
) -> None:
    head = [column.split()[0] for column in COLUMNS.split(";")]
    lines = [head, *([cell.replace("\0", "").replace("\x1b", "") for cell in row] for row in rows)]
    content = "".join(";".join(line) + "\n" for line in lines).encode()
    account = _loaded(store, folder, content, "b.csv", [layout])
    assert account.status == "loaded", account.sentence
    assert account.rows_read == len(lines)


@given(st.data(), st.sampled_from(["xl/worksheets/sheet1.xml", "xl/sharedStrings.xml", "xl/styles.xml"]))
@settings(max_examples=25)
def test_a_changed_workbook_is_loaded_or_refused(store: Database, folder: Path, data: st.DataObject, name: str) -> None:
    content = packed(XLSX, b"", {name: data.draw(changed(XLSX[name].encode()))})
    _loaded(store, folder, content, "a.xlsx", built_in_layouts())


@pytest.mark.parametrize("cell", ["1e999", "-1e999", "1e-999", "1e" + "9" * 5000, "9" * 5000, "NaN", "Infinity"])
def test_numbers_that_no_computer_holds(store: Database, folder: Path, layout: Layout, cell: str) -> None:
    head = '"van": "M 7", "day": "2025-03-04", "km": 1000, "held": "idle"'
    for line in (
        f'{{{head}, "c1": {cell}, "c2": 12, "run": 1, "note": ""}}',
        f'{{{head}, "c1": 12, "c2": 12, "run": {cell}, "note": ""}}',
    ):
        account = _loaded(store, folder, line.encode() + b"\n", "a.jsonl", [layout])
        assert account.status == "loaded", account.sentence
        assert account.rows_read == 2


@pytest.mark.parametrize(
    ("day", "bucket"),
    [
        ("0000-01-01", "set_aside"),
        ("0001-01-01", "set_aside"),
        ("99999-01-01", "set_aside"),
        ("9999-12-31", "set_aside"),
        ("2025-02-30", "set_aside"),
        ("-2025-01-01", "set_aside"),
        ("2025-03-04", "accepted"),
    ],
)
def test_days_that_no_calendar_has(store: Database, folder: Path, layout: Layout, day: str, bucket: str) -> None:
    text = f"van;day;km;held;c1;c2;run;note\nM 7;{day};1000;idle;12;12;1;\n"
    account = _loaded(store, folder, text.encode(), "a.csv", [layout])
    assert {name: getattr(account, name) for name in ("accepted", "flagged", "set_aside")} == {
        "accepted": 0, "flagged": 0, "set_aside": 0,
    } | {bucket: 1}  # fmt: skip

"""What loading promises: nothing lost, nothing twice, nothing half, and a preview that stores nothing."""

from __future__ import annotations

import tempfile
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.sheets import stored
from pipelines.sheets.layout import parse_layout
from pipelines.sheets.load import load_files
from wearlab.config import Settings
from wearlab.store.database import open_database

LAYOUT = """
name = "milk round"
kind = "tests"
[file]
decimal = ","
thousands = ["."]
date_formats = ["%d.%m.%Y"]
[defaults]
measure = "return_flow"
driven = "idle"
duration = "60 s"
unit = "ml"
"""
COLUMNS = """
Van | vehicle
Day | date
Km | odometer
C1 | reading | position = "1"
C2 | reading | position = "2"
Note | note
"""
HEADER = "Van;Day;Km;C1;C2;Note"


def test_a_file_loaded_twice_or_under_another_name_changes_nothing(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    text = f"{HEADER}\nE1;01.02.2025;10.000;11,5;12\nE1;01.03.2025;11.000;;13\n"
    first = bench.one("a.csv", text)
    before = bench.everything()
    again = bench.load(bench.folder / "a.csv", bench.write("copy.csv", text))
    assert [account.status for account in again] == ["already loaded"] * 2
    assert (again[0].rows_read, again[0].readings) == (first.rows_read, first.readings)
    assert again[1].sentence is not None
    assert "a.csv" in again[1].sentence
    assert bench.everything() == before


def test_two_copies_in_one_load_are_stored_once(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    text = f"{HEADER}\nE1;01.02.2025;10.000;11,5;12\n"
    accounts = bench.load(bench.write("a.csv", text), bench.write("b.csv", text))
    assert [account.status for account in accounts] == ["loaded", "already loaded"]


def test_rows_that_another_file_brought_are_copies_and_new_ones_repeats(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    bench.one("a.csv", f"{HEADER}\nE1;01.02.2025;10.000;11,5;12\n")
    account = bench.one("b.csv", f"{HEADER}\nE-1;01.02.2025;10.000;11,5;12\nE1;01.02.2025;10.000;11,5;14\n")
    assert (account.accepted, account.set_aside) == (1, 1)
    assert bench.db.rows("SELECT sentence FROM remark WHERE code = 'duplicate'")[0][0].startswith(
        "The row repeats row 2 of a.csv"
    )
    assert bench.readings(3, "repeat") == [(2,), (2,)]


def test_a_row_that_says_more_than_the_stored_one_is_no_copy(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    bench.one("a.csv", f"{HEADER}\nE1;01.02.2025;10.000;11,5;12\n")
    account = bench.one("b.csv", f"{HEADER}\nE1;01.02.2025;10.000;11,5;12;second round\n")
    assert (account.accepted, account.set_aside) == (1, 0)
    found = bench.readings(2, "note, repeat")
    assert sorted(note or "" for note, _ in found) == ["", "", "second round", "second round"]
    assert {repeat for note, repeat in found if note} | {repeat for note, repeat in found if not note} == {1, 2}


def test_a_preview_tells_the_same_accounts_and_stores_nothing(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    paths = [
        bench.write("a.csv", f"{HEADER}\nE1;01.02.2025;10.000;11,5;12\nE1;31.02.2025;;1;2\n"),
        bench.write("b.csv", f"{HEADER}\nE1;01.02.2025;10.000;11,5;12\nE1;02.02.2025;;>50;x\n"),
        bench.write("c.csv", "nothing;we;know\n1;2;3\n"),
    ]
    seen: list[Any] = []
    empty = bench.everything()
    told = bench.load(*paths, preview=True, on_file=seen.append)
    assert bench.everything() == empty
    assert sorted(seen, key=lambda account: account.file) == told
    assert bench.load(*paths) == told
    assert [account.status for account in told] == ["loaded", "loaded", "refused"]
    assert told[0].set_aside + told[1].set_aside == 2


def test_a_sheet_without_a_layout_is_refused_with_a_sentence(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    account = bench.one("c.csv", "nothing;we;know\n1;2;3\n")
    assert account.status == "refused"
    assert account.sentence is not None
    assert "c.csv" in account.sentence
    assert "layout" in account.sentence
    (missing,) = bench.load(bench.folder / "none.csv")
    assert missing.status == "refused"
    assert "none.csv" in str(missing.sentence)
    assert bench.db.value("SELECT count(*) FROM source_file") == 0


def test_a_fault_in_the_middle_leaves_nothing_of_the_file(
    bench: Any, columns: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    good = bench.write("a.csv", f"{HEADER}\nE1;01.02.2025;10.000;11,5;12\n")
    bad = bench.write("b.csv", f"{HEADER}\nE2;01.02.2025;10.000;11,5;12\n")
    original = stored._source

    def broken(database: Any, raw: Any, account: Any, *more: Any) -> None:
        if account.file == "b.csv":
            raise RuntimeError("the disk is gone")
        original(database, raw, account, *more)

    monkeypatch.setattr(stored, "_source", broken)
    bench.load(good)
    with pytest.raises(RuntimeError):
        bench.load(bad)
    monkeypatch.undo()
    assert bench.db.rows("SELECT name FROM source_file") == [("a.csv",)]
    for table in ("raw_row", "test", "reading", "remark"):
        assert bench.db.value(f"SELECT count(DISTINCT file_id) FROM {table}") <= 1  # noqa: S608
    assert bench.db.rows("SELECT DISTINCT vehicle FROM reading") == [("E1",)]
    assert bench.load(bad)[0].status == "loaded"


def test_ids_of_tests_are_the_same_in_every_workspace(bench: Any, columns: Any, tmp_path: Path) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    path = bench.write("a.csv", f"{HEADER}\nE1;01.02.2025;10.000;11,5;12\n")
    bench.load(path)
    with open_database(tmp_path / "other.duckdb") as other:
        load_files(other, Settings(), bench.layouts, [path], as_of=date(2026, 6, 30))
        assert other.rows("SELECT test_id FROM test") == bench.db.rows("SELECT test_id FROM test")


def test_files_are_named_relative_to_the_folder_that_was_loaded(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    (bench.folder / "north").mkdir()
    path = bench.write("north/a.csv", f"{HEADER}\nE1;01.02.2025;10.000;11,5;12\n")
    (account,) = bench.load(path, roots=[bench.folder])
    assert account.file == "north/a.csv"


def test_a_declared_encoding_and_delimiter_are_obeyed(bench: Any, columns: Any) -> None:
    text = LAYOUT.replace("[file]", '[file]\nencodings = ["cp1250"]\ndelimiter = "|"')
    bench.layout(text + columns(COLUMNS))
    bench.one("a.csv", f"{HEADER}\nŁ1;01.02.2025;10.000;11,5;12;źle; bo\n".replace(";", "|"), "cp1250")
    assert bench.db.rows("SELECT DISTINCT vehicle FROM reading") == [("Ł1",)]
    assert bench.db.value("SELECT note FROM test") == "źle"


def test_a_cell_that_holds_a_control_sign_is_kept_verbatim(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    bench.one("a.csv", f"{HEADER}\nE1;01.02.2025;10.000;11,5;12;odd \x1f sign\n\n")
    assert bench.db.value("SELECT cells[6] FROM raw_row WHERE row_no = 2") == "odd \x1f sign"


# ---- generated sheets: every row is accounted for, and every value is the one that was written

_VALUE = st.one_of(
    st.integers(1, 2000).map(lambda n: (f"{n / 10:.1f}".replace(".", ","), n / 10, None)),
    st.integers(10, 90).map(lambda n: (f">{n}", float(n), "at_least")),
    st.integers(1, 90).map(lambda n: (f"{n} cc", float(n), None)),
    st.sampled_from([("", None, None), ("—", None, None), ("n/a", None, None), ("spilled", None, None)]),
    st.sampled_from([("1.2.3", "aside", None), ("-4", "aside", None), ("7 mm", "aside", None), ("?!", "aside", None)]),
)
_DAY = st.integers(0, 400).map(lambda n: date(2024, 1, 1) + timedelta(days=n))
_TEST = st.tuples(st.integers(1, 30), _DAY, st.integers(1, 400000), _VALUE, _VALUE)
_OTHER = st.sampled_from(
    [
        ("", "structure"),
        (";;;;;", "structure"),
        ("printed today;;;;;", "structure"),
        (HEADER, "structure"),
        ("Mean;;;12;13;", "set_aside"),
        ("E9;31.02.2025;1;1;1;", "set_aside"),
        (";01.02.2025;1;1;1;", "set_aside"),
    ]
)


@settings(
    max_examples=40,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
@given(
    rows=st.lists(st.one_of(_TEST, _OTHER), min_size=1, max_size=25),
    titles=st.integers(0, 3),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "cp1252"]),
)
def test_every_generated_row_is_accounted_for_and_every_value_found(
    columns: Any, rows: list[Any], titles: int, encoding: str
) -> None:
    lines = ["Rundgang – Frühjahr;;;;;"] * titles + [HEADER]
    wanted: dict[int, list[tuple[str, float, str | None]]] = {}
    buckets = {number + 1: "structure" for number in range(len(lines))}
    seen: set[str] = set()
    for row in rows:
        number = len(lines) + 1
        if len(row) == 2:
            text, bucket = row
        else:
            van, day, km, one, two = row
            text = f"E{van};{day:%d.%m.%Y};{f'{km:,}'.replace(',', '.')};{one[0]};{two[0]};"
            cells = [(place, cell) for place, cell in (("1", one), ("2", two))]
            kept = [(place, cell[1], cell[2]) for place, cell in cells if isinstance(cell[1], float)]
            aside = any(cell[1] == "aside" for _, cell in cells)
            bucket = "accepted" if not aside else "flagged" if kept else "set_aside"
            if text in seen:
                bucket, kept = "set_aside", []
            wanted[number] = kept
        seen.add(text)
        lines.append(text)
        buckets[number] = bucket
    with tempfile.TemporaryDirectory() as place, open_database(Path(place, "s.duckdb")) as database:
        path = Path(place, "sheet.csv")
        path.write_bytes("\r\n".join([*lines, ""]).encode(encoding))
        layout = parse_layout((LAYOUT + columns(COLUMNS)).encode(), "x")
        (account,) = load_files(database, Settings(), [layout], [path], as_of=date(2026, 6, 30))
        parts = account.structure + account.accepted + account.flagged + account.set_aside
        assert account.rows_read == parts == len(lines)
        meter = {row for (row,) in database.rows("SELECT row_no FROM remark WHERE code LIKE 'odometer%'")}
        for row, bucket in database.rows("SELECT row_no, bucket FROM raw_row"):
            expected = buckets[row]
            assert bucket == ("flagged" if expected == "accepted" and row in meter else expected), lines[row - 1]
        found: dict[int, list[tuple[str, float, str | None]]] = {number: [] for number in wanted}
        for row, position, value, bound in database.rows("SELECT row_no, position, value, bound FROM reading"):
            found[row].append((position, value, bound))
        assert {row: sorted(values) for row, values in found.items()} == wanted
        kept_rows = database.rows("SELECT row_no, array_to_string(cells, ';') FROM raw_row ORDER BY row_no")
        assert [text.rstrip(";") for _, text in kept_rows] == [line.rstrip(";") for line in lines]

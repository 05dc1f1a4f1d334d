"""What a file types itself is believed: numbers have no marks, days count from its own year, times are times."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from pipelines.sheets.files import read_file
from pipelines.sheets.raw import CellSet
from pipelines.sheets.values import Status, Style, read_number

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
unit = "ml"
"""
COLUMNS = """
Van | vehicle
Day | date
Km | odometer
Time | duration
C1 | reading | position = "1"
C2 | reading | position = "2"
"""
HEADER = ["Van", "Day", "Km", "Time", "C1", "C2"]


def _book(path: Path, *rows: list[Any], epoch_1904: bool = False) -> Path:
    book = openpyxl.Workbook()
    if epoch_1904:
        book.epoch = CALENDAR_MAC_1904
    for row in (HEADER, *rows):
        book.active.append(row)
    book.save(path)
    return path


DAY = datetime.date(2025, 2, 1)
MINUTE = datetime.time(0, 1)


def test_a_real_number_has_no_thousands_marks_and_a_text_beside_it_has(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    path = _book(
        bench.folder / "a.xlsx",
        ["E1", DAY, 70981, 60, 70.981, "70.981"],
        ["E1", datetime.date(2025, 3, 1), "71.981", 60, "12,5", 12.5],
        ["E1", datetime.date(2025, 4, 1), 72981.5, 60, 1e-3, "1,5 ml"],
    )
    (account,) = bench.load(path)
    assert account.status == "loaded"
    assert bench.readings(2, "position, value") == [("1", 70.981), ("2", 70981.0)]
    assert bench.readings(3, "position, value") == [("1", 12.5), ("2", 12.5)]
    assert bench.readings(4, "position, value") == [("1", 0.001), ("2", 1.5)]
    assert bench.db.rows("SELECT odometer_km FROM test ORDER BY tested_on") == [(70981.0,), (71981.0,), (72981.5,)]


def test_the_same_text_typed_and_not_in_one_column(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    path = _book(
        bench.folder / "a.xlsx",
        ["E1", DAY, 1000, 60, 1.234, 1],
        ["E1", datetime.date(2025, 3, 1), 2000, 60, "1.234", 1],
    )
    bench.load(path)
    assert bench.readings(2, "position, value")[0] == ("1", 1.234)
    assert bench.readings(3, "position, value")[0] == ("1", 1234.0)


def test_numbers_of_json_lines_and_their_texts(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    path = bench.folder / "a.jsonl"
    path.write_text('{"Van":"E1","Day":"01.02.2025","Km":"70.981","Time":60,"C1":70.981,"C2":"1.234,5"}\n')
    bench.load(path)
    assert bench.readings(1, "position, value") == [("1", 70.981), ("2", 1234.5)]
    assert bench.db.value("SELECT odometer_km FROM test") == 70981.0


def test_a_bare_number_is_a_date_only_in_a_workbook(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    (bench.folder / "a.jsonl").write_text('{"Van":"E1","Day":45689,"Km":1,"Time":60,"C1":7,"C2":8}\n')
    (account,) = bench.load(bench.folder / "a.jsonl")
    assert (account.accepted, account.set_aside) == (0, 1)


# 2025-02-01 is day 45689 where 1900-01-01 is day 1 (with the leap day that 1900 never had), and day 44227 where
# 1904-01-01 is day 0: the two calendars are 1,462 days apart (ECMA-376 part 1, 18.17.4.1)
@pytest.mark.parametrize(("epoch_1904", "serial"), [(False, 45689), (True, 44227)])
def test_bare_serials_count_from_the_year_of_the_workbook(
    bench: Any, columns: Any, epoch_1904: bool, serial: int
) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    path = _book(bench.folder / "a.xlsx", ["E1", serial, 1000, 60, 11, 12], ["E1", DAY, 1000, 60, 11.5, 12.5],
                 epoch_1904=epoch_1904)  # fmt: skip
    bench.load(path)
    assert bench.db.rows("SELECT DISTINCT tested_on FROM reading") == [(DAY,)]
    assert bench.db.value("SELECT count(*) FROM reading") == 4
    assert "serial_date" in bench.codes(2)


def test_a_cell_typed_as_a_time_is_a_duration_in_seconds(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    path = _book(
        bench.folder / "a.xlsx",
        ["E1", DAY, 1000, MINUTE, 20, 30],
        ["E2", DAY, 1000, datetime.timedelta(seconds=90), 30, 45],
        ["E3", DAY, 1000, 60, 20, MINUTE],
    )
    assert read_file(path).sheets[0].rows[1][3] == "00:01:00"
    bench.load(path)
    assert bench.db.rows("SELECT vehicle, duration_s FROM test ORDER BY vehicle") == [
        ("E1", 60.0),
        ("E2", 90.0),
        ("E3", 60.0),
    ]
    assert bench.readings(2, "position, level") == [("1", 20.0), ("2", 30.0)]
    assert bench.readings(3, "position, level") == [("1", 20.0), ("2", 30.0)]
    # a time is no volume
    assert bench.readings(4, "position, level") == [("1", 20.0)]
    assert "wrong_quantity" in bench.codes(4)


@pytest.mark.parametrize(
    ("text", "seconds"), [("0:01:00", 60.0), ("00:00:30", 30.0), ("1:30:05", 5405.0), ("1234:30:00", 4444200.0)]
)
def test_hours_minutes_and_seconds(text: str, seconds: float) -> None:
    found = read_number(text, Style())
    assert (found.status, found.value, found.unit) == (Status.MEASURED, seconds, "s")


@pytest.mark.parametrize("text", ["1:00", "0:60:00", "0:00:60", "-0:01:00", "0:01:00:00", "0:01:0"])
def test_what_may_be_minutes_or_hours_is_not_guessed(text: str) -> None:
    assert read_number(text, Style()).status == Status.UNREADABLE


def test_a_set_of_cells_is_a_set() -> None:
    pairs = [(3, 1), (0, 1), (2, 5), (3, 1)]
    cells = CellSet.of(pairs)
    assert cells == set(pairs)
    assert set(pairs) == cells
    assert hash(cells) == hash(CellSet.of(reversed(pairs)))
    assert (len(cells), (3, 1) in cells, (1, 1) in cells, (3, 2) in cells, "x" in cells) == (
        3,
        True,
        False,
        False,
        False,
    )
    assert list(cells) == [(0, 1), (3, 1), (2, 5)]
    assert cells & {(3, 1), (9, 9)} == {(3, 1)}
    mask = cells.column(1, 1, 3)
    assert mask is not None
    assert np.array_equal(mask, [False, False, True])
    assert cells.column(1, 4, 10) is None
    assert cells.column(2, 0, 10) is None


def test_numbers_inside_a_merged_area_are_numbers(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.active.append(["a", "b"])
    book.active.append([7.125, None])
    book.active.append([None, "x"])
    book.active.merge_cells("A2:B2")
    book.save(tmp_path / "a.xlsx")
    sheet = read_file(tmp_path / "a.xlsx").sheets[0]
    assert sheet.rows[1] == ["7.125", "7.125"]
    assert sheet.number_cells == {(1, 0), (1, 1)}

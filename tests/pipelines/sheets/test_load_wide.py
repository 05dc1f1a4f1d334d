"""Wide sheets, one row a visit: a semicolon file with decimal commas, and a workbook with two header rows."""

from __future__ import annotations

from datetime import date
from typing import Any

import openpyxl
import pytest

from wearlab.config import Settings

WIDE = """
name = "dairy yard, wide"
kind = "tests"
[file]
encodings = ["utf-8", "cp1252"]
decimal = ","
thousands = [" "]
date_formats = ["%d/%m/%Y"]
[defaults]
measure = "return_flow"
driven = "idle"
unit = "ml"
"""
WIDE_COLUMNS = """
Lorry | vehicle
Day | date
Meter (km) | odometer
Fuel temp °C | fuel_temp
Rail (bar) | rail
Time (s) | duration
Cyl 1 (ml) | reading | position = "1"
Cyl 2 (ml) | reading | position = "2"
Cyl 3 (ml) | reading | position = "3"
Cyl 4 (ml) | reading | position = "4"
Hand | technician
Notes | note
"""
SHEET = """
Depot Hill;;;;;;;;;;;
Return flow, idle, warm;;;;;;;;;;;
;;;;;;;;;;;
Lorry;Day;Meter (km);Fuel temp °C;Rail (bar);Time (s);Cyl 1 (ml);Cyl 2 (ml);Cyl 3 (ml);Cyl 4 (ml);Hand;Notes
M-007;04/02/2025;152 450;41;280;60;11,5;10,0;12,5;11,0;A;
M-007;15/07/2025;171 310;52;280;60;14,5;12,0;21,0;13,5;A;hot – day
m 007;03/12/2025;189\u00a0940;28;280;60;12,0;10,5;>40;11,5;B;tube 3 full
M-012;06/02/2025;1 350,5;40;280;60;8,0;8,5;7,5;8,0;A;odo in hundreds?
M-012;12/08/2025;141 900;—;280;60;9,0;9,5;8,5;;A;cyl 4 hose off
M-012;12/08/2025;141 900;—;280;60;9,0;9,5;8,5;9,0;A;repeat
M-021;31/09/2025;78 020;39;280;60;13,0;12,5;13,5;12,0;B;
;;;;;;;;;;;
M-021;18/11/2025;n/a;38;280;60;13,5;13,0;14,0;12,5;B;meter dead
Mean;;;;;;11,7;10,9;12,8;11,1;;
printed 02/12/2025;;;;;;;;;;;
"""


@pytest.fixture
def yard(bench: Any, columns: Any) -> Any:
    bench.layout(WIDE + columns(WIDE_COLUMNS))
    bench.account = bench.one("yard.csv", SHEET, "cp1252")
    return bench


def test_every_row_of_the_wide_sheet_has_its_bucket(yard: Any) -> None:
    account = yard.account
    assert (account.structure, account.accepted, account.flagged, account.set_aside) == (6, 6, 1, 2)
    assert (account.rows_read, account.readings, account.status) == (15, 27, "loaded")
    buckets = yard.buckets()
    assert {row for row, bucket in buckets.items() if bucket == "structure"} == {1, 2, 3, 4, 12, 15}
    assert {row for row, bucket in buckets.items() if bucket == "set_aside"} == {11, 14}
    assert buckets[8] == "flagged"


def test_values_dates_and_conditions_of_a_plain_row(yard: Any) -> None:
    assert [value for _, value, _, _ in yard.readings(5)] == [11.5, 10.0, 12.5, 11.0]
    row = yard.db.records("SELECT * FROM test WHERE row_no = 6")[0]
    assert (row["vehicle"], row["tested_on"], row["odometer_km"]) == ("M007", date(2025, 7, 15), 171310.0)
    assert (row["rail_bar"], row["fuel_temp_c"], row["duration_s"]) == (280.0, 52.0, 60.0)
    assert (row["protocol"], row["driven"], row["note"]) == ("idle 60 s", "idle", "hot – day")


def test_a_bound_stays_a_bound_and_another_spelling_is_the_same_vehicle(yard: Any) -> None:
    found = yard.readings(7, "position, value, level, bound, vehicle, odometer_km")
    assert found[2] == ("3", 40.0, 40.0, "at_least", "M007", 189940.0)
    assert {row[3] for row in found if row[0] != "3"} == {None}


def test_an_impossible_meter_is_flagged_and_the_slip_suggested(yard: Any) -> None:
    assert len(yard.readings(8)) == 4
    assert {row[0] for row in yard.readings(8, "use")} == {"trend"}
    found = yard.db.rows("SELECT code, cell, suggestion FROM remark WHERE row_no = 8")
    assert found == [("odometer_slip", "1 350,5", "135050 km")]
    assert yard.readings(8, "odometer_km")[0][0] == 1350.5


def test_a_second_measurement_of_a_visit_is_a_repeat(yard: Any) -> None:
    assert yard.readings(9, "position, repeat") == [("1", 1), ("2", 1), ("3", 1)]
    assert yard.readings(10, "position, repeat") == [("1", 2), ("2", 2), ("3", 2), ("4", 2)]
    assert yard.readings(9, "fuel_temp_c")[0][0] is None
    assert yard.buckets()[9] == "accepted"


def test_what_cannot_be_used_is_set_aside_with_its_reason(yard: Any) -> None:
    assert yard.codes(11) == {"impossible_date"}
    assert yard.codes(14) == {"aggregate"}
    assert yard.readings(11) == [] == yard.readings(14)
    assert yard.readings(13, "odometer_km")[0][0] is None
    (sentence,) = yard.db.rows("SELECT sentence FROM remark WHERE row_no = 11")[0]
    assert "31/09/2025" in sentence
    assert "Day" in sentence


def test_raw_rows_are_kept_verbatim(yard: Any) -> None:
    cells = yard.db.value("SELECT cells FROM raw_row WHERE row_no = 7")
    assert cells[:3] == ["m 007", "03/12/2025", "189\u00a0940"]
    assert len(cells) == 12


BOOK = """
name = "round, workbook"
kind = "tests"
[file]
header_rows = 2
date_formats = ["%d.%m.%Y"]
[defaults]
measure = "return_flow"
tube = "100 ml"
graduation = "2 ml"
[marks]
"*" = "foam"
"""
BOOK_COLUMNS = """
Van | vehicle
Day | date
Odo mi | odometer | unit = "mi";thousands = [","]
Cond. | driven
Dur. s | duration
Return #1 ml | reading | position = "1";unit = "ml";decimal = ","
Return #2 ml | reading | position = "2";unit = "ml";decimal = ","
Return #3 ml | reading | position = "3";unit = "ml";decimal = ","
Remark | note
"""


def test_a_workbook_with_merged_cells_and_two_header_rows(bench: Any, columns: Any) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "2025"
    rows: list[list[Any]] = [
        ["Injector round"],
        [],
        ["Van", "Day", "Odo", "Cond.", "Dur.", "Return", None, None, "Remark"],
        [None, None, "mi", None, "s", "#1 ml", "#2 ml", "#3 ml", None],
        ["CAN 4", date(2025, 4, 8), 50250, "idle", 60, 17, 0, 19, None],
        [None, "10.06.2025", 53020, "idle", 60, 20, 18, "21*", "watched"],
        ["CAN-5", 45811, "60,980", "idle", "1 min", "16,5", "full", "-", None],
        [None, date(2025, 9, 2), "?", "crank", 20, 3, "spilled", 3, None],
        ["Average", None, None, None, None, 14, 9, 14, None],
        ["signed:"],
    ]
    for row in rows:
        sheet.append(row)
    for area in ("A1:I1", "A3:A4", "B3:B4", "F3:H3", "A5:A6", "A7:A8"):
        sheet.merge_cells(area)
    legend = book.create_sheet("legend")
    legend.append(["* = foam, read high"])
    hidden = book.create_sheet("old")
    hidden.append(["Van", "Day"])
    hidden.sheet_state = "hidden"
    path = bench.folder / "round.xlsx"
    book.save(path)
    bench.layout(BOOK + columns(BOOK_COLUMNS))
    (account,) = bench.load(path)
    assert account.sentence is not None
    assert '"old" is hidden' in account.sentence
    assert '"legend"' in account.sentence
    assert (account.structure, account.accepted, account.flagged, account.set_aside) == (6, 3, 1, 1)
    assert bench.buckets("legend") == {1: "structure"}

    # a zero on a tube with marks of 2 ml is at most half a mark
    assert bench.readings(5) == [("1", 17.0, "ml", None), ("2", 1.0, "ml", "at_most"), ("3", 19.0, "ml", None)]
    assert {row[0] for row in bench.readings(5, "resolution")} == {2.0}
    # 50 250 mi x 1.609344 km (the defined mile)
    assert bench.readings(5, "odometer_km, vehicle")[0] == (pytest.approx(80869.536), "CAN4")
    assert bench.readings(6, "vehicle, tested_on")[0] == ("CAN4", date(2025, 6, 10))
    assert bench.readings(6, "value, quality, use")[2] == (21.0, "foam", "show")
    assert bench.codes(7) == {"serial_date", "converted"}
    assert bench.readings(7) == [("1", 16.5, "ml", None), ("2", 100.0, "ml", "at_least")]
    assert bench.readings(7, "tested_on, duration_s, odometer_km")[0] == (
        date(2025, 6, 3), 60.0, pytest.approx(98137.797, abs=1e-3),
    )  # fmt: skip
    assert bench.readings(8, "vehicle, protocol, value, use") == [
        ("CAN5", "crank 20 s", 3.0, "share"),
        ("CAN5", "crank 20 s", 3.0, "share"),
    ]
    assert bench.codes(8) == {"spoiled"}
    assert bench.codes(9) == {"aggregate"}


def test_full_takes_the_tube_of_the_rig_and_its_channel(bench: Any, columns: Any) -> None:
    bench.settings = Settings.model_validate(
        {"rigs": {"R1": {"tube_ml": 50, "graduation_ml": 1, "tubes": {"2": {"tube_ml": 80, "graduation_ml": 2}}}}}
    )
    bench.layout(WIDE.replace('unit = "ml"', 'unit = "ml"\nrig = "r1"') + columns(WIDE_COLUMNS))
    header = SHEET.splitlines()[4]
    bench.one("rig.csv", f"{header}\nM-1;04/02/2025;1 000;41;280;60;full;full;0;11,5;A;\n")
    assert bench.readings(2, "position, value, bound, resolution, channel") == [
        ("1", 50.0, "at_least", 1.0, "1"),
        ("2", 80.0, "at_least", 2.0, "2"),
        ("3", 0.5, "at_most", 1.0, "3"),
        ("4", 11.5, None, 1.0, "4"),
    ]


def test_full_without_a_known_tube_is_set_aside(bench: Any, columns: Any) -> None:
    bench.layout(WIDE + columns(WIDE_COLUMNS))
    header = SHEET.splitlines()[4]
    account = bench.one("rig.csv", f"{header}\nM-1;04/02/2025;1 000;41;280;60;full;9,0;8,0;11,5;A;\n")
    assert (account.flagged, account.cells_set_aside, account.readings) == (1, 1, 3)
    assert bench.codes(2) == {"capacity_unknown"}

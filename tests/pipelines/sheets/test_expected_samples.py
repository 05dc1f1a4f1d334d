"""Every line of three messy sheets: bucket, value, unit, bound and reason in a workspace without settings.

The sheets in `samples` are invented; what a careful loader does with each line was written down by hand, not read
off the program.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipelines.sheets.load import load_files
from wearlab.config import Settings
from wearlab.store.database import open_database

SAMPLES = Path(__file__).parent / "samples"


@pytest.fixture
def wide(bench: Any) -> Any:
    return bench.sample("01")


@pytest.fixture
def long(bench: Any) -> Any:
    return bench.sample("02")


@pytest.fixture
def book(bench: Any) -> Any:
    return bench.sample("03")


# ---- 01: wide, cp1252, decimal comma


def test_01_totals_and_encoding(wide: Any) -> None:
    assert wide.by_bucket() == {
        "structure": [1, 2, 3, 4, 12, 15],
        "accepted": [5, 6, 7, 9, 10, 13],
        "flagged": [8],
        "set_aside": [11, 14],
    }
    assert wide.db.value("SELECT encoding FROM source_file") == "cp1252"


@pytest.mark.parametrize(
    ("row", "vehicle", "day", "km", "temp", "values"),
    [
        (5, "V017", date(2025, 2, 3), 182450.0, 41.0, [12.5, 11.0, 13.5, 12.0]),
        (6, "V017", date(2025, 7, 14), 201310.0, 52.0, [15.5, 13.0, 22.0, 14.5]),
        (7, "V017", date(2025, 12, 2), 219940.0, 28.0, [13.0, 11.5, 50.0, 12.5]),
        (8, "V022", date(2025, 2, 5), 1250.5, 40.0, [9.0, 9.5, 8.5, 9.0]),
        (9, "V022", date(2025, 8, 11), 131900.0, None, [10.0, 10.5, 9.5]),
        (10, "V022", date(2025, 8, 11), 131900.0, None, [10.0, 10.5, 9.5, 10.0]),
        (13, "V031", date(2025, 11, 17), None, 38.0, [14.5, 14.0, 15.0, 13.5]),
    ],
)
def test_01_values(
    wide: Any, row: int, vehicle: str, day: date, km: float | None, temp: float | None, values: list[float]
) -> None:
    found = wide.readings(
        row, "value, unit, level, vehicle, tested_on, odometer_km, fuel_temp_c, duration_s, rail_bar, use"
    )
    assert [(one[0], one[2]) for one in found] == [(value, value) for value in values]  # 60 s: ml is ml/min
    assert {one[3:] for one in found} == {(vehicle, day, km, temp, 60.0, 280.0, "trend")}
    assert {one[1] for one in found} == {"ml"}


def test_01_line_7_is_a_bound_never_a_value_and_never_missing(wide: Any) -> None:
    assert [bound for _, _, _, bound in wide.readings(7)] == [None, None, "at_least", None]
    assert wide.readings(7, "value_text")[2] == (">50",)


def test_01_line_8_the_meter_is_doubted_and_a_hundredfold_suggested_not_applied(wide: Any) -> None:
    assert wide.codes(8) == {"odometer_slip"}
    assert wide.suggestions(8) == ["125050 km"]
    assert wide.readings(8, "odometer_km")[0] == (1250.5,)


def test_01_lines_9_and_10_are_two_repeats_of_one_visit(wide: Any) -> None:
    assert wide.readings(9, "position, repeat") == [("1", 1), ("2", 1), ("3", 1)]
    assert wide.readings(10, "position, repeat") == [("1", 2), ("2", 2), ("3", 2), ("4", 2)]


def test_01_lines_11_and_14_are_set_aside_with_all_they_say(wide: Any) -> None:
    assert wide.codes(11) == {"impossible_date"}
    assert wide.codes(14) == {"aggregate"}
    assert wide.db.value("SELECT count(*) FROM test WHERE tested_on = DATE '2025-10-01'") == 0
    assert wide.db.value("SELECT cells FROM raw_row WHERE row_no = 11")[:3] == ["V-031", "31/09/2025", "88 020"]


# ---- 02: long, mixed units


def test_02_buckets_and_the_byte_order_mark(long: Any) -> None:
    assert long.by_bucket() == {
        "structure": [1],
        "accepted": [2, 3, 4, 5, 6, 7, 14, 15],
        "flagged": [9, 10, 11, 12],
        "set_aside": [8, 13, 16, 17],
    }
    assert long.db.value("SELECT cells[1] FROM raw_row WHERE row_no = 1") == "unit_id"


@pytest.mark.parametrize(
    ("row", "position", "value", "unit", "level", "bound", "use"),
    [
        (2, "1", 14.0, "ml", 28.0, None, "trend"),
        (3, "1", 15.0, "ml", 30.0, None, "trend"),
        (4, "2", 28.0, "ml/min", 28.0, None, "trend"),
        (5, "3", 13.0, "ml", 26.0, None, "trend"),
        (6, "4", 50.0, "ml", 100.0, "at_least", "trend"),
        (7, "4", 100.0, "ml", 200.0, "at_least", "trend"),
        (9, "5", 12.0, "ml", 24.0, None, "show"),
        (10, "1", 2.0, "ml", 8.0, None, "show"),
        (11, "2", 2.5, "ml", 10.0, None, "show"),
        (12, "3", 0.0, "ml", 0.0, None, "show"),
        (14, "1", 15.0, "ml/min", 15.0, None, "trend"),  # 0.9 l/h = 900 ml in 60 min
        (15, "2", 29.57353, "ml", 29.57353, None, "trend"),  # one US fluid ounce
    ],
)
def test_02_values(
    long: Any, row: int, position: str, value: float, unit: str, level: float, bound: str | None, use: str
) -> None:
    ((at, got, got_unit, got_level, got_bound, got_use),) = long.readings(
        row, "position, value, unit, level, bound, use"
    )
    assert (at, got_unit, got_bound, got_use) == (position, unit, bound, use)
    assert (got, got_level) == (pytest.approx(value, abs=1e-4), pytest.approx(level, abs=1e-4))


@pytest.mark.parametrize(
    ("row", "codes"),
    [
        (5, set()),
        (8, {"duplicate"}),
        (9, {"cylinder_doubt"}),
        (10, {"rail_not_built"}),
        (11, {"rail_not_built"}),
        (12, {"inconclusive"}),
        (13, {"negative"}),
        (14, {"duration_ignored"}),
        (16, {"height"}),
        (17, {"unit_missing"}),
    ],
)
def test_02_reasons(long: Any, row: int, codes: set[str]) -> None:
    assert long.codes(row) == codes


def test_02_repeats_duration_resolution_and_one_question(long: Any) -> None:
    assert [long.readings(row, "repeat")[0][0] for row in (2, 3, 6, 7)] == [1, 2, 1, 2]
    assert long.readings(4, "duration_s") == [(None,)]  # unknown stays unknown
    # a tenth of an ounce: 2.957 ml
    assert long.readings(15, "resolution, unit_text, value_text") == [(pytest.approx(2.957, abs=1e-3), "fl oz", "1.0")]
    assert long.asked() == {"cylinders": ["T104"]}
    assert len(long.account.questions) == 1


def test_02_line_9_is_set_aside_where_the_engine_has_fewer_and_used_where_it_has_more(bench: Any, columns: Any) -> None:
    bench.layout('name = "list"\nkind = "vehicles"\n' + columns("Van | vehicle\nCylinders | cylinders"))
    bench.one("list.csv", "Van,Cylinders\nT-104,4\n")
    bench.sample("02")
    assert bench.db.value("SELECT bucket FROM raw_row WHERE row_no = 9") == "set_aside"
    assert "beyond_engine" in bench.codes(9)


def test_02_line_9_is_used_where_the_engine_has_six(bench: Any, columns: Any) -> None:
    bench.layout('name = "list"\nkind = "vehicles"\n' + columns("Van | vehicle\nCylinders | cylinders"))
    bench.one("list.csv", "Van,Cylinders\nT-104,6\n")
    bench.sample("02")
    assert bench.readings(9, "use") == [("trend",)]


def test_02_line_16_becomes_a_volume_once_the_area_stands_in_a_rig_sheet(bench: Any, columns: Any) -> None:
    bench.layout('name = "rigs"\nkind = "rigs"\n' + columns('Rig | rig\nBore mm | bore | unit = "mm"'))
    bench.one("rigs.csv", "Rig,Bore mm\nL1,25.231\n")  # 500 mm2
    bench.sample("02", ("[[columns]]", '[defaults]\nrig = "L1"\n\n[[columns]]'))
    # 48 mm x 500 mm2 = 24 ml
    assert bench.readings(16) == [("3", pytest.approx(24.0, abs=1e-3), "ml", None)]


def test_02_idle_and_crank_are_never_one_series(long: Any) -> None:
    assert {long.readings(row, "driven")[0][0] for row in (2, 3, 4, 5, 6, 7, 9, 14, 15)} == {"idle"}
    assert {long.readings(row, "driven")[0][0] for row in (10, 11, 12)} == {"crank"}
    idle = {long.readings(row, "protocol")[0][0] for row in (2, 3, 4, 5, 6, 7, 9)}
    assert not idle & {long.readings(row, "protocol")[0][0] for row in (10, 11, 12)}


# ---- 03: workbook, merged areas, two header rows


def test_03_buckets_and_what_is_said_of_the_other_sheets(book: Any) -> None:
    assert book.by_bucket("2025") == {
        "structure": [1, 2, 3, 4, 12],
        "accepted": [5, 6, 8, 9, 10],
        "flagged": [7],
        "set_aside": [11],
    }
    said = str(book.account.sentence)
    assert '"old 2019" is hidden' in said
    assert '"legend"' in said
    assert "formulas without a stored result" in said
    assert book.db.value("SELECT count(*) FROM test WHERE tested_on < DATE '2020-01-01'") == 0


@pytest.mark.parametrize(
    ("row", "vehicle", "day", "miles", "values"),
    [
        (5, "BUS12", date(2025, 4, 7), 60250, [18.0, 17.0, 19.0, 18.0]),
        (6, "BUS12", date(2025, 5, 5), 61890, [19.0, 17.0, 20.0, 18.0]),
        (7, "BUS12", date(2025, 6, 9), 63020, [20.0, 18.0, 22.0, 19.0]),
        (8, "BUS14", date(2025, 6, 2), 70111, [16.5, 15.5, 17.0, 16.0]),
        (9, "BUS14", date(2025, 7, 7), 70980, [17.0, 16.0, 18.0, 16.0]),
    ],
)
def test_03_values(book: Any, row: int, vehicle: str, day: date, miles: int, values: list[float]) -> None:
    found = book.readings(row, "value, unit, resolution, vehicle, tested_on, odometer_km, duration_s, protocol")
    assert [one[0] for one in found] == values
    assert {one[1:3] for one in found} == {("ml", 2.0)}  # marks of 2 ml
    assert {one[3:5] + one[6:] for one in found} == {(vehicle, day, 60.0, "idle 60 s")}
    assert found[0][5] == pytest.approx(miles * 1.609344)  # the defined mile


def test_03_line_7_foam_is_flagged_for_its_cylinder_only(book: Any) -> None:
    assert book.readings(7, "quality, use") == [
        ("good", "trend"),
        ("good", "trend"),
        ("foam", "show"),
        ("good", "trend"),
    ]
    assert book.readings(7, "value_text")[2] == ("22*",)


def test_03_lines_8_to_11(book: Any) -> None:
    assert book.codes(8) == {"serial_date"}
    assert book.codes(9) == {"converted"}  # 1 min = 60 s
    found = book.readings(10, "position, value, vehicle, odometer_km, driven, duration_s, use")
    assert found == [(place, 3.0, "BUS15", None, "crank", 20.0, "share") for place in ("1", "2")]
    # not measured flags nothing; spoiled is another word for it, and is told
    assert [(code, cell) for code, cell in book.db.rows("SELECT code, cell FROM remark WHERE row_no = 10")] == [
        ("spoiled", "spilled")
    ]
    assert book.codes(11) == {"aggregate"}


# ---- without a layout


@pytest.mark.parametrize("name", ["01", "02", "03", "05", "07"])
def test_the_same_comes_out_without_a_layout(bench: Any, tmp_path: Path, name: str) -> None:
    bench.sample(name)
    with open_database(tmp_path / "bare.duckdb") as bare:
        (account,) = load_files(bare, Settings(), [], [next(SAMPLES.glob(f"{name}*[!l]"))], as_of=date(2026, 6, 30))
        assert account.status == "loaded", account.sentence
        for query in (
            "SELECT sheet, row_no, bucket FROM raw_row ORDER BY ALL",
            "SELECT row_no, col_no, position, repeat, value, unit, level, bound, resolution FROM reading ORDER BY ALL",
            "SELECT vehicle, tested_on, odometer_km, measure, duration_s FROM test ORDER BY ALL",
            "SELECT row_no, col_no, code, suggestion FROM remark WHERE level <> 'note' ORDER BY ALL",
            "SELECT row_no, kind, position, position_to, serial_out, serial_in FROM work ORDER BY ALL",
        ):
            assert bare.rows(query) == bench.db.rows(query)

"""Sheets that nobody described: loaded into a workspace without layouts, values and bounds as their rows say.

The sheets in `samples` and `brought` are invented; what is expected of them was written down by hand.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
SAMPLES = HERE / "samples"
BROUGHT = HERE / "brought"


@pytest.fixture(autouse=True)
def _no_layouts(bench: Any) -> None:
    assert bench.layouts == []


def load(bench: Any, path: Path, **options: Any) -> Any:
    account = bench.load(path, **options)[0]
    parts = account.structure + account.accepted + account.flagged + account.set_aside
    assert account.rows_read == parts
    return account


def loaded(bench: Any, path: Path) -> Any:
    account = load(bench, path)
    assert account.status == "loaded", account.sentence
    return account


def buckets(bench: Any, sheet: str | None = None) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for row, bucket in sorted(bench.buckets(sheet).items()):
        found.setdefault(bucket, []).append(row)
    return found


def values(bench: Any, row: int) -> list[Any]:
    """Values of a row in the order of its columns; a bound as (value, bound)."""
    found = bench.db.rows("SELECT value, bound FROM reading WHERE row_no = ? ORDER BY col_no", [row])
    return [round(value, 2) if bound is None else (round(value, 2), bound) for value, bound in found]


def one(bench: Any, row: int, columns: str) -> tuple[Any, ...]:
    found = bench.db.rows(f"SELECT {columns} FROM test WHERE row_no = ?", [row])  # noqa: S608
    assert len(set(found)) == 1, found
    return tuple(found[0])


# ---- the five samples


def test_a_wide_sheet_in_a_western_code_page(bench: Any) -> None:
    account = loaded(bench, SAMPLES / "01_wide_semicolon_cp1252.csv")
    assert buckets(bench) == {
        "structure": [1, 2, 3, 4, 12, 15],
        "accepted": [5, 6, 7, 9, 10, 13],
        "flagged": [8],
        "set_aside": [11, 14],
    }
    assert values(bench, 5) == [12.5, 11.0, 13.5, 12.0]
    assert one(bench, 5, "vehicle, tested_on::VARCHAR, odometer_km, rail_bar, duration_s, fuel_temp_c") == (
        "V017", "2025-02-03", 182450.0, 280.0, 60.0, 41.0,
    )  # fmt: skip
    assert values(bench, 7) == [13.0, 11.5, (50.0, "at_least"), 12.5]
    assert one(bench, 7, "vehicle, odometer_km") == ("V017", 219940.0)
    assert values(bench, 9) == [10.0, 10.5, 9.5]
    assert bench.db.value("SELECT max(repeat) FROM reading WHERE row_no = 10") == 2
    assert one(bench, 13, "odometer_km") == (None,)
    assert any("14/07/2025" in line for line in account.proposed)
    asked = [question.partition(": ")[2] for question in account.questions]
    assert [question.split('"')[1] for question in asked] == ["idle", "North"]
    assert bench.db.value("SELECT count(*) FROM reading WHERE use <> 'show'") == 0


def test_a_long_sheet_with_a_unit_in_every_row(bench: Any) -> None:
    account = loaded(bench, SAMPLES / "02_long_mixed_units.csv")
    found = buckets(bench)
    assert found["structure"] == [1]
    assert found["set_aside"] == [8, 13, 16, 17]
    assert {9, 12} <= set(found["flagged"])
    flows = {row: values(bench, row) for row in range(2, 18)}
    assert flows[2] + flows[3] + flows[4] + flows[5] == [14.0, 15.0, 28.0, 13.0]
    assert flows[6] + flows[7] == [(50.0, "at_least"), (100.0, "at_least")]
    assert flows[14] + flows[15] == [15.0, 29.57]
    assert bench.db.rows("SELECT unit FROM reading WHERE row_no IN (4, 14) ORDER BY row_no") == [("ml/min",)] * 2
    assert bench.db.value("SELECT level FROM reading WHERE row_no = 2") == pytest.approx(28.0)
    driven = "SELECT DISTINCT t.driven FROM reading r JOIN test t USING (test_id) WHERE r.row_no BETWEEN ? AND ?"
    assert bench.db.rows(driven, [2, 9]) == [("idle",)]
    assert bench.db.rows(driven, [10, 12]) == [("crank",)]
    assert len(account.questions) == 1
    assert "T104" in account.questions[0]


def test_a_workbook_with_merges_miles_and_a_legend(bench: Any) -> None:
    account = loaded(bench, SAMPLES / "03_merged_two_header_rows.xlsx")
    assert buckets(bench, "2025") == {
        "structure": [1, 2, 3, 4, 12],
        "accepted": [5, 6, 8, 9, 10],
        "flagged": [7],
        "set_aside": [11],
    }
    miles = 1.609344  # exact, international mile
    assert one(bench, 5, "vehicle, tested_on::VARCHAR, odometer_km") == (
        "BUS12", "2025-04-07", pytest.approx(60250 * miles),
    )  # fmt: skip
    assert one(bench, 7, "vehicle, tested_on::VARCHAR") == ("BUS12", "2025-06-09")
    assert one(bench, 8, "vehicle, tested_on::VARCHAR") == ("BUS14", "2025-06-02")
    assert values(bench, 8) == [16.5, 15.5, 17.0, 16.0]
    assert one(bench, 9, "vehicle, odometer_km, duration_s") == ("BUS14", pytest.approx(70980 * miles), 60.0)
    assert len(values(bench, 10)) == 2
    assert one(bench, 10, "vehicle, odometer_km, driven, duration_s") == ("BUS15", None, "crank", 20.0)
    assert bench.db.rows("SELECT DISTINCT resolution FROM reading") == [(2.0,)]
    assert bench.db.rows("SELECT quality FROM reading WHERE row_no = 7 AND position = '3'") == [("foam",)]
    assert "old 2019" in str(account.sentence)


def test_a_pump_sheet_with_a_comment_line(bench: Any) -> None:
    account = loaded(bench, SAMPLES / "05_pump_pressure_units.csv")
    found = buckets(bench)
    assert 16 in found["structure"]
    assert {9, 10, 12} <= set(found["set_aside"])
    assert {5, 11, 15} <= set(found["flagged"])
    peak = dict(bench.db.rows("SELECT row_no, value FROM reading WHERE measure = 'pump_peak'"))
    hold = dict(bench.db.rows("SELECT row_no, value FROM reading WHERE measure = 'pump_hold'"))
    assert (peak[3], hold[3]) == (1180.0, 1090.0)
    assert (peak[5], hold[5]) == (pytest.approx(999.7, abs=0.1), pytest.approx(896.3, abs=0.1))
    assert (peak[6], hold[6]) == (980.0, 840.0)
    assert not {9, 10, 12} & set(peak)
    bounds = dict(bench.db.rows("SELECT row_no, bound FROM reading WHERE measure = 'pump_peak'"))
    assert bounds[7] == bounds[8] == "at_least"
    assert bench.db.value("SELECT max(repeat) FROM reading WHERE row_no = 14") == 2
    # the time to an unknown pressure compares with nothing
    assert any("t_peak_s" in question for question in account.questions)
    assert bench.db.rows("SELECT DISTINCT use FROM reading WHERE measure = 'pump_rise'") == [("show",)]
    assert bench.db.value("SELECT use FROM reading WHERE measure = 'pump_peak' AND row_no = 3") == "trend"


def test_a_diary_of_tests_and_work(bench: Any) -> None:
    loaded(bench, SAMPLES / "07_swap_and_events.csv")
    found = buckets(bench)
    assert found["set_aside"] == [11, 12]
    assert values(bench, 2) == [12.0, 11.0, 31.0, 12.0]
    assert values(bench, 13) == [24.0, 27.0, 29.0, 26.0]
    work = bench.db.rows("SELECT row_no, kind, position, position_to, serial_out, serial_in FROM work ORDER BY row_no")
    assert (3, "swap", "1", "3", None, None) in work
    assert any(row[0] == 5 and row[1] == "replacement" and row[4:] == ("S13", "S21") for row in work)
    levels = bench.db.rows("SELECT level FROM reading WHERE row_no = 9 ORDER BY col_no")
    assert [level for (level,) in levels] == [22.0, 24.0, 26.0, 24.0]
    assert bench.db.value("SELECT count(DISTINCT protocol) FROM test") == 2


# ---- other sheets: other languages, other orders


def test_german_notes_first_and_a_decimal_comma(bench: Any) -> None:
    loaded(bench, BROUGHT / "ruecklauf.csv")
    assert buckets(bench) == {"structure": [1, 2, 3, 8], "accepted": [4, 5, 6], "set_aside": [7]}
    assert values(bench, 4) == [12.5, 11.0, 13.5]
    assert values(bench, 5) == [15.5, 22.0]
    assert values(bench, 6) == [9.0, 9.5, (50.0, "at_least")]
    assert one(bench, 4, "vehicle, tested_on::VARCHAR, odometer_km, driven, duration_s") == (
        "M4", "2025-02-03", 182450.0, "idle", 60.0,
    )  # fmt: skip


def test_french_one_reading_a_row_between_tabs(bench: Any) -> None:
    loaded(bench, BROUGHT / "retours.txt")
    assert buckets(bench) == {"structure": [1], "accepted": [2, 3, 4, 5, 6], "set_aside": [7]}
    assert [values(bench, row) for row in range(2, 7)] == [[6.5], [7.0], [15.0], [(100.0, "at_least")], [3.0]]
    assert one(bench, 2, "tested_on::VARCHAR, odometer_km, driven, duration_s") == ("2025-05-13", 91200.0, "idle", 30.0)
    assert one(bench, 6, "driven, duration_s") == ("crank", 15.0)


def test_spanish_pump_below_a_comment(bench: Any) -> None:
    loaded(bench, BROUGHT / "bomba.csv")
    assert buckets(bench) == {"structure": [1, 2], "accepted": [3, 4, 5]}
    assert [values(bench, row) for row in (3, 4, 5)] == [[1180.0], [1090.0], [(1600.0, "at_least")]]
    assert one(bench, 3, "measure, driven, volume_ml, speed_rpm") == ("pump_peak", "crank", 20.0, 210.0)


def test_italian_three_header_rows(bench: Any) -> None:
    loaded(bench, BROUGHT / "ritorno.csv")
    assert buckets(bench) == {"structure": [1, 2, 3, 4], "accepted": [5, 6], "set_aside": [7]}
    assert values(bench, 6) == [14.0, 11.5, 21.0, 13.0]
    assert one(bench, 6, "odometer_km, driven, tested_on::VARCHAR") == (171900.0, "idle", "2025-09-18")
    assert bench.db.rows("SELECT DISTINCT unit FROM reading") == [("ml/min",)]


def test_dutch_wide_with_the_time_in_the_unit(bench: Any) -> None:
    loaded(bench, BROUGHT / "retour.csv")
    assert values(bench, 2) == [6.0, 7.5, 6.0, 6.5]
    assert values(bench, 4) == [5.0, 5.5, 5.0, (1.0, "at_most")]
    assert one(bench, 4, "vehicle, odometer_km, duration_s, driven") == ("N12", 12345.0, 30.0, "idle")
    assert bench.db.value("SELECT level FROM reading WHERE row_no = 2 AND position = '2'") == pytest.approx(15.0)


def test_polish_with_a_date_that_does_not_exist(bench: Any) -> None:
    loaded(bench, BROUGHT / "przelewy.csv")
    assert buckets(bench) == {"structure": [1], "accepted": [2], "flagged": [3], "set_aside": [4, 5]}
    assert values(bench, 3) == [17.0, 16.5]
    assert one(bench, 2, "vehicle, odometer_km, driven") == ("Z3", 245100.0, "idle")
    assert bench.codes(3) == {"foam"}


def test_a_code_page_that_only_its_header_tells(bench: Any) -> None:
    text = (
        "pojazd;data;przebieg (km);napęd;średnica;przelew cyl 1 (ml);przelew cyl 2 (ml);czas (s)\n"
        "Łoś 3;2026-02-04;245100;bieg jałowy;;14;15;60\n"
    )
    path = bench.write("proby.csv", text, "cp1250")
    account = loaded(bench, path)
    assert one(bench, 2, "vehicle_text, driven, duration_s") == ("Łoś 3", "idle", 60.0)
    assert values(bench, 2) == [14.0, 15.0]
    assert "cp1250" in str(account.sentence)
    assert "cp1252" in str(account.sentence)


def test_a_log_with_columns_that_only_tests_have_is_asked_about(bench: Any) -> None:
    text = "vehicle;date;odometer (km);driven;stuff of 1 (ml)\nV1;2026-02-04;245100;idle;14\n"
    account = load(bench, bench.write("odd.csv", text))
    assert account.status == "refused"
    assert len(account.questions) == 1
    assert "What kind of sheet" in account.questions[0]


REGISTERS: dict[str, tuple[str, list[tuple[Any, ...]]]] = {
    "fahrzeuge.csv": (
        "SELECT vehicle, alias, family, cylinders, depot, in_service::VARCHAR, warranty_until::VARCHAR FROM register "
        "ORDER BY row_no",
        [
            ("M4", "AB12", "D3", 3, "Nord", "2019-03-01", None),
            ("M5", "AB13", "D3", 3, "Süd", "2021-06-15", "2026-12-31"),
        ],
    ),
    "gasoleo.csv": (
        "SELECT vehicle, read_on::VARCHAR, odometer_km, litres FROM odometer_log ORDER BY row_no",
        [("P9", "2025-01-15", 120010.0, 210.5), ("P9", "2025-01-28", 121400.0, 198.0)],
    ),
    "travaux.csv": (
        "SELECT vehicle, done_on::VARCHAR, kind, position, serial_out, serial_in FROM work ORDER BY row_no",
        [("C7", "2025-05-14", "replacement", "4", "S4", "S9"), ("C7", "2025-05-20", "cleaning", "2", None, None)],
    ),
    "lager.csv": (
        "SELECT part_number, on_hand, on_order, due_on::VARCHAR FROM stock ORDER BY row_no",
        [("INJ-3", 4, 2, "2026-12-15"), ("PMP-1", 0, 1, "2027-01-31")],
    ),
    "stanowiska.csv": (
        "SELECT rig, tube_ml, graduation_ml, calibrated_on::VARCHAR, calibrate_every_days FROM rig_register "
        "ORDER BY row_no",
        [("S1", 50.0, 1.0, "2026-03-15", 365), ("S2", 100.0, 2.0, "2026-04-20", 365)],
    ),
}


@pytest.mark.parametrize("name", list(REGISTERS))
def test_registers_and_logs_of_a_fleet(bench: Any, name: str) -> None:
    query, rows = REGISTERS[name]
    account = loaded(bench, BROUGHT / name)
    assert bench.db.rows(query) == rows
    assert (account.structure, account.accepted) == (1, len(rows))


def test_doubled_headers_are_told_apart_by_their_place(bench: Any, columns: Any) -> None:
    bench.layout(
        'name = "twice"\nkind = "tests"\n[defaults]\ndriven = "idle"\nduration = "60 s"\n'
        + columns('Van | vehicle\nDay | date\nCyl 1 | reading | unit = "ml";position = "1";measure = "return_flow"')
        + '[[columns]]\nheader = "Cyl 1"\nnth = 2\nfield = "reading"\nposition = "2"\nunit = "ml"\n'
        + 'measure = "return_flow"\n'
    )
    bench.one("t.csv", "Van;Day;Cyl 1;Cyl 1\nV1;2026-02-03;12;14\n")
    assert bench.readings(2, "position, value") == [("1", 12.0), ("2", 14.0)]

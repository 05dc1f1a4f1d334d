"""Long sheets, one reading a row, with units of every kind; and the pump on a closed volume."""

from __future__ import annotations

from typing import Any

import pytest

LONG = """
name = "lake shed, long"
kind = "tests"
"""
LONG_COLUMNS = """
van | vehicle
tested | date
km | odometer
test | measure
cond | driven
cyl | position
rep | repeat
value | value
unit | unit
seconds | duration
rail | rail
remark | note
"""
SHEET = """
van,tested,km,test,cond,cyl,rep,value,unit,seconds,rail,remark
C3,2025-03-05,145100,return,idle,1,1,13,ml,30,300,
C3,2025-03-05,145100,return,idle,1,2,14,ml,30,300,
C3,2025-03-05,145100,return,idle,2,1,27,ml/min,,300,
C3,2025-03-05,145100,return,idle,3,1,12,cc,30,300,
C3,2025-03-05,145100,return,idle,4,1,off scale,ml,30,300,40 ml tube
C3,2025-03-05,145100,return,idle,4,2,90+,ml,30,300,bigger tube
C3,2025-03-05,145100,return,idle,2,1,27,ml/min,,300,
C3,2025-03-05,145100,return,idle,5,1,11,ml,30,300,
C3,2025-03-19,146000,return,crank,1,1,2.0,ml,15,,
C3,2025-03-19,146000,return,crank,2,1,2.5,ml,15,,
C3,2025-03-19,146000,return,crank,3,1,0,ml,15,,rail never above 90
C3,2025-03-19,146000,return,crank,4,1,-1.5,ml,15,,
C3,2025-06-10,155300,return,idle,1,1,0.6,l/h,60,300,
C3,2025-06-10,155300,return,idle,2,1,1.0,fl oz,60,300,US
C3,2025-06-10,155300,return,idle,3,1,48,mm,60,300,height in tube
C3,2025-06-10,155300,return,idle,4,1,24,,60,300,unit missing
C3,2025-06-10,155300,corrections,idle,4,1,2.1,mm3,60,300,
C3,2025-06-10,155300,return,idle,4,1,off scale,ml,60,300,
"""


@pytest.fixture
def shed(bench: Any, columns: Any) -> Any:
    bench.layout(LONG + columns(LONG_COLUMNS))
    bench.account = bench.one("shed.csv", "\ufeff" + SHEET.lstrip(), "utf-8")
    return bench


def test_every_row_of_the_long_sheet_has_its_bucket(shed: Any) -> None:
    buckets = shed.buckets()
    assert {row for row, bucket in buckets.items() if bucket == "accepted"} == {2, 3, 4, 5, 6, 7, 14, 15}
    assert {row for row, bucket in buckets.items() if bucket == "flagged"} == {9, 10, 11, 12}
    assert {row for row, bucket in buckets.items() if bucket == "set_aside"} == {8, 13, 16, 17, 18, 19}
    assert shed.account.readings == 12


@pytest.mark.parametrize(
    ("row", "value", "unit", "level", "bound"),
    [
        (2, 13.0, "ml", 26.0, None),
        (3, 14.0, "ml", 28.0, None),
        (4, 27.0, "ml/min", 27.0, None),
        (5, 12.0, "ml", 24.0, None),
        (6, 40.0, "ml", 80.0, "at_least"),
        (7, 90.0, "ml", 180.0, "at_least"),
        (14, 10.0, "ml/min", 10.0, None),  # 0.6 l/h = 600 ml in 60 min
        (15, 29.5735, "ml", 29.5735, None),  # one US fluid ounce
    ],
)
def test_units_become_base_units(shed: Any, row: int, value: float, unit: str, level: float, bound: str | None) -> None:
    ((got, got_unit, got_level, got_bound),) = shed.readings(row, "value, unit, level, bound")
    assert (got_unit, got_bound) == (unit, bound)
    assert (got, got_level) == (pytest.approx(value, abs=1e-4), pytest.approx(level, abs=1e-4))


def test_text_and_resolution_as_written_travel_along(shed: Any) -> None:
    assert shed.readings(15, "value_text, unit_text, resolution") == [
        ("1.0", "fl oz", pytest.approx(2.95735, abs=1e-5))
    ]
    assert shed.readings(2, "resolution") == [(None,)]


@pytest.mark.parametrize(
    ("row", "code"),
    [
        (8, "duplicate"),
        (13, "negative"),
        (16, "height"),
        (17, "unit_missing"),
        (18, "other_quantity"),
        (19, "capacity_unknown"),
        (9, "cylinder_doubt"),
        (10, "rail_not_built"),
        (12, "inconclusive"),
    ],
)
def test_reasons(shed: Any, row: int, code: str) -> None:
    assert shed.codes(row) == {code}


def test_doubtful_readings_stay_out_of_models_and_are_asked_about_once(shed: Any) -> None:
    for row, quality in ((9, "cylinder_doubt"), (10, "rail_not_built"), (12, "inconclusive")):
        assert shed.readings(row, "quality, use") == [(quality, "show")]
    assert shed.db.rows("SELECT kind, subject, readings FROM question") == [("cylinders", "C3", 1)]
    assert len(shed.account.questions) == 1


def test_idle_and_crank_are_never_one_series(shed: Any) -> None:
    found = shed.db.rows("SELECT DISTINCT protocol, driven FROM test ORDER BY protocol")
    assert found == [("crank 15 s", "crank"), ("idle", "idle"), ("idle 30 s", "idle"), ("idle 60 s", "idle")]


def test_rows_of_one_visit_and_one_condition_are_one_test(shed: Any) -> None:
    ids = {row[0] for number in (2, 3, 5, 6, 7) for row in shed.readings(number, "test_id")}
    assert len(ids) == 1
    ((first, note),) = shed.db.rows("SELECT row_no, note FROM test WHERE test_id = ?", [ids.pop()])
    assert (first, note) == (2, "40 ml tube; bigger tube")


def test_a_height_becomes_a_volume_once_the_area_is_known(bench: Any, columns: Any) -> None:
    from wearlab.config import Settings

    bench.settings = Settings.model_validate({"rigs": {"R2": {"area_mm2": 500.0}}})
    bench.layout(LONG + '[defaults]\nrig = "R2"\n' + columns(LONG_COLUMNS))
    lines = SHEET.strip().splitlines()
    bench.one("shed.csv", f"{lines[0]}\n{lines[15]}\n")
    # 48 mm x 500 mm2 = 24 000 mm3 = 24 ml
    assert bench.readings(2) == [("3", 24.0, "ml", None)]


def test_positions_beyond_a_registered_engine_are_set_aside(bench: Any, columns: Any) -> None:
    bench.layout(LONG + columns(LONG_COLUMNS))
    bench.layout('name = "list"\nkind = "vehicles"\n' + columns("Van | vehicle\nCylinders | cylinders"))
    register = bench.write("list.csv", "Van,Cylinders\nC-3,4\n")
    accounts = bench.load(bench.write("a_shed.csv", SHEET), register)
    assert [account.layout for account in accounts] == ["lake shed, long", "list"]
    assert bench.codes(9) == {"beyond_engine"}
    assert bench.buckets()[9] == "set_aside"
    assert accounts[0].questions == ()


def test_a_volume_without_duration_is_stored_without_a_level(bench: Any, columns: Any) -> None:
    bench.layout(LONG + columns(LONG_COLUMNS))
    header = SHEET.strip().splitlines()[0]
    bench.one("shed.csv", f"{header}\nC3,2025-03-05,145100,return,idle,1,1,13,ml,,300,\n")
    assert bench.readings(2, "value, level, quality, use") == [(13.0, None, "no_duration", "show")]


def test_a_stated_repeat_number_that_is_taken_gets_the_next_free_one(bench: Any, columns: Any) -> None:
    bench.layout(LONG + columns(LONG_COLUMNS))
    head, *rows = SHEET.strip().splitlines()
    bench.one("one.csv", f"{head}\n{rows[0]}\n{rows[1]}\n")
    bench.one("two.csv", f"{head}\n\n\n{rows[0].replace(',13,', ',13.5,')}\n")
    assert bench.readings(4, "repeat, value") == [(3, 13.5)]
    assert bench.codes(4) == {"repeat_renumbered"}


PUMP = """
name = "closed volume"
kind = "tests"
[defaults]
driven = "crank"
"""
PUMP_COLUMNS = """
van | vehicle
date | date
odo_km | odometer
peak | reading | measure = "pump_peak"
unit | unit
t_peak_s | reading | measure = "pump_rise";unit = "s"
rpm | speed
batt_V | battery
volume_ml | volume
hold_60s | reading | measure = "pump_hold";duration = "60 s"
remark | note
"""
PUMP_SHEET = """
# closed volume, pump only
van,date,odo_km,peak,unit,t_peak_s,rpm,batt_V,volume_ml,hold_60s,remark
P7,2025-01-16,120000,1170,bar,1.4,210,11.6,20,1080,
P7,2025-06-21,138500,1080,bar,1.6,205,11.5,20,975,
P7,2025-12-03,155900,14500,psi,1.9,180,10.4,20,13000,
P7,2026-01-21,159000,97,MPa,2.3,205,11.6,20,83,
P8,2025-02-12,88000,>1600,bar,1.0,220,11.9,20,,relief opened
P8,2025-08-12,101200,1600,bar,1.1,220,11.8,20,1555,gauge end stop 1600
P9,2025-03-04,210400,14.1,bar,3.0,215,11.7,20,,
P9,2025-03-04,210400,1.410,bar,3.0,215,11.7,20,,decimal point?
P9,2025-09-16,223000,640,bar,5.0,95,8.7,20,,slow cranking
P10,2025-05-06,45000,3.1,V,1.2,230,12.0,20,,sensor volts
P10,2025-10-11,52000,1240,bar,1.2,230,12.0,50,,other block
P10,2025-10-11,52000,1245,bar,1.3,228,11.9,50,,2nd shot
P11,2025-11-12,60000,1150,bar,1.5,,,,,rig leaks 4 bar/s alone
total tests: 13,,,,,,,,,,
"""


@pytest.fixture
def pump(bench: Any, columns: Any) -> Any:
    bench.layout(PUMP + columns(PUMP_COLUMNS))
    bench.account = bench.one("pump.csv", PUMP_SHEET)
    return bench


def test_every_row_of_the_pump_sheet_has_its_bucket(pump: Any) -> None:
    buckets = pump.buckets()
    assert {row for row, bucket in buckets.items() if bucket == "structure"} == {1, 2, 16}
    assert {row for row, bucket in buckets.items() if bucket == "set_aside"} == {9, 10, 12}
    assert {row for row, bucket in buckets.items() if bucket == "flagged"} == {5, 11, 15}
    assert pump.codes(16) == {"total_matches"}


def test_pressures_in_any_unit_and_the_hold_in_the_unit_of_the_row(pump: Any) -> None:
    assert pump.readings(3, "measure, position, value, unit") == [
        ("pump_peak", "pump", 1170.0, "bar"),
        ("pump_rise", "pump", 1.4, "s"),
        ("pump_hold", "pump", 1080.0, "bar"),
    ]
    # 14 500 psi and 13 000 psi at 14.5038 psi a bar
    assert [row[0] for row in pump.readings(5, "value")] == pytest.approx([999.74, 1.9, 896.32], abs=0.01)
    assert [row[0] for row in pump.readings(6, "value")] == pytest.approx([970.0, 2.3, 830.0])


def test_the_end_stop_and_the_relief_make_bounds(pump: Any) -> None:
    assert pump.readings(7, "value, bound")[0] == (1600.0, "at_least")
    assert pump.readings(8, "value, bound") == [(1600.0, "at_least"), (1.1, None), (1555.0, None)]
    assert pump.readings(15, "value, bound, quality")[0] == (1150.0, "at_least", "rig_leak")


def test_implausible_peaks_are_set_aside_with_one_question(pump: Any) -> None:
    found = pump.db.rows("SELECT row_no, suggestion FROM remark WHERE code = 'peak_implausible' ORDER BY row_no")
    assert found == [(9, "1410 bar"), (10, "1410 bar")]
    assert [question for question in pump.account.questions if "1410" in question] == list(pump.account.questions)
    assert "without_peak" in pump.codes(9)
    assert pump.codes(12) == {"volts", "without_peak"}


def test_slow_cranking_is_kept_out_and_volumes_are_their_own_series(pump: Any) -> None:
    assert pump.readings(5, "quality, use")[0] == ("low_speed", "show")
    assert pump.readings(11, "quality, use")[0] == ("not_comparable", "show")
    assert pump.readings(3, "protocol")[0] == ("crank 20 ml",)
    assert pump.readings(13, "protocol, repeat")[0] == ("crank 50 ml", 1)
    assert pump.readings(14, "protocol, repeat")[0] == ("crank 50 ml", 2)

"""Every line of a messy pump sheet and of a diary: bucket, value, unit, bound and reason without settings.

The sheets in `samples` are invented; what a careful loader does with each line was written down by hand, not read
off the program.
"""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from wearlab.config import Settings
from wearlab.lives.fitments import follow
from wearlab.lives.history import TestPoint, WorkPoint


@pytest.fixture
def pump(bench: Any) -> Any:
    return bench.sample("05")


@pytest.fixture
def diary(bench: Any) -> Any:
    return bench.sample("07")


# ---- 05: pump on a closed volume


def test_05_buckets_and_the_total_line(pump: Any) -> None:
    assert pump.by_bucket() == {
        "structure": [1, 2, 16],
        "accepted": [3, 4, 6, 7, 8, 13, 14],
        "flagged": [5, 11, 15],
        "set_aside": [9, 10, 12],
    }
    assert pump.codes(16) == {"total_matches"}


@pytest.mark.parametrize(
    ("row", "peak", "bound", "hold", "quality", "protocol"),
    [
        (3, 1180.0, None, 1090.0, "good", "crank 20 ml"),
        (4, 1090.0, None, 985.0, "good", "crank 20 ml"),
        (5, 999.7, None, 896.3, "low_speed", "crank 20 ml"),  # 14 500 and 13 000 psi
        (6, 980.0, None, 840.0, "good", "crank 20 ml"),  # 98 and 84 MPa
        (7, 1600.0, "at_least", None, "good", "crank 20 ml"),
        (8, 1600.0, "at_least", 1555.0, "good", "crank 20 ml"),
        (11, 640.0, None, None, "not_comparable", "crank 20 ml"),
        (13, 1240.0, None, None, "good", "crank 50 ml"),
        (14, 1245.0, None, None, "good", "crank 50 ml"),
        (15, 1150.0, "at_least", None, "rig_leak", "crank"),
    ],
)
def test_05_values(
    pump: Any, row: int, peak: float, bound: str | None, hold: float | None, quality: str, protocol: str
) -> None:
    found = {one[0]: one[1:] for one in pump.readings(row, "measure, value, bound, quality, protocol, unit, use")}
    use = "trend" if quality == "good" else "show"
    assert found["pump_peak"] == (pytest.approx(peak, abs=0.05), bound, quality, protocol, "bar", use)
    held = found.get("pump_hold")
    assert (None if held is None else held[0]) == (None if hold is None else pytest.approx(hold, abs=0.05))
    assert found["pump_rise"][4] == "s"


def test_05_conditions_travel_along(pump: Any) -> None:
    assert pump.readings(5, "speed_rpm, battery_v, fuel_temp_c, volume_ml")[0] == (180.0, 10.4, 9.0, 20.0)
    assert pump.readings(15, "speed_rpm, battery_v, fuel_temp_c, volume_ml")[0] == (None, None, None, None)
    assert pump.readings(14, "repeat")[0] == (2,)


def test_05_lines_9_and_10_one_question_and_a_suggestion(pump: Any) -> None:
    for row in (9, 10):
        assert "peak_implausible" in pump.codes(row)
        assert pump.suggestions(row) == ["1420 bar"]
        assert pump.readings(row) == []
    assert pump.asked() == {"value": ["K9 2025-03-03"]}
    assert "1420 bar" in pump.account.questions[0]


def test_05_line_12_volts_need_the_scale_of_the_sensor(pump: Any, bench: Any) -> None:
    assert "volts" in pump.codes(12)
    assert pump.readings(12) == []


def test_05_line_12_is_converted_where_the_scale_is_known(bench: Any, columns: Any) -> None:
    bench.settings = Settings.model_validate({"sensors": {"block": {"volts": [0.5, 4.5], "bar": [0, 1800]}}})
    bench.sample("05", ("[defaults]", '[defaults]\nsensor = "block"'))
    # (3.1 - 0.5) V x 1800 bar / 4 V; a tenth of a volt is 45 bar
    assert bench.readings(12, "measure, value, unit, resolution")[0] == (
        "pump_peak", pytest.approx(1170.0), "bar", pytest.approx(45.0),
    )  # fmt: skip


# ---- 07: tests and events in one sheet


def test_07_buckets(diary: Any) -> None:
    assert diary.by_bucket() == {
        "structure": [1],
        "accepted": [2, 3, 4, 5, 6, 7, 8, 9, 13],
        "flagged": [10],
        "set_aside": [11, 12],
    }


@pytest.mark.parametrize(
    ("row", "day", "values", "levels", "protocol"),
    [
        (2, date(2025, 1, 10), [12, 11, 31, 12], [12, 11, 31, 12], "idle 60 s"),
        (4, date(2025, 1, 11), [30, 11, 12, 12], [30, 11, 12, 12], "idle 60 s"),
        (6, date(2025, 1, 12), [9, 11, 12, 12], [9, 11, 12, 12], "idle 60 s"),
        (7, date(2025, 4, 30), [9, 12, 13, 12], [9, 12, 13, 12], "idle 60 s"),
        (8, date(2025, 7, 30), [21, 24, 25, 23], [21, 24, 25, 23], "idle 60 s"),
        (9, date(2025, 8, 15), [11, 12, 13, 12], [22, 24, 26, 24], "idle 30 s"),
        (10, date(2025, 8, 16), [22, 27, 24, 24], [22, 27, 24, 24], "idle 60 s"),
        (13, date(2025, 10, 3), [24, 27, 29, 26], [24, 27, 29, 26], "idle 60 s"),
    ],
)
def test_07_values(diary: Any, row: int, day: date, values: list[int], levels: list[int], protocol: str) -> None:
    found = diary.readings(row, "position, value, level, unit, tested_on, protocol, use")
    use = "show" if row == 10 else "trend"
    assert found == [
        (str(k), float(value), float(level), "ml", day, protocol, use)
        for k, (value, level) in enumerate(zip(values, levels, strict=True), start=1)
    ]


def test_07_events_and_the_parts_they_move(diary: Any) -> None:
    work = diary.db.records("SELECT * FROM work ORDER BY row_no")
    told = diary.db.rows("SELECT row_no, kind, position, position_to, serial_out, serial_in, origin FROM work")
    assert told == [(3, "swap", "1", "3", None, None, None), (5, "replacement", "1", None, "S13", "S21", "new")]
    tests = diary.db.records(
        "SELECT r.vehicle, r.tested_on AS day, t.odometer_km, r.position, r.serial, r.file_id, r.row_no, t.reason, "
        "r.value "
        "FROM reading r JOIN test t USING (test_id) ORDER BY r.row_no, r.col_no"
    )
    values = [one.pop("value") for one in tests]
    names = (
        "vehicle",
        "odometer_km",
        "kind",
        "position",
        "position_to",
        "serial_out",
        "serial_in",
        "part_number",
        "origin",
    )
    points = [
        WorkPoint(
            day=one["done_on"], file_id=one["file_id"], row_no=one["row_no"], **{name: one[name] for name in names}
        )
        for one in work
    ]
    lives = follow([TestPoint(**one) for one in tests], points, {})
    parts: dict[str, list[float]] = {}
    for place, one in enumerate(tests):
        if one["day"] <= date(2025, 4, 30):
            parts.setdefault(lives.fitments[lives.fitment_of[place]].part, []).append(values[place])
    # by serial nothing jumped: S13 31, 30; S11 12, 12, then 12, 13 in cylinder 3; S21 begins at 9
    assert parts == {
        "S11": [12, 12, 12, 13],
        "S12": [11, 11, 11, 12],
        "S13": [31, 30],
        "S14": [12, 12, 12, 12],
        "S21": [9, 9],
    }


def test_07_line_8_the_event_is_proposed_for_its_own_day(diary: Any) -> None:
    assert diary.codes(8) == {"event_told"}
    (sentence,) = diary.db.rows("SELECT sentence FROM question WHERE kind = 'event'")[0]
    assert "wrong fuel on 2025-07-12" in sentence


def test_07_line_10_shows_both_readings_and_asks(diary: Any) -> None:
    assert diary.codes(10) == {"written_order"}
    (said,) = diary.suggestions(10)
    assert "22, 24, 27, 24 instead of 22, 27, 24, 24" in said
    assert diary.asked()["order"] == ["W3 2025-08-16"]


def test_07_lines_11_and_12_are_no_measurements(diary: Any) -> None:
    assert diary.codes(11) == {"all_zero"}
    assert diary.codes(12) == {"other_quantity"}
    assert diary.readings(11) == [] == diary.readings(12)

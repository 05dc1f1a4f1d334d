"""Meters of vehicles: slips, miles, hours, a meter that stands still or was replaced, in any order of files."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import pytest

LOG = 'name = "log"\nkind = "odometer"\n'
LOG_COLUMNS = "Van | vehicle\nDay | date\nKm | odometer\nHours | engine_hours | optional = true"
EVENTS = 'name = "jobs"\nkind = "events"\n'
EVENT_COLUMNS = "Day | date\nVan | vehicle\nJob | kind\nOld km | meter_before\nNew km | meter_after"


@pytest.fixture
def log(bench: Any, columns: Any) -> Any:
    bench.layout(LOG + columns(LOG_COLUMNS))
    bench.layout(EVENTS + columns(EVENT_COLUMNS))
    return bench


def sheet(*rows: str) -> str:
    return "Van,Day,Km,Hours\n" + "\n".join(f"D3,{row}" + ("" if row.count(",") == 2 else ",") for row in rows) + "\n"


def doubts(bench: Any) -> dict[int, tuple[str, str | None]]:
    rows = bench.db.rows("SELECT row_no, code, suggestion FROM remark WHERE code LIKE 'odometer%' ORDER BY row_no")
    return {row: (code, suggestion) for row, code, suggestion in rows}


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        # one digit too many, one too few, and a hundredfold
        (["2025-01-01,100000", "2025-02-01,1020000", "2025-03-01,104000"], {3: ("odometer_slip", "102000 km")}),
        (["2025-01-01,100000", "2025-02-01,10200", "2025-03-01,104000"], {3: ("odometer_slip", "102000 km")}),
        (["2025-01-01,1000.5", "2025-08-01,112000", "2025-09-01,114000"], {2: ("odometer_slip", "100050 km")}),
        # 62 800 mi = 101 066.8 km
        (["2025-01-01,100000", "2025-02-01,62800", "2025-03-01,102500"], {3: ("odometer_miles", "101067 km")}),
        # a low value alone between two of a distance: running hours of a vehicle at 33 km/h
        (["2025-01-01,100000", "2025-02-01,3005", "2025-03-01,102500"], {3: ("odometer_hours", None)}),
        # simply less, and nothing explains it
        (["2025-01-01,100000", "2025-02-01,102000", "2025-02-20,101000"], {4: ("odometer_back", None)}),
        # good readings around a wild one are not blamed
        (["2025-01-01,100000", "2025-02-01,77777", "2025-03-01,104000"], {3: ("odometer_back", None)}),
        (["2025-01-01,100000", "2025-02-01,102000", "2025-03-01,104000"], {}),
        # a holiday is no stuck meter; a whole summer at the usual pace is
        (["2025-01-01,100000", "2025-01-11,101000", "2025-01-12,101000", "2025-01-13,101000"], {}),
        (
            ["2025-01-01,100000", "2025-01-11,101000", "2025-02-12,101000", "2025-03-13,101000"],
            {4: ("odometer_stuck", None), 5: ("odometer_stuck", None)},
        ),
    ],
)
def test_one_meter(log: Any, rows: list[str], expected: dict[int, tuple[str, str | None]]) -> None:
    account = log.one("log.csv", sheet(*rows))
    assert doubts(log) == expected
    assert account.flagged == len(expected)
    # a suggestion is never applied
    assert log.db.value("SELECT count(*) FROM odometer_log") == len(rows)


def test_hours_are_told_by_the_hour_meter_where_there_is_one(log: Any) -> None:
    log.one("log.csv", sheet("2025-01-01,100000,4000", "2025-02-01,4060", "2025-03-01,4118", "2025-03-12,104100,4200"))
    assert doubts(log) == {3: ("odometer_hours", None), 4: ("odometer_hours", None)}


def test_miles_in_a_whole_row_of_readings_are_asked_about_once(log: Any) -> None:
    rows = ["2025-01-01,100000", "2025-02-01,62800", "2025-03-01,103000", "2025-04-01,64700", "2025-05-01,106000"]
    account = log.one("log.csv", sheet(*rows))
    assert {code for code, _ in doubts(log).values()} == {"odometer_miles"}
    assert log.db.rows("SELECT kind, subject FROM question") == [("odometer unit", "D3")]
    assert len(account.questions) == 1


BEFORE = sheet("2025-01-01,187000", "2025-02-01,188000")
AFTER = sheet("2025-02-10,300", "2025-03-01,1500", "2025-04-01,2900")
CHANGE = "Day,Van,Job,Old km,New km\n2025-02-05,D3,meter change,{},{}\n"


@pytest.mark.parametrize("stated", [("188150", "0"), ("188150", ""), ("", "0"), ("", "")])
def test_a_recorded_change_explains_a_fall_whichever_file_comes_first(log: Any, stated: tuple[str, str]) -> None:
    files = [("a.csv", BEFORE), ("b.csv", AFTER), ("c.csv", CHANGE.format(*stated))]
    paths = {name: log.write(name, text) for name, text in files}
    for order in permutations(paths):
        for table in ("raw_row", "remark", "question", "work", "odometer_log", "meter_column", "source_file"):
            log.db.run(f"DELETE FROM {table}")  # noqa: S608
        for name in order:
            log.load(paths[name])
        assert doubts(log) == {}, order
        assert log.db.rows("SELECT bucket, count(*) FROM raw_row GROUP BY bucket ORDER BY bucket") == [
            ("accepted", 6), ("structure", 3),
        ]  # fmt: skip
        assert log.db.rows("SELECT DISTINCT flagged FROM source_file") == [(0,)]
        assert log.db.rows("SELECT * FROM question") == []


def test_without_the_change_the_fall_is_flagged_and_asked_about(log: Any) -> None:
    log.one("a.csv", BEFORE)
    account = log.one("b.csv", AFTER)
    assert doubts(log) == {2: ("odometer_back", None)}
    assert log.db.rows("SELECT kind, subject FROM question") == [("meter", "D3")]
    assert "2025-02-01 and 2025-02-10" in account.questions[0]
    # the change comes in: flag, question and account of the earlier file follow
    log.one("c.csv", CHANGE.format("188150", "0"))
    assert doubts(log) == {}
    assert log.db.rows("SELECT flagged, accepted FROM source_file WHERE name = 'b.csv'") == [(0, 3)]


def test_what_is_told_names_the_cell_as_written(log: Any) -> None:
    log.one("log.csv", sheet("2025-01-01,100000", "2025-02-01,102000", "2025-02-20, 101000 "))
    found = log.db.rows("SELECT level, col_no, col_name, cell, sentence FROM remark")
    assert found[0][:4] == ("flag", 3, "Km", "101000")
    assert '"101000" in the column "Km" is less than 102 000 km of 2025-02-01' in found[0][4]


def test_miles_and_hours_in_the_cell_itself(log: Any) -> None:
    log.one("log.csv", sheet("2025-01-01,62137 mi", "2025-02-01,5400 h"))
    assert log.db.rows("SELECT odometer_km FROM odometer_log ORDER BY row_no") == [(pytest.approx(99999.8, abs=0.1),)]
    codes = dict(log.db.rows("SELECT row_no, code FROM remark WHERE level <> 'note' AND row_no = 3"))
    assert codes == {3: "wrong_quantity"}

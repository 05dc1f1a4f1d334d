"""Registers and logs: rigs and their calibrations, events of every kind, visits with their reason, stock and orders."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from pipelines.sheets.known import known_rigs
from wearlab.config import Settings
from wearlab.records import WorkKind

RIGS = 'name = "rigs"\nkind = "rigs"\n'
RIG_COLUMNS = """
Rig | rig
Tube no | channel | optional = true
Size ml | tube | unit = "ml"
Mark ml | graduation | unit = "ml"
Area | area | optional = true
Block ml | volume | unit = "ml";optional = true
Limit bar | limiter | unit = "bar";optional = true
Every days | calibrate_every | optional = true
Calibrated | calibrated | optional = true
"""
SHEET = """
Rig,Tube no,Size ml,Mark ml,Area,Block ml,Limit bar,Every days,Calibrated
R1,,50,1,,20,1600,365,2025-02-01
R1,3,80,2,5 cm2,,,,
R2,,fifty,1,,,,,2027-01-01
,,50,1,,,,,
"""


def test_a_sheet_of_rigs_gives_tubes_limiter_and_calibrations(bench: Any, columns: Any) -> None:
    bench.layout(RIGS + columns(RIG_COLUMNS))
    account = bench.one("rigs.csv", SHEET)
    assert (account.accepted, account.flagged, account.set_aside) == (2, 1, 1)
    assert bench.codes(4) == {"unreadable", "unreadable_day"}
    assert bench.codes(5) == {"no_rig"}
    assert bench.db.rows("SELECT rig, done_on, kind FROM work") == [("R1", date(2025, 2, 1), "calibration")]
    rig = known_rigs(bench.db, Settings())["R1"]
    assert (rig.tube_ml, rig.graduation_ml, rig.volume_ml, rig.limiter_bar, rig.calibrate_every_days) == (
        50,
        1,
        20,
        1600,
        365,
    )
    assert (rig.tubes["3"].tube_ml, rig.tubes["3"].area_mm2) == (80, 500)


def test_the_settings_have_the_last_word_on_a_rig(bench: Any, columns: Any) -> None:
    bench.layout(RIGS + columns(RIG_COLUMNS))
    bench.one("rigs.csv", SHEET)
    settings = Settings.model_validate({"rigs": {"r1": {"tube_ml": 60, "tubes": {"3": {"graduation_ml": 5}}}}})
    rig = known_rigs(bench.db, settings)["r1"]
    assert (rig.tube_ml, rig.graduation_ml, rig.tubes["3"].tube_ml, rig.tubes["3"].graduation_ml) == (60, 1, 80, 5)


def test_rigs_are_read_before_the_tests_that_need_them(bench: Any, columns: Any) -> None:
    bench.layout(RIGS + columns(RIG_COLUMNS))
    bench.layout(
        'name = "t"\nkind = "tests"\n[defaults]\nmeasure = "return_flow"\nunit = "ml"\nduration = "60 s"\n'
        'driven = "idle"\nrig = "R1"\n'
        + columns('Van | vehicle\nDay | date\n1 | reading | position = "1"\n3 | reading | position = "3"')
    )
    tests = bench.write("a.csv", "Van,Day,1,3\nM1,2025-05-01,full,full\n")
    bench.load(tests, bench.write("z.csv", SHEET))
    found = bench.db.rows("SELECT position, value, bound, resolution FROM reading ORDER BY position")
    assert found == [("1", 50.0, "at_least", 1.0), ("3", 80.0, "at_least", 2.0)]


EVENTS = """
Day | date
Van | vehicle
Job | kind
Said | complaint | optional = true
Codes | fault_codes | optional = true
Note | note | optional = true
"""


@pytest.mark.parametrize(
    ("job", "kind", "place"),
    [
        ("replacement", "replacement", None),
        ("Injektor Zyl 3 ersetzt", "replacement", "3"),
        ("swapped 1-3", "swap", "1"),
        ("permutés 1 et 3", "swap", "1"),
        ("rebuilt cyl 2", "rebuild", "2"),
        ("limpieza", "cleaning", None),
        ("cambio motore", "engine_swap", None),
        ("teller vervangen", "meter_change", None),
        ("dostawa paliwa", "fuel_delivery", None),
        ("misfuel", "contamination", None),
        ("software update", "software_update", None),
        ("Gerät kalibriert", "calibration", None),
        ("panne sur route", "road_failure", None),
        ("other", "other", None),
    ],
)
def test_events_of_every_kind(bench: Any, columns: Any, job: str, kind: str, place: str | None) -> None:
    bench.layout('name = "e"\nkind = "events"\n' + columns(EVENTS))
    account = bench.one("e.csv", f"Day,Van,Job,Said,Codes,Note\n2025-03-01,M1,{job},no power,A1,towed\n")
    assert account.accepted == 1, bench.codes(2)
    assert bench.db.rows("SELECT kind, position, complaint, fault_codes, note FROM work") == [
        (kind, place, "no power", "A1", "towed")
    ]
    assert kind in set(WorkKind)


def test_planned_visits_keep_why(bench: Any, columns: Any) -> None:
    bench.layout(
        'name = "v"\nkind = "visits"\n'
        + columns("Van | vehicle\nDay | date\nWhat | kind\nWhy | reason\nSaid | complaint")
    )
    bench.one("v.csv", "Van,Day,What,Why,Said\nM1,2027-03-01,yearly,Garantie,smokes\n")
    assert bench.db.rows("SELECT planned_on, kind, reason, complaint FROM planned_visit") == [
        (date(2027, 3, 1), "yearly", "warranty", "smokes")
    ]

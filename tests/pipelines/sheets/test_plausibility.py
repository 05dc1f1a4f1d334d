"""Rules that doubt a test: piezo injectors, supply, cranking speed, cells that a spreadsheet changed."""

from __future__ import annotations

import re
from typing import Any

import pytest

from pipelines.sheets.checks import RULES, Level
from wearlab.config import Settings

FLOW = (
    'name = "t"\nkind = "tests"\n[defaults]\nmeasure = "return_flow"\nunit = "ml"\nduration = "60 s"\ndriven = "idle"\n'
)
FLOW_COLUMNS = """
Van | vehicle
Day | date
Back | back_pressure | unit = "bar"
1 | reading | position = "1"
2 | reading | position = "2"
Note | note
"""
PUMP = 'name = "p"\nkind = "tests"\n[defaults]\ndriven = "crank"\n'
PUMP_COLUMNS = """
Van | vehicle
Day | date
Peak | reading | measure = "pump_peak";unit = "bar"
Rpm | speed
Batt | battery
Supply | supply | unit = "bar"
Seen | supply_note
"""
REGISTER = 'name = "r"\nkind = "vehicles"\n'
FAMILIES = {"families": {"quick": {"injector": "piezo servo"}, "old": {"injector": "solenoid"}}}


def asked(bench: Any) -> list[tuple[str, str, int]]:
    return bench.db.rows("SELECT kind, subject, readings FROM question ORDER BY ALL")


def test_every_rule_says_what_becomes_of_the_row_and_where_it_comes_from() -> None:
    for code, rule in RULES.items():
        assert re.fullmatch(r"[a-z_]+", code)
        assert rule.verdict in {"accept", "convert", "flag", "set aside"}
        assert rule.sentence.endswith((".", "{more}"))
        assert rule.source
        rule.sentence.format(cell="c", column="col", what="w", more="m")
    assert {rule.verdict for rule in RULES.values()} == {"accept", "convert", "flag", "set aside"}
    assert all(rule.level == Level.NOTE for rule in RULES.values() if rule.verdict in ("accept", "convert"))


@pytest.mark.parametrize(
    ("van", "back", "note", "codes", "question"),
    [
        ("Q1", "10", "", set(), []),
        ("Q1", "1", "", {"piezo_open"}, []),
        ("Q1", "10", "open bottle", {"piezo_open"}, []),
        ("Q1", "", "", {"piezo_unrecorded"}, [("back pressure", "quick", 2)]),
        ("S1", "", "open bottle", set(), []),  # solenoid injectors flow into anything
        ("X1", "", "", set(), []),  # of no known family
    ],
)
def test_piezo_injectors_need_their_return_under_pressure(
    bench: Any, columns: Any, van: str, back: str, note: str, codes: set[str], question: list[Any]
) -> None:
    bench.settings = Settings.model_validate(FAMILIES)
    bench.layout(FLOW + columns(FLOW_COLUMNS))
    bench.layout(REGISTER + columns("Van | vehicle\nFamily | family"))
    bench.one("r.csv", "Van,Family\nQ1,quick\nS1,old\n")
    bench.one("t.csv", f"Van,Day,Back,1,2,Note\n{van},2025-03-01,{back},9,10,{note}\n")
    assert {code for (code,) in bench.db.rows("SELECT code FROM remark WHERE file_id = 2")} == codes
    assert {use for (use,) in bench.db.rows("SELECT use FROM reading")} == {"show" if codes else "trend"}
    assert asked(bench) == question


def test_a_family_with_a_date_holds_from_that_day(bench: Any, columns: Any) -> None:
    bench.settings = Settings.model_validate(FAMILIES)
    bench.layout(FLOW + columns(FLOW_COLUMNS))
    bench.layout(REGISTER + columns("Van | vehicle\nFamily | family\nSince | valid_from"))
    bench.one("r.csv", "Van,Family,Since\nQ1,old,\nQ1,quick,2025-03-02\n")
    bench.one("t.csv", "Van,Day,Back,1,2,Note\nQ1,2025-03-01,1,9,10,\nQ1,2025-03-02,1,9,10,\n")
    assert bench.db.rows("SELECT row_no, code FROM remark WHERE file_id = 2") == [(3, "piezo_open")]


LIMIT = {
    "limits": [
        {
            "name": "least peak", "measure": "pump_peak", "kind": "least", "value": 1000, "unit": "bar",
            "conditions": {"supply_bar": [3, 6]}, "source": "invented for this test",
        }
    ]
}  # fmt: skip


@pytest.mark.parametrize(
    ("peak", "supply", "seen", "limited", "codes"),
    [
        ("900", "", "", True, {"supply_unrecorded"}),
        ("900", "2", "", True, {"supply_low"}),
        ("900", "4", "", True, set()),
        ("900", "", "filter ok", True, set()),
        ("900", "4", "air in fuel", True, {"supply_low"}),
        ("900", "4", "no air in fuel", True, set()),
        ("1100", "", "", True, set()),
        ("900", "", "", False, set()),  # no limit of the program's own
    ],
)
def test_a_low_peak_asks_for_the_supply_first(
    bench: Any, columns: Any, peak: str, supply: str, seen: str, limited: bool, codes: set[str]
) -> None:
    bench.settings = Settings.model_validate(LIMIT if limited else {})
    bench.layout(PUMP + columns(PUMP_COLUMNS))
    bench.one("p.csv", f"Van,Day,Peak,Rpm,Batt,Supply,Seen\nM1,2025-03-01,{peak},210,11.5,{supply},{seen}\n")
    assert bench.codes(2) == codes
    assert bench.db.rows("SELECT use FROM reading") == [("show" if codes else "trend",)]


def test_a_fall_below_the_vehicles_own_best_is_noted_without_a_limit(bench: Any, columns: Any) -> None:
    bench.layout(PUMP + columns(PUMP_COLUMNS))
    account = bench.one(
        "p.csv",
        "Van,Day,Peak,Rpm,Batt,Supply,Seen\nM1,2025-03-01,1200,210,11.5,,\nM1,2025-09-01,980,210,11.5,,\nM2,2025-09-01,980,210,11.5,,\n",
    )
    assert bench.db.rows("SELECT row_no, code, level FROM remark") == [(3, "supply_unseen", "note")]
    assert account.accepted == 3


HEAD = "Van,Day,Peak,Rpm,Batt,Supply,Seen\n"


def rows(van: str, speeds: list[int], month: int = 1) -> str:
    return "".join(f"{van},2025-{month + k:02d}-01,1200,{rpm},11.5,4,\n" for k, rpm in enumerate(speeds))


def test_speeds_are_compared_within_the_vehicle_not_over_the_sheet(bench: Any, columns: Any) -> None:
    bench.layout(PUMP + columns(PUMP_COLUMNS))
    # the lorry cranks slowly by nature; one tired battery of the van stands out against its own tests
    bench.one("p.csv", HEAD + rows("LORRY", [150, 152, 151]) + rows("VAN", [250, 255, 200, 252]) + rows("NEW", [150]))
    assert bench.db.rows("SELECT row_no, code FROM remark") == [(7, "low_speed")]


def test_speeds_are_compared_within_the_family_where_the_vehicle_is_new(bench: Any, columns: Any) -> None:
    bench.layout(PUMP + columns(PUMP_COLUMNS))
    bench.layout(REGISTER + columns("Van | vehicle\nFamily | family"))
    families = "".join(f"V{k},van\n" for k in range(6)) + "L1,lorry\n"
    bench.one("r.csv", f"Van,Family\n{families}")
    sheet = HEAD + "".join(rows(f"V{k}", [250]) for k in range(5)) + rows("V5", [190]) + rows("L1", [150])
    bench.one("p.csv", sheet)
    assert bench.db.rows("SELECT row_no, code FROM remark") == [(7, "low_speed")]


@pytest.mark.parametrize(
    ("cell", "codes", "suggestion", "value"),
    [
        ("12-Mar", {"turned_date"}, "12.3 or 3.12", None),
        ("2025-03-12", {"turned_date"}, "12.3 or 3.12", None),
        ("1.2E+01", {"scientific"}, None, 12.0),
        ("12;5", {"unreadable"}, None, None),
        ("65535", {"sentinel"}, None, None),
    ],
)
def test_cells_that_a_spreadsheet_changed(
    bench: Any, columns: Any, cell: str, codes: set[str], suggestion: str | None, value: float | None
) -> None:
    bench.layout(FLOW + columns(FLOW_COLUMNS))
    bench.one("t.csv", f"Van,Day,Back,1,2,Note\nM1,2025-03-01,,{cell},10,\n")
    found = bench.db.rows("SELECT code, suggestion FROM remark")
    assert {code for code, _ in found} == codes
    assert {said for _, said in found} <= {suggestion}
    assert bench.db.value("SELECT value FROM reading WHERE position = '1'") == value


@pytest.mark.parametrize("meter", ["65535", "999999", "4294967295"])
def test_sentinels_of_a_meter(bench: Any, columns: Any, meter: str) -> None:
    bench.layout(FLOW + columns(FLOW_COLUMNS + "Km | odometer"))
    bench.one("t.csv", f"Van,Day,Back,1,2,Note,Km\nM1,2025-03-01,,9,10,,{meter}\n")
    assert bench.codes(2) == {"sentinel"}
    assert bench.db.value("SELECT odometer_km FROM test") is None


@pytest.mark.parametrize("unit", ["mm3", "mm³/stroke", "mg", "mg/Hub", "mm3/str"])
def test_correction_quantities_are_never_return_flow(bench: Any, columns: Any, unit: str) -> None:
    bench.layout(
        'name = "long"\nkind = "tests"\n[defaults]\nmeasure = "return_flow"\ndriven = "idle"\n'
        + columns("Van | vehicle\nDay | date\nCyl | position\nValue | value\nUnit | unit\nTime | duration")
    )
    account = bench.one("t.csv", f"Van,Day,Cyl,Value,Unit,Time\nM1,2025-05-31,1,2.1,{unit},60\n")
    assert account.set_aside == 1
    assert bench.codes(2) == {"other_quantity"}


def test_volts_with_two_sensors_are_not_guessed(bench: Any, columns: Any) -> None:
    scale = {"volts": [0.5, 4.5], "bar": [0, 1800]}
    bench.settings = Settings.model_validate(
        {"sensors": {"a": scale | {"rigs": ["R1", "R2"]}, "b": scale | {"bar": [0, 2000], "rigs": ["R2"]}}}
    )
    bench.layout(
        PUMP + columns('Van | vehicle\nDay | date\nRig | rig\nPeak | reading | measure = "pump_peak";unit = "V"')
    )
    bench.one(
        "p.csv",
        "Van,Day,Rig,Peak\nM1,2025-03-01,R1,3.1\nM1,2025-04-01,R2,3.1\nM1,2025-05-01,,3.1\nM1,2025-06-01,R1,4.8\n",
    )
    assert bench.db.rows("SELECT row_no, value, unit FROM reading") == [(2, pytest.approx(1170.0), "bar")]
    assert [bench.codes(row) for row in (2, 3, 4, 5)] == [{"converted"}, {"volts"}, {"volts"}, {"sensor_range"}]

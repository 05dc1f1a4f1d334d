"""Who is who: aliases with dates, lost zeros, ids that became numbers, and how cylinders are numbered."""

from __future__ import annotations

from typing import Any

import pytest

from pipelines.sheets.layout import parse_layout
from wearlab.errors import ConfigError

TESTS = (
    'name = "t"\nkind = "tests"\n{}[defaults]\nmeasure = "return_flow"\nunit = "ml"\nduration = "60 s"\n'
    'driven = "idle"\n'
)
TEST_COLUMNS = """
Van | vehicle
Day | date
1 | reading | position = "1"
2 | reading | position = "2"
3 | reading | position = "3"
4 | reading | position = "4"
Note | note | optional = true
"""
REGISTER = 'name = "r"\nkind = "vehicles"\n'
REGISTER_COLUMNS = "Van | vehicle\nPlate | alias\nSince | valid_from\nFamily | family\nDepot | depot"
HEAD = "Van,Day,1,2,3,4,Note\n"


@pytest.fixture
def yard(bench: Any, columns: Any) -> Any:
    bench.layout(TESTS.format("") + columns(TEST_COLUMNS))
    bench.layout(REGISTER + columns(REGISTER_COLUMNS))
    return bench


def names(bench: Any) -> dict[int, tuple[str, str]]:
    return {
        row: (vehicle, use)
        for row, vehicle, use in bench.db.rows("SELECT DISTINCT row_no, vehicle, use FROM reading ORDER BY row_no")
    }


def asked(bench: Any) -> list[tuple[str, str]]:
    return bench.db.rows("SELECT kind, subject FROM question ORDER BY ALL")


def test_a_plate_belongs_to_the_vehicle_that_had_it_on_the_day(yard: Any) -> None:
    yard.one("r.csv", "Van,Plate,Since,Family,Depot\nM1,QX 77,,,\nM2,QX-77,2025-06-01,,\nM3,QX 88,2025-06-01,,\n")
    yard.one(
        "t.csv",
        HEAD
        + "qx77,2025-05-31,9,9,9,9,\nqx77,2025-06-01,9,9,9,9,\nQX 88,2025-07-01,9,9,9,9,\nQX 88,2025-05-01,9,9,9,9,\n",
    )
    # before the register knew the plate nobody says whose it was: asked once, and out of models
    assert names(yard) == {2: ("M1", "trend"), 3: ("M2", "trend"), 4: ("M3", "trend"), 5: ("QX88", "show")}
    assert asked(yard) == [("alias", "QX88")]


def test_two_vehicles_with_one_plate_at_one_time_are_asked_about(yard: Any) -> None:
    yard.one("r.csv", "Van,Plate,Since,Family,Depot\nM1,QX 77,,,\nM2,QX-77,,,\n")
    account = yard.one("t.csv", HEAD + "QX77,2025-05-31,9,9,9,9,\nQX77,2025-06-30,9,9,9,9,\n")
    assert names(yard) == {2: ("QX77", "show"), 3: ("QX77", "show")}
    assert asked(yard) == [("alias", "QX77")]
    assert "M1 or M2" in account.questions[0]


def test_lost_zeros_are_asked_about_once_and_one_letter_makes_another_vehicle(yard: Any) -> None:
    yard.one("a.csv", HEAD + "V-017,2025-05-31,9,9,9,9,\nV-018,2025-05-31,9,9,9,9,\nW-017,2025-05-31,9,9,9,9,\n")
    yard.one("b.csv", HEAD + "V17,2025-06-30,9,9,9,9,\nV17,2025-07-30,9,9,9,9,\n")
    assert asked(yard) == [("alias", "V17")]
    assert yard.db.rows("SELECT DISTINCT vehicle FROM reading ORDER BY 1") == [
        ("V017",),
        ("V018",),
        ("V17",),
        ("W017",),
    ]


def test_the_question_of_lost_zeros_is_the_same_in_any_order_of_files(yard: Any) -> None:
    yard.one("b.csv", HEAD + "V17,2025-06-30,9,9,9,9,\n")
    assert asked(yard) == []
    yard.one("a.csv", HEAD + "V-017,2025-05-31,9,9,9,9,\n")
    assert asked(yard) == [("alias", "V17")]


def test_an_id_with_an_exponent_is_flagged(yard: Any) -> None:
    account = yard.one("a.csv", HEAD + "4.5E+03,2025-05-31,9,9,9,9,\n1E5,2025-05-31,9,9,9,9,\n")
    assert (account.flagged, account.accepted) == (1, 1)
    assert yard.codes(2) == {"id_scientific"}


ROW = "M1,2025-05-31,22,27,24,23,{}\n"


def values(bench: Any) -> dict[str, float]:
    return dict(bench.db.rows("SELECT position, value FROM reading ORDER BY position"))


@pytest.mark.parametrize(
    ("option", "expected"),
    [
        ("", {"1": 22.0, "2": 27.0, "3": 24.0, "4": 23.0}),
        ("[positions]\nfiring_order = [1, 3, 4, 2]\n", {"1": 22.0, "3": 27.0, "4": 24.0, "2": 23.0}),
        ("[positions]\nfrom_other_end = 4\n", {"4": 22.0, "3": 27.0, "2": 24.0, "1": 23.0}),
    ],
)
def test_a_layout_says_how_cylinders_are_numbered(
    bench: Any, columns: Any, option: str, expected: dict[str, float]
) -> None:
    bench.layout(TESTS.format(option) + columns(TEST_COLUMNS))
    bench.one("t.csv", HEAD + ROW.format("order 1-3-4-2" if option else ""))
    assert values(bench) == expected
    # an answered order is not asked about again
    assert asked(bench) == []
    assert {use for _, use in names(bench).values()} == {"trend"}


def test_a_position_beyond_the_stated_order_is_set_aside(bench: Any, columns: Any) -> None:
    bench.layout(TESTS.format("[positions]\nfrom_other_end = 3\n") + columns(TEST_COLUMNS))
    bench.one("t.csv", HEAD + ROW.format(""))
    assert values(bench) == {"3": 22.0, "2": 27.0, "1": 24.0}
    assert bench.codes(2) == {"no_position"}


@pytest.mark.parametrize(
    "option", ["firing_order = [1, 3, 3, 2]", "firing_order = [1, 2]\nfrom_other_end = 4", "from_other_end = 1"]
)
def test_numberings_that_cannot_be_are_refused(columns: Any, option: str) -> None:
    with pytest.raises(ConfigError):
        parse_layout((TESTS.format(f"[positions]\n{option}\n") + columns(TEST_COLUMNS)).encode(), "layout")


@pytest.mark.parametrize(
    ("note", "code"),
    [
        ("order 1-3-4-2", "written_order"),
        ("order 1-3-3-2", "order_unclear"),  # mistyped
        ("Reihenfolge 1-3-2", "order_unclear"),  # of three cylinders only
        ("in firing order", "numbering_told"),
        ("counted from the rear", "numbering_told"),
    ],
)
def test_remarks_on_the_order_are_flagged_and_asked_about(yard: Any, note: str, code: str) -> None:
    yard.one("t.csv", HEAD + ROW.format(note))
    assert yard.codes(2) == {code}
    assert values(yard) == {"1": 22.0, "2": 27.0, "3": 24.0, "4": 23.0}
    assert names(yard) == {2: ("M1", "show")}
    assert asked(yard) == [("order", "M1 2025-05-31")]
    suggestion = yard.db.value("SELECT suggestion FROM remark")
    assert suggestion == (
        "cylinders 1 to 4 read 22, 23, 27, 24 instead of 22, 27, 24, 23" if code == "written_order" else None
    )


def test_a_title_that_speaks_of_another_numbering_is_asked_about_once(yard: Any) -> None:
    yard.one(
        "t.csv",
        "Return flow in firing order,,,,,,\n" + HEAD + ROW.format("") + ROW.format("").replace("05-31", "06-30"),
    )
    assert asked(yard) == [("numbering", "t")]
    assert {use for _, use in names(yard).values()} == {"show"}


def test_engine_totals_are_the_set(bench: Any, columns: Any) -> None:
    bench.layout(
        'name = "long"\nkind = "tests"\n[defaults]\nmeasure = "return_flow"\ndriven = "idle"\n'
        + columns("Van | vehicle\nDay | date\nCyl | position\nValue | value\nUnit | unit")
    )
    bench.one(
        "t.csv",
        "Van,Day,Cyl,Value,Unit\nM1,2025-05-31,total,88,ml/min\nM1,2025-06-30,gesamt,44,ml/30 s\n"
        "M1,2025-07-30,2,6,ml per 15 s\n",
    )
    found = bench.db.rows("SELECT position, value, unit, level FROM reading ORDER BY row_no")
    assert found == [("set", 88.0, "ml/min", 88.0), ("set", 44.0, "ml", 88.0), ("2", 6.0, "ml", 24.0)]


def test_reason_complaint_and_codes_of_a_visit_are_kept(bench: Any, columns: Any) -> None:
    bench.layout(TESTS.format("") + columns(TEST_COLUMNS + "Why | reason\nSaid | complaint\nCodes | fault_codes"))
    bench.one("t.csv", "Van,Day,1,2,3,4,Why,Said,Codes\nM1,2025-05-31,9,9,9,9,Beanstandung,rough when cold,A17 B2\n")
    assert bench.db.rows("SELECT reason, complaint, fault_codes FROM test") == [
        ("complaint", "rough when cold", "A17 B2")
    ]

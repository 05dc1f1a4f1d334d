"""The order of loading never matters: copies, repeats, completed rows, registers, and what is asked."""

from __future__ import annotations

import random
import tempfile
from datetime import date
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.sheets.layout import Layout, parse_layout
from pipelines.sheets.load import load_files
from pipelines.steps.lives import rebuild_lives
from wearlab.config import Settings
from wearlab.store.database import open_database
from whole_store import Whole, adds_up, whole

AS_OF = date(2026, 6, 30)
WIDE = """
name = "dairy round"
kind = "tests"
[defaults]
measure = "return_flow"
driven = "idle"
duration = "60 s"
unit = "ml"
[[columns]]
header = "van"
field = "vehicle"
[[columns]]
header = "day"
field = "date"
[[columns]]
header = "km"
field = "odometer"
[[columns]]
header = "temp"
field = "fuel_temp"
[[columns]]
header = "c1"
field = "reading"
position = "1"
[[columns]]
header = "c2"
field = "reading"
position = "2"
[[columns]]
header = "note"
field = "note"
"""
LONG = """
name = "yard list"
kind = "tests"
[defaults]
measure = "return_flow"
driven = "idle"
duration = "60 s"
unit = "ml"
[[columns]]
header = "truck"
field = "vehicle"
[[columns]]
header = "on"
field = "date"
[[columns]]
header = "reads"
field = "odometer"
[[columns]]
header = "cyl"
field = "position"
[[columns]]
header = "rep"
field = "repeat"
[[columns]]
header = "ml"
field = "value"
"""
REGISTER = """
name = "fleet"
kind = "vehicles"
[[columns]]
header = "vehicle"
field = "vehicle"
[[columns]]
header = "plate"
field = "alias"
[[columns]]
header = "cyls"
field = "cylinders"
"""
FUEL = """
name = "pump log"
kind = "odometer"
[[columns]]
header = "lorry"
field = "vehicle"
[[columns]]
header = "date"
field = "date"
[[columns]]
header = "odo"
field = "odometer"
"""
WORK = """
name = "jobs"
kind = "events"
[[columns]]
header = "wagon"
field = "vehicle"
[[columns]]
header = "done"
field = "date"
[[columns]]
header = "job"
field = "kind"
[[columns]]
header = "cyl no"
field = "position"
"""
LAYOUTS: list[Layout] = [parse_layout(text.encode(), "a layout") for text in (WIDE, LONG, REGISTER, FUEL, WORK)]
HEADS = {
    "wide": "van,day,km,temp,c1,c2,note",
    "long": "truck,on,reads,cyl,rep,ml",
    "register": "vehicle,plate,cyls",
    "fuel": "lorry,date,odo",
    "work": "wagon,done,job,cyl no",
}

# few vehicles and days, so that rows of different files meet; V7 and V07 may be one, MK1 is a plate
_VAN = st.sampled_from(["V7", "V07", "v-7", "MK1", "B22"])
_DAY = st.sampled_from(["2025-03-01", "2025-03-01", "2025-05-20", "2025-02-30"])
_KM = st.sampled_from(["1000", "1000", "1000", "", "5200", "40"])
_ML = st.sampled_from(["11.5", "11.5", "12", "", "x", "-", ">50"])
_WIDE = st.tuples(_VAN, _DAY, _KM, st.sampled_from(["40", "40", ""]), _ML, _ML, st.sampled_from(["", "", "repeat"]))
_LONG = st.tuples(
    _VAN, _DAY, _KM, st.sampled_from(["1", "2", "5"]), st.sampled_from(["", "1", "2"]), st.sampled_from(["11.5", "12"])
)
_REGISTER = st.tuples(
    st.sampled_from(["V7", "V07", "B22"]), st.sampled_from(["MK1", "MK1", ""]), st.sampled_from(["4", "6", ""])
)
_FUEL = st.tuples(_VAN, _DAY, st.sampled_from(["1000", "1100", "5300", "90"]))
_WORK = st.tuples(_VAN, _DAY, st.sampled_from(["replacement", "cleaning"]), st.sampled_from(["1", "2"]))
_FILE = st.one_of(
    st.tuples(st.just("wide"), st.lists(_WIDE, min_size=1, max_size=5)),
    st.tuples(st.just("wide"), st.lists(_WIDE, min_size=1, max_size=5)),
    st.tuples(st.just("long"), st.lists(_LONG, min_size=1, max_size=6)),
    st.tuples(st.just("register"), st.lists(_REGISTER, min_size=1, max_size=3)),
    st.tuples(st.just("fuel"), st.lists(_FUEL, min_size=1, max_size=4)),
    st.tuples(st.just("work"), st.lists(_WORK, min_size=1, max_size=3)),
)


def written(folder: Path, files: list[tuple[str, list[tuple[str, ...]]]]) -> list[Path]:
    """Write sheets of different content; one that is there already is left out."""
    made: dict[str, Path] = {}
    for number, (kind, rows) in enumerate(files):
        text = "\n".join([HEADS[kind], *(",".join(row) for row in rows)]) + "\n"
        if text not in made:
            made[text] = folder / f"{number}-{kind}.csv"
            made[text].write_text(text)
    return list(made.values())


def stored(folder: Path, batches: list[list[Path]]) -> Whole:
    """Load batches of files one after the other into a fresh store and return all of it."""
    with tempfile.TemporaryDirectory(dir=folder) as place, open_database(Path(place, "s.duckdb")) as database:
        for batch in batches:
            accounts = load_files(database, Settings(), LAYOUTS, batch, as_of=AS_OF)
            assert all(account.status == "loaded" for account in accounts)
            for account in accounts:
                assert account.rows_read == account.structure + account.accepted + account.flagged + account.set_aside
            adds_up(database)
        with database.transaction():
            rebuild_lives(database, Settings())
        return whole(database)


@settings(max_examples=8, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(files=st.lists(_FILE, min_size=2, max_size=4), dice=st.randoms(use_true_random=False))
def test_any_order_gives_the_same_store(files: Any, dice: random.Random) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        paths = written(folder, files)
        wanted = stored(folder, [paths])
        orders = [list(order) for order in permutations(paths)]
        for order in dice.sample(orders, min(len(orders), 2)):
            assert stored(folder, [[path] for path in order]) == wanted
        half = len(paths) // 2
        assert stored(folder, [paths[half:], paths[:half]]) == wanted


@pytest.fixture
def both_ways(tmp_path: Path) -> Any:
    """Load files in every order; the stores must be equal, and the last one is returned as an open database."""
    held: list[Any] = []

    def load(*files: tuple[str, list[tuple[str, ...]]]) -> Any:
        paths = written(tmp_path, list(files))
        found = [stored(tmp_path, [[path] for path in order]) for order in permutations(paths)]
        assert all(one == found[0] for one in found)
        database = open_database(tmp_path / "last.duckdb")
        held.append(database)
        load_files(database, Settings(), LAYOUTS, paths, as_of=AS_OF)
        return database

    yield load
    for database in held:
        database.close()


def row(*cells: str) -> tuple[str, ...]:
    return cells


def test_a_copy_in_another_file_is_stored_once(both_ways: Any) -> None:
    same = row("B22", "2025-03-01", "1000", "40", "11.5", "12", "")
    db = both_ways(("wide", [same]), ("wide", [row("B22", "2025-05-20", "2000", "40", "13", "12", ""), same]))
    assert db.value("SELECT count(*) FROM reading WHERE tested_on = DATE '2025-03-01'") == 2
    (winner,) = db.rows(
        "SELECT DISTINCT s.sha256 FROM reading JOIN source_file s USING (file_id) WHERE tested_on = DATE '2025-03-01'"
    )
    assert winner == min(db.rows("SELECT sha256 FROM source_file"))
    assert db.value("SELECT count(*) FROM raw_row WHERE bucket = 'set_aside'") == 1


def test_a_copy_of_a_row_with_an_unreadable_cell_is_still_a_copy(both_ways: Any) -> None:
    same = row("B22", "2025-03-01", "1000", "40", "11.5", "12;5", "")
    db = both_ways(("wide", [same]), ("wide", [same, row("B22", "2025-05-20", "2000", "40", "13", "12", "")]))
    assert db.value("SELECT count(*) FROM reading WHERE tested_on = DATE '2025-03-01'") == 1
    assert db.rows(
        "SELECT code, count(*) FROM remark WHERE code IN ('duplicate', 'unreadable') GROUP BY ALL ORDER BY ALL"
    ) == [
        ("duplicate", 1),
        ("unreadable", 1),
    ]


def test_a_second_measurement_in_another_file_is_a_repeat(both_ways: Any) -> None:
    db = both_ways(
        ("wide", [row("B22", "2025-03-01", "1000", "40", "11.5", "12", "")]),
        ("wide", [row("B22", "2025-03-01", "1000", "40", "11.5", "13", "")]),
    )
    found = db.rows("SELECT repeat, use FROM reading ORDER BY ALL")
    assert found == [(1, "trend"), (1, "trend"), (2, "trend"), (2, "trend")]
    assert db.value("SELECT count(*) FROM test WHERE completed_by IS NOT NULL") == 0


@pytest.mark.parametrize(
    "poor",
    [
        row("B22", "2025-03-01", "1000", "40", "11.5", "", ""),  # a cell was blank
        row("B22", "2025-03-01", "", "40", "11.5", "12", ""),  # the odometer was missing
        row("B22", "2025-03-01", "1000", "40", "", "", ""),  # only the visit stood there
        row("B22", "2025-03-01", "1000", "40", "11.5", "x", ""),  # a cell could not be read
    ],
)
def test_a_later_file_completes_a_row(both_ways: Any, poor: tuple[str, ...]) -> None:
    full = row("B22", "2025-03-01", "1000", "40", "11.5", "12", "")
    db = both_ways(("wide", [poor]), ("wide", [full]))
    ((completed, other, again),) = db.rows(
        "SELECT p.row_no, f.test_id = p.completed_by, p.said_again FROM test p JOIN test f ON f.test_id <> p.test_id "
        "WHERE p.completed_by IS NOT NULL"
    )
    assert (completed, other, again) == (2, True, True)
    kept = db.rows(
        "SELECT position, count(*) FILTER (use = 'trend'), count(*) FROM reading GROUP BY position ORDER BY 1"
    )
    assert [(position, used) for position, used, _ in kept] == [("1", 1), ("2", 1)]
    assert db.value("SELECT count(*) FROM raw_row WHERE len(cells) > 1") == 4
    (sentence,) = (text for (text,) in db.rows("SELECT sentence FROM remark WHERE code = 'completed'"))
    assert sentence.startswith("Row 2 of ")


def test_a_row_that_says_it_was_measured_again_completes_nothing(both_ways: Any) -> None:
    db = both_ways(
        ("wide", [row("B22", "2025-03-01", "1000", "40", "11.5", "", "")]),
        ("wide", [row("B22", "2025-03-01", "1000", "40", "11.5", "12", "repeat")]),
    )
    assert db.value("SELECT count(*) FROM reading WHERE use = 'trend'") == 3
    assert db.value("SELECT count(*) FROM test WHERE said_again") == 0


def test_a_fuller_second_row_of_the_same_sheet_is_a_repeat_and_only_marks_the_first(both_ways: Any) -> None:
    db = both_ways(
        ("wide", [
            row("B22", "2025-03-01", "1000", "40", "11.5", "", ""),
            row("B22", "2025-03-01", "1000", "40", "11.5", "12", ""),
        ]),
        ("wide", [row("V7", "2025-03-01", "1000", "40", "11.5", "12", "")]),
    )  # fmt: skip
    assert db.rows(
        "SELECT row_no, completed_by IS NOT NULL, said_again FROM test WHERE vehicle = 'B22' ORDER BY 1"
    ) == [
        (2, True, False),
        (3, False, False),
    ]
    assert db.rows("SELECT row_no, position, repeat, use FROM reading WHERE vehicle = 'B22' ORDER BY ALL") == [
        (2, "1", 1, "trend"),
        (3, "1", 2, "trend"),
        (3, "2", 2, "trend"),
    ]


def test_the_same_test_in_a_sheet_of_another_form_counts_once(both_ways: Any) -> None:
    db = both_ways(
        ("wide", [row("B22", "2025-03-01", "1000", "", "11.5", "12", "")]),
        ("long", [row("B22", "2025-03-01", "1000", "1", "", "11.5"), row("B22", "2025-03-01", "1000", "2", "", "12")]),
    )
    assert db.rows("SELECT position, count(*) FROM reading WHERE use = 'trend' GROUP BY ALL ORDER BY ALL") == [
        ("1", 1),
        ("2", 1),
    ]


def test_a_register_that_comes_late_renames_what_was_there(both_ways: Any) -> None:
    db = both_ways(
        ("long", [row("MK1", "2025-03-01", "1000", "5", "", "12")]),
        ("register", [row("B22", "MK1", "4")]),
        ("long", [row("B22", "2025-03-01", "1000", "1", "", "12")]),
    )
    assert db.rows("SELECT vehicle, position FROM reading") == [("B22", "1")]
    assert db.rows("SELECT code FROM remark WHERE level = 'cell'") == [("beyond_engine",)]


def test_a_lost_zero_is_asked_about_once_over_all_files(both_ways: Any) -> None:
    db = both_ways(
        ("long", [row("V7", "2025-03-01", "1000", "1", "", "12")]),
        ("long", [row("V07", "2025-05-20", "1500", "1", "", "12")]),
        ("fuel", [row("V7", "2025-04-20", "1200")]),
    )
    assert db.rows("SELECT kind, subject FROM question") == [("alias", "V7")]

"""Why vehicles came: reasons, complaints and supply notes as they stand in the sheets, and what they follow from."""

from __future__ import annotations

import csv
import dataclasses
import io
from collections import Counter, defaultdict
from datetime import date, datetime, timedelta
from pathlib import Path

import openpyxl
import pytest

from pipelines.demo import scenario as sc
from pipelines.demo.fleet import Fleet, make_fleet
from pipelines.demo.occasions import repair_days, with_occasions
from pipelines.demo.visits import DemoTest, make_tests
from pipelines.sheets.form import REASONS
from pipelines.sheets.layout import Layout, parse_layout
from wearlab.study.supply import read_note

COMMITTED = Path(__file__).parents[3] / "datasets_demo"
WITH_VISITS = ("north_idle", "north_pump", "lake", "mill")
WITH_SUPPLY = ("north_pump", "lake", "mill")
Row = dict[str, str]


def _layout(stem: str) -> Layout:
    path = COMMITTED / "layouts" / f"{stem}.toml"
    return parse_layout(path.read_bytes(), path.name)


def _rows(stem: str) -> list[Row]:
    """Rows of one kind of sheet as committed: cell text by the layout's field, readings by header."""
    layout = _layout(stem)
    names = [c.header if c.field in ("reading", "ignore") else c.field for c in layout.columns]
    found: list[Row] = []
    for path in sorted((COMMITTED / "sheets").glob(f"{stem}*")):
        if path.suffix == ".xlsx":
            pages = openpyxl.load_workbook(path).worksheets
            lines = [
                [_text(cell) for cell in row] for page in pages for row in page.iter_rows(min_row=5, values_only=True)
            ]
        else:
            north = path.name.startswith("north")
            text = path.read_bytes().decode("cp1252" if north else "utf-8")
            lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=";" if north else ","))[
                2 if north else 1 :
            ]
        found += [dict(zip(names, line, strict=True)) for line in lines]
    return found


def _text(cell: object) -> str:
    if isinstance(cell, datetime):
        return cell.date().isoformat()
    return "" if cell is None else f"{cell:g}" if isinstance(cell, float) else str(cell)


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return make_fleet(sc.SEED)


@pytest.fixture(scope="module")
def told(fleet: Fleet) -> tuple[DemoTest, ...]:
    return with_occasions(fleet, make_tests(fleet))


@pytest.mark.parametrize("stem", WITH_VISITS)
def test_every_workshops_sheets_have_reasons_and_complaints(stem: str) -> None:
    words = next(column.words for column in _layout(stem).columns if column.field == "reason")
    rows = _rows(stem)
    meant = Counter(words[row["reason"]] for row in rows if row["reason"])
    assert set(words.values()) == set(REASONS)
    assert {"planned", "complaint", "after repair"} <= set(meant)
    assert meant["planned"] > 0.7 * len(rows)
    complaints = [row for row in rows if row["complaint"]]
    assert 0.02 * len(rows) < len(complaints) < 0.25 * len(rows)
    assert {words[row["reason"]] for row in complaints} <= {"complaint", "warranty", "return"}
    assert [row for row in complaints if row["fault_codes"].startswith("P0")]


def test_workshops_spell_reasons_each_in_its_own_way() -> None:
    spellings = [set(column.words) for stem in ("north_idle", "lake", "mill") for column in _layout(stem).columns]
    spellings = [words for words in spellings if words and len(words) == len(REASONS)]
    assert len(spellings) == 3
    assert len(set().union(*spellings)) == 3 * len(REASONS)


def test_every_reason_occurs(told: tuple[DemoTest, ...]) -> None:
    assert {test.reason for test in told} == {*REASONS, ""}


@pytest.mark.parametrize("stem", WITH_SUPPLY)
def test_supply_notes_stand_beside_the_pressure_and_are_understood(stem: str) -> None:
    fields = [column.field for column in _layout(stem).columns]
    assert fields.index("supply_note") == fields.index("supply") + 1
    notes = [row["supply_note"] for row in _rows(stem) if row["supply_note"]]
    both = [note for note in notes if "," in note or ";" in note]
    assert 0.4 * len(notes) < len(both) < len(notes)
    for note in notes:
        read = read_note(note)
        assert (read["filter"] == "good") == ("filter" in note)
        assert (read["air"] == "good") == ("air" in note)
        assert read["pressure"] == "unknown"


def test_only_pump_tests_tell_of_the_supply_and_not_all_of_them(told: tuple[DemoTest, ...]) -> None:
    assert not [test for test in told if test.kind != "pump" and test.supply_note]
    for workshop in sc.DEPOTS:
        blank = [not test.supply_note for test in told if test.kind == "pump" and test.workshop == workshop]
        assert 0.1 < sum(blank) / len(blank) < 0.4


def test_the_weak_pumps_last_tests_clear_the_supply(fleet: Fleet, told: tuple[DemoTest, ...]) -> None:
    assert len(fleet.planted.weak) == 2
    for key, _ in fleet.planted.weak:
        tests = [test for test in told if test.vehicle.key == key and test.kind == "pump"]
        for test in tests[-2:]:
            assert test.supply_bar is not None
            # the demo's own limits ask for 3.5 to 6 bar
            assert 3.5 <= test.supply_bar <= 6.0
            read = read_note(test.supply_note)
            assert (read["filter"], read["air"]) == ("good", "good")


def test_occasions_leave_readings_and_conditions_alone(fleet: Fleet, told: tuple[DemoTest, ...]) -> None:
    filled = []
    for before, after in zip(make_tests(fleet), told, strict=True):
        bare = dataclasses.replace(after, reason="", complaint="", fault_codes="", supply_note="")
        assert dataclasses.replace(bare, supply_bar=before.supply_bar) == before
        if after.supply_bar != before.supply_bar:
            assert before.supply_bar is None
            filled.append(after.vehicle.key)
    assert set(filled) <= {key for key, _ in fleet.planted.weak}


def test_all_tests_of_a_visit_tell_the_same(told: tuple[DemoTest, ...]) -> None:
    visits = defaultdict(set)
    for test in told:
        visits[test.vehicle.key, test.day].add((test.reason, test.complaint, test.fault_codes))
    assert {len(one) for one in visits.values()} == {1}


def test_complaints_come_with_worn_parts_and_before_repairs(fleet: Fleet, told: tuple[DemoTest, ...]) -> None:
    complained = {(test.vehicle.key, test.day): bool(test.complaint) for test in told}
    before, worn, other = [], [], []
    for vehicle in fleet.vehicles:
        repairs = repair_days(fleet, vehicle).values()
        planted = {place for key, place in fleet.planted.fast | fleet.planted.weak if key == vehicle.key}
        for day in vehicle.visits:
            said = complained[vehicle.key, day]
            if any(timedelta(0) <= done - day <= timedelta(days=7) for done in repairs):
                before.append(said)
            elif planted and day >= date(2026, 1, 1):
                worn.append(said)
            elif not planted:
                other.append(said)
    # eleven injectors, one pump and the swap, each decided right after a visit
    assert len(before) == 13
    assert sum(before) / len(before) > 0.7
    assert sum(worn) / len(worn) > 0.4
    assert sum(other) / len(other) < 0.08


def test_the_first_visit_soon_after_a_repair_is_the_check_after_it(fleet: Fleet, told: tuple[DemoTest, ...]) -> None:
    reasons = {(test.vehicle.key, test.day): test.reason for test in told}
    checks = set()
    for vehicle in fleet.vehicles:
        for done in repair_days(fleet, vehicle).values():
            later = [day for day in vehicle.visits if day > done]
            if later and later[0] - done <= timedelta(days=120):
                checks.add((vehicle.key, later[0]))
    assert len(checks) >= 8
    assert {visit for visit, reason in reasons.items() if reason == "after repair"} == checks

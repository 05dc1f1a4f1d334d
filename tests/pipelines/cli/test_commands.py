"""The commands as a person or a script uses them: keys that others may rely on, and a first test's value."""

from __future__ import annotations

import shutil
from pathlib import Path

import openpyxl
import pytest

from conftest import DEMO_DAY, ROOT, Run

READING = {
    "vehicle", "date", "odometer_km", "position", "part", "measure", "protocol", "repeat", "value", "unit", "bound",
    "resolution", "quality", "file", "row",
}  # fmt: skip
DUE = {
    "vehicle", "position", "part", "measure", "protocol", "unit", "rule", "limit", "limit_version", "direction",
    "level", "level_low", "level_high", "rate", "rate_unit", "state", "readings", "last_test", "retest_by",
    "date_p10", "date_p50", "date_p90", "odometer_p50", "no_answer", "method",
}  # fmt: skip
FILE = {
    "file", "status", "rows_read", "structure", "accepted", "flagged", "set_aside", "cells_set_aside", "readings",
    "questions",
}  # fmt: skip


@pytest.fixture
def garage(tmp_path: Path, run: Run) -> Path:
    """A workspace with nothing in wearlab.toml, one vehicle and one filled test sheet."""
    home = tmp_path / "garage"
    assert run("new", home).code == 0
    sheet = tmp_path / "filled.xlsx"
    assert run("form", "--home", home, "--out", sheet).code == 0
    book = openpyxl.load_workbook(sheet)
    page = book["Tests"]
    heads = {str(cell.value): cell.column for cell in page[1]}

    def write(row: int, **cells: object) -> None:
        for head, value in cells.items():
            column = next(number for name, number in heads.items() if name.lower().startswith(head.replace("_", " ")))
            page.cell(row, column, value)

    write(2, vehicle="X1", test_date="2026-05-04", odometer=152_300, rail=290, duration=60, driven="idle")
    for cylinder, volume in enumerate((12.0, 12.5, 29.0, 11.5), start=1):
        write(2, **{f"cyl_{cylinder}_": volume})
    book.save(sheet)
    loaded = run("load", sheet, "--home", home, "--as-of", "2026-06-01", "--json")
    assert loaded.code == 0, loaded.out + loaded.err
    (account,) = loaded.json["files"]
    assert account["readings"] == 4
    return home


def test_load_tells_its_account_and_knows_a_file_again(demo_home: Path, tmp_path: Path, run: Run) -> None:
    home = tmp_path / "fleet"
    shutil.copytree(demo_home, home)
    again = run("load", ROOT / "datasets_demo" / "sheets", "--home", home, "--as-of", DEMO_DAY, "--json")
    assert again.code == 0
    files = again.json["files"]
    assert len(files) == len(list((ROOT / "datasets_demo" / "sheets").iterdir()))
    for account in files:
        assert set(account) >= FILE
        assert account["status"] == "already loaded"
    before = run("readings", "--home", demo_home, "--as-of", DEMO_DAY, "--json").json
    assert run("readings", "--home", home, "--as-of", DEMO_DAY, "--json").json == before


def test_preview_stores_nothing(garage: Path, run: Run) -> None:
    sheets = ROOT / "datasets_demo" / "sheets"
    shutil.copytree(ROOT / "datasets_demo" / "layouts", garage / "layouts", dirs_exist_ok=True)
    seen = run("load", sheets, "--preview", "--home", garage, "--as-of", DEMO_DAY, "--json")
    assert seen.code == 0
    for account in seen.json["files"]:
        assert account["status"] == "loaded"
        parts = (account["structure"], account["accepted"], account["flagged"], account["set_aside"])
        assert account["rows_read"] == sum(parts)
    assert len(run("readings", "--home", garage, "--as-of", DEMO_DAY, "--json").json) == 4


def test_readings_and_due_keep_their_keys(demo_home: Path, run: Run) -> None:
    readings = run("readings", "V12", "--home", demo_home, "--as-of", DEMO_DAY, "--json").json
    assert readings
    assert all(set(row) >= READING for row in readings)
    assert {row["vehicle"] for row in readings} == {"V12"}
    due = run("due", "--home", demo_home, "--as-of", DEMO_DAY, "--json").json
    assert all(set(row) >= DUE for row in due)
    dated = [row["date_p50"] for row in due if row["date_p50"] is not None]
    assert dated == sorted(dated)
    states = {"steady", "watch", "book", "past limit", "test again", "no limit", "no answer"}
    assert {row["state"] for row in due} <= states
    for row in due:
        if row["date_p50"] and row["date_p10"] and row["date_p90"]:
            assert row["date_p10"] <= row["date_p50"] <= row["date_p90"]


def test_a_stale_test_is_never_steady(demo_home: Path, run: Run) -> None:
    later = run("due", "--home", demo_home, "--as-of", "2029-01-01", "--json").json
    assert later
    assert not [row for row in later if row["state"] == "steady"]


def test_the_month_tells_where_the_page_is(demo_home: Path, run: Run) -> None:
    done = run("month", "2026-10", "--home", demo_home, "--as-of", DEMO_DAY, "--json").json
    assert {"html", "pdf", "xlsx", "attention"} <= set(done)
    page = Path(done["html"])
    assert page == demo_home / "reports" / "2026-10" / "index.html"
    assert page.stat().st_size < 5_000_000
    assert len(done["attention"]) >= 5
    fleet = page.with_name("fleet.html").read_text("utf-8")
    for item in done["attention"]:
        assert item["vehicle"] in fleet
        assert item["reason"]


def test_an_earlier_month_is_told_as_of_its_own_end(demo_home: Path, tmp_path: Path, run: Run) -> None:
    # in a copy: what is learned as of an earlier day is an earlier forecast for everybody after
    home = tmp_path / "fleet"
    shutil.copytree(demo_home, home)
    done = run("month", "2024-03", "--home", home, "--as-of", DEMO_DAY, "--json").json
    assert all(item["last_test"] <= "2024-03-31" for item in done["attention"])


@pytest.mark.parametrize("vehicle", ["V01", "V04", "V12", "V21", "V31", "T06", "T07", "T13", "T16", "T22"])
def test_judge_speaks_of_ten_vehicles(demo_home: Path, run: Run, vehicle: str) -> None:
    told = run("judge", vehicle, "--home", demo_home, "--as-of", DEMO_DAY)
    assert told.code == 0
    for words in ("What it points to", "Next", "Take care", "does not authorise work"):
        assert words in told.out
    story = run("vehicle", vehicle, "--home", demo_home, "--as-of", DEMO_DAY)
    assert story.code == 0
    for words in ("What is due", "Visits", "Parts", "Next reading: what one more test would show"):
        assert words in story.out


def test_one_vehicle_with_one_test_is_worth_something(garage: Path, run: Run) -> None:
    told = run("judge", "x 1", "--home", garage, "--as-of", "2026-06-01")
    assert told.code == 0, told.err
    assert "cylinder 3" in told.out
    assert "stands out high" in told.out
    assert "No limit of yours" in told.out
    (story,) = [run("vehicle", "X1", "--home", garage, "--as-of", "2026-06-01")]
    assert story.code == 0
    due = run("due", "--home", garage, "--as-of", "2026-06-01", "--json").json
    assert [row["state"] for row in due] == ["no limit"] * 4
    # one reading has a level with a wide interval, and no rate of anybody's
    assert all(row["method"] == "wear model" and row["rate"] is None for row in due)
    for row, reading in zip(sorted(due, key=lambda row: row["position"]), (12.0, 12.5, 29.0, 11.5), strict=True):
        assert row["level_low"] < reading < row["level_high"]
    assert "no rate of its own" in story.out
    month = run("month", "2026-05", "--home", garage, "--as-of", "2026-06-01", "--json")
    assert month.code == 0, month.err
    assert Path(month.json["html"]).exists()


def test_a_note_by_hand_starts_a_new_part(garage: Path, run: Run) -> None:
    words = ("note", "X1", "replacement", "--on", "2026-05-20", "--position", "3", "--origin", "new")
    made = run(*words, "--home", garage, "--as-of", "2026-06-01", "--json")
    assert made.code == 0, made.err
    assert made.json["kind"] == "replacement"
    view = run("vehicle", "X1", "--home", garage, "--as-of", "2026-06-01", "--json").json
    third = [part for part in view["parts"] if part["position"] == "3"]
    assert [part["start"] for part in third] == ["first test", "new"]
    assert third[0]["to_date"] == third[1]["from_date"] == "2026-05-20"


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["X1", "polishing", "--on", "2026-05-20"], "no kind of work"),
        (["X1", "replacement", "--on", "2026-05-20"], "--position"),
        (["X1", "swap", "--on", "2026-05-20", "--position", "1"], "--to"),
        (["X1", "replacement", "--on", "2026-05-20", "--position", "third"], "no position"),
        (["X1", "cleaning", "--on", "2027-05-20", "--position", "1"], "lies after"),
        (["X1", "replacement", "--on", "2026-05-20", "--position", "1", "--origin", "shiny"], "new, rebuilt or used"),
        (["X1", "meter_change", "--on", "2026-05-20"], "--meter-after"),
    ],
)
def test_a_note_that_cannot_be_is_refused(garage: Path, run: Run, words: list[str], expected: str) -> None:
    refused = run("note", *words, "--home", garage, "--as-of", "2026-06-01")
    assert refused.code == 2
    assert expected in refused.err
    assert len(refused.err.strip().splitlines()) == 1


def test_learn_prints_the_groups(demo_home: Path, run: Run) -> None:
    groups = run("learn", "--home", demo_home, "--as-of", DEMO_DAY, "--json").json["groups"]
    (idle,) = [group for group in groups if group["protocol"] == "warm idle"]
    assert set(idle) >= {
        "measure",
        "protocol",
        "unit",
        "readings",
        "vehicles",
        "parts",
        "scale",
        "scale_weights",
        "notes",
    }
    rates = {effect["name"]: effect for effect in idle["effects"] if effect["kind"] == "rate"}
    assert set(rates) == {"four-cylinder van", "six-cylinder truck"}
    assert all(effect["low"] < effect["estimate"] < effect["high"] for effect in rates.values())
    assert sum(weight for _, weight in idle["scale_weights"]) == pytest.approx(1.0)


def test_a_changed_limit_gets_a_new_version(demo_home: Path, tmp_path: Path, run: Run) -> None:
    home = tmp_path / "fleet"
    shutil.copytree(demo_home, home)
    config = home / "wearlab.toml"
    config.write_text(config.read_text("utf-8").replace("value = 28\n", "value = 26\n"), "utf-8")
    due = run("due", "--home", home, "--as-of", DEMO_DAY, "--json").json
    vans = [row for row in due if row["limit"] == 26]
    assert vans
    assert {row["limit_version"] for row in vans} == {2}

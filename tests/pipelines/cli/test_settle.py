"""The commands that settle and take back: what they print, what they refuse, and how they leave."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from conftest import Outcome, Run

SHEET = """vehicle,date,km,test,cyl,value,unit,seconds,note
K3,2025-03-04,1000,return idle,1,12,ml,60,
K3,2025-03-04,1000,return idle,2,13x,ml,60,
K3,2025-05-04,2000,return idle,1,12.5,ml,60,
K3,2025-05-04,2000,return idle,1,12.5,ml,60,
"""
LAYOUT = """
name = "bench list"
kind = "tests"
[defaults]
measure = "return_flow"
driven = "idle"
""" + "".join(
    f'[[columns]]\nheader = "{header}"\nfield = "{field}"\n'
    for header, field in (
        ("vehicle", "vehicle"),
        ("date", "date"),
        ("km", "odometer"),
        ("cyl", "position"),
        ("value", "value"),
        ("unit", "unit"),
        ("seconds", "duration"),
        ("note", "note"),
    )
)


@pytest.fixture
def yard(tmp_path: Path, run: Run) -> Path:
    home = tmp_path / "yard"
    run("new", home)
    (home / "layouts" / "bench.toml").write_text(LAYOUT)
    (tmp_path / "list.csv").write_text(SHEET)
    assert run("load", tmp_path / "list.csv", "--home", home, "--as-of", "2026-01-31").code == 0
    return home


def listed(run: Run, home: Path) -> dict[str, Any]:
    found: dict[str, Any] = run("aside", "--home", home, "--json").json
    return found


def refused(outcome: Outcome, *words: str) -> None:
    assert outcome.code == 2
    (line,) = outcome.err.strip().splitlines()
    assert line.startswith("wearlab: ")
    for word in words:
        assert word in line


def test_the_commands_stand_in_order(run: Run) -> None:
    text = run("--help").out
    places = [text.index(f" {name} ") for name in ("aside", "settle", "unload", "reload", "undo", "readings")]
    assert places == sorted(places)


def test_from_the_list_to_settled_and_back(yard: Path, run: Run, tmp_path: Path) -> None:
    found = listed(run, yard)
    assert [item["code"] for item in found["aside"]] == ["unreadable", "duplicate"]
    number = found["aside"][0]["id"]
    assert number in run("aside", "--home", yard).out
    assert found["aside"][0]["text"].startswith("K3 | 2025-03-04")
    done = run("settle", number[:7], "--value", "13", "--why", "typed badly", "--home", yard, "--json").json
    assert (done["decisions"], done["files"], done["step"]["number"]) == (1, 1, 1)
    assert done["step"]["after"]["reading"] == done["step"]["before"]["reading"] + 1
    assert [item["code"] for item in listed(run, yard)["aside"]] == ["duplicate"]
    assert run("reload", "--home", yard, "--json").json["files"][0]["readings"] == 3
    gone = run("unload", "list.csv", "--home", yard)
    assert gone.code == 0
    assert "list.csv unloaded; 3 readings before, 0 now" in gone.out
    assert run("undo", "--home", yard, "--json").json["what"] == "unload"
    assert "step 2 undone: reload" in run("undo", "--home", yard).out
    assert "step 1 undone: settle" in run("undo", "--home", yard).out
    assert listed(run, yard)["aside"] == found["aside"]
    refused(run("undo", "--home", yard), "nothing to undo")


def test_the_list_goes_out_and_comes_back(yard: Path, run: Run, tmp_path: Path) -> None:
    path = tmp_path / "waiting.csv"
    assert run("aside", "--out", path, "--home", yard).code == 0
    head, first, second = path.read_text(encoding="utf-8-sig").splitlines()
    assert head == "id,what,file,row,column,cell,reason,suggestion,decision,value,why"
    path.write_text("\n".join([head, first[:-2] + "drop,,spilt", second]), encoding="utf-8")
    path.write_text(path.read_text().replace(",,drop", ",drop"))
    refused(run("settle", path, "--drop", "--home", yard), "holds the decisions itself")
    assert run("settle", path, "--home", yard).code == 0
    assert [item["code"] for item in listed(run, yard)["aside"]] == ["duplicate"]


def test_what_cannot_be_done_is_one_sentence(yard: Path, run: Run, tmp_path: Path) -> None:
    number = listed(run, yard)["aside"][0]["id"]
    refused(run("settle", number, "--home", yard), "not said what becomes of it")
    refused(run("settle", number, "--drop", "--accept", "--home", yard), "--accept and --drop")
    refused(run("settle", "ffffffff", "--drop", "--home", yard), 'nothing has the id "ffffffff"')
    refused(run("settle", number, number, "--drop", "--home", yard), "settled twice")
    refused(run("settle", tmp_path / "none.csv", "--home", yard), "does not exist")
    refused(run("settle", number, "=1", "--home", yard), "is a formula")
    refused(run("unload", "other.csv", "--home", yard), 'no loaded file is called "other.csv"', "list.csv")
    refused(run("reload", "other.csv", "--home", yard), 'no loaded file is called "other.csv"')
    refused(run("undo", "--home", yard), "nothing to undo")
    refused(run("aside", "--out", tmp_path / "a.pdf", "--home", yard), ".csv or .xlsx")
    refused(run("aside", "--as-of", "soon", "--home", yard), "not a date")
    assert not (yard / "journal.jsonl").exists()


@pytest.mark.parametrize("words", [["settle", "ab12", "--drop"], ["unload", "a.csv"], ["reload"]])
def test_before_anything_is_loaded(tmp_path: Path, run: Run, words: list[str]) -> None:
    run("new", tmp_path / "yard")
    refused(run(*words, "--home", tmp_path / "yard"), "wearlab load")
    assert not (tmp_path / "yard" / "wearlab.duckdb").exists()


def test_a_question_that_keeps_a_file_out_is_answered_and_the_file_loaded(tmp_path: Path, run: Run) -> None:
    home = tmp_path / "yard"
    run("new", home)
    # every date reads both ways, and nothing else tells the order
    rows = [f"K3,0{month}/0{month + 1}/2025,{1000 * month},idle,12.{month},13.1" for month in range(1, 5)]
    (tmp_path / "order.csv").write_text(
        "\n".join(["Vehicle,Date,Km,Driven,Cyl 1 (ml in 60 s),Cyl 2 (ml in 60 s)", *rows])
    )
    assert run("load", tmp_path / "order.csv", "--home", home).code == 2
    (question,) = listed(run, home)["questions"]
    answered = run("settle", question["question_id"], "day first", "--home", home)
    assert answered.code == 0
    assert "1 answers" in answered.out
    assert run("load", tmp_path / "order.csv", "--home", home).code == 0
    assert next(item["date"] for item in run("readings", "--home", home, "--json").json) == "2025-02-01"

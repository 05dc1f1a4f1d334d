"""The command that draws one chart, on the demo fleet: what a name means, what is drawn, what cannot be drawn."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from xml.etree import ElementTree

import pytest

from conftest import DEMO_DAY, Run
from pipelines.steps.chart_file import Wanted, find
from pipelines.workspace import open_workspace
from wearlab.errors import InputError
from wearlab.store.database import Database

IDLE = ("--measure", "return_flow", "--protocol", "warm idle")


def texts(path: Path) -> list[str]:
    return [text.strip() for text in ElementTree.fromstring(path.read_text("utf-8")).itertext() if text.strip()]


def test_a_vehicle_has_a_panel_for_each_of_its_tests(run: Run, demo_home: Path, tmp_path: Path) -> None:
    out = tmp_path / "v12.svg"
    said = run("chart", "v12", "--home", demo_home, "--as-of", DEMO_DAY, "--out", out, "--json")
    assert said.code == 0
    shown = texts(out)
    assert said.json["title"] == shown[0] == "V12, 31 October 2026"
    assert said.json["description"] == shown[1]
    told = run("vehicle", "V12", "--home", demo_home, "--as-of", DEMO_DAY, "--json").json["history"]["series"]
    tests = {(one["measure"], one["protocol"]) for one in told if one["points"]}
    assert len(tests) > 2
    for measure, protocol in tests:
        name = f"{measure.replace('_', ' ')}, {protocol}"
        assert any(text.startswith(name[:36]) for text in shown[2:])
        assert f"{name[:1].upper()}{name[1:]}: Readings from" in shown[1]


def test_a_part_is_drawn_with_its_forecast_by_position_or_by_name(run: Run, demo_home: Path, tmp_path: Path) -> None:
    where = ("--home", demo_home, "--as-of", DEMO_DAY)
    place = tmp_path / "place.svg"
    assert run("chart", "V12", "--part", "3", *IDLE, *where, "--out", place).code == 0
    shown = texts(place)
    assert shown[0] == "V12 injector 3: return flow, warm idle"
    # the forecast is drawn even of a part that asks for nobody, and told in words
    assert any(text.startswith("wear model; band 90% of the level, fan 80%") for text in shown)
    assert any(text.startswith("crosses 28 ml/min between") for text in shown)
    (state,) = (
        one
        for one in run("vehicle", "V12", *where, "--json").json["states"]
        if (one["position"], one["protocol"]) == ("3", "warm idle") and one["unit"] == "ml/min"
    )
    name = tmp_path / "name.svg"
    assert run("chart", state["part"].lower(), *IDLE, *where, "--out", name).code == 0
    assert name.read_bytes() == place.read_bytes()


def test_a_family_and_a_rig_are_drawn_over_the_months(run: Run, demo_home: Path, tmp_path: Path) -> None:
    where = ("--home", demo_home, "--as-of", DEMO_DAY)
    family, rig = tmp_path / "family.svg", tmp_path / "rig.png"
    said = run("chart", "Four-Cylinder van", *IDLE, *where, "--out", family)
    assert said.code == 0
    shown = texts(family)
    assert "four-cylinder van" in shown[0]
    assert {"Lake", "Mill", "North"} <= set(shown)
    assert run("chart", "r-lake", *IDLE, *where, "--out", rig).out.startswith("Rig R-lake: return flow, warm idle: ")
    assert rig.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("R-lake",), "the chart of a rig is of one kind of test: choose --measure"),
        (("four-cylinder van",), "the chart of a family is of one kind of test: choose --measure"),
        (("four-cylinder van", "--protocol", "x"), "there is no chart of four-cylinder van: wear over the months"),
        (("nobody",), 'no vehicle, part, family or rig is called "nobody": families are four-cylinder van'),
        (("V12", "--what", "rig"), 'no rig is called "V12"'),
        (("V12", "--what", "car"), '--what "car" is none of vehicle, part, family, rig'),
        (("V12", "--part", "9"), "V12 9 has no such readings; its vehicle was tested by --measure"),
        (("V12", "--tube", "1"), "--tube belongs to a rig"),
        (("R-lake", "--part", "1"), "--part belongs to a vehicle"),
    ],
)  # fmt: skip
def test_what_cannot_be_drawn_is_told(
    words: tuple[str, ...], sentence: str, run: Run, demo_home: Path, tmp_path: Path
) -> None:
    out = tmp_path / "x.svg"
    said = run("chart", *words, "--home", demo_home, "--as-of", DEMO_DAY, "--out", out)
    assert said.code == 2
    assert sentence in said.err
    assert not out.exists()


def test_a_wrong_ending_is_told_before_anything_is_worked_out(run: Run, tmp_path: Path) -> None:
    said = run("chart", "V12", "--home", tmp_path, "--out", tmp_path / "x.gif")
    assert said.code == 2
    assert "has to end in .svg, .png or .pdf" in said.err


def test_a_name_of_two_things_has_to_be_settled(demo_home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = open_workspace(demo_home)
    day = date.fromisoformat(DEMO_DAY)
    true_rows = Database.rows

    def rows(self: Database, sql: str, *told: object) -> list[tuple[object, ...]]:
        found = true_rows(self, sql, *told)  # type: ignore[arg-type]
        return [*found, ("V12",)] if "FROM test WHERE rig" in sql else found

    with place.open(read_only=True) as db:
        assert find(db, "v12", day) == Wanted("vehicle", "V12")
        monkeypatch.setattr(Database, "rows", rows)
        with pytest.raises(InputError, match=r'"v12" is a vehicle and a rig: say which with --what'):
            find(db, "v12", day)
        assert find(db, "v12", day, "rig") == Wanted("rig", "V12")

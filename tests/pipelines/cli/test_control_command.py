"""The command of control charts on the demo fleet: sentence, table, JSON, figures, and what cannot be asked."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest

from conftest import Run

DAY = "2026-10-31"


def test_innovations_of_one_part(run: Run, demo_home: Path, tmp_path: Path) -> None:
    where = ("--home", demo_home, "--as-of", DAY, "--protocol", "crank 15 s")
    picture = tmp_path / "part.svg"
    said = run("control", "V12", "--part", "3", *where, "--out", picture)
    assert said.code == 0
    assert said.out.startswith("V12 injector 3, return flow, crank 15 s: 3 tests, ")
    assert "last at " in said.out.splitlines()[0]
    assert "3 more tests of this part are not in the wear model" in " ".join(said.out.split())
    assert "figure written to" in said.err
    assert ElementTree.fromstring(picture.read_text("utf-8")).get("role") == "img"
    (told,) = run("control", "V12", "--part", "3", *where, "--json").json
    assert said.out.startswith(told["sentence"])
    assert len(told["points"]) == 3
    for point in told["points"]:
        assert point["lower"] == -point["upper"]
        assert point["outside"] == (abs(point["value"]) > point["upper"])


def test_readings_with_a_trend_say_that_it_trips_the_chart(run: Run, demo_home: Path) -> None:
    said = run(
        "control", "T14", "--part", "3", "--of", "readings", "--rules", "--protocol", "warm idle", "--home", demo_home,
        "--as-of", DAY,
    )  # fmt: skip
    words = " ".join(said.out.split())
    assert "15 tests, 3 outside (last on 2026-07-06)" in words
    assert "a trend trips this chart without a cause: --of innovations is the better series" in words
    assert "Centre and limits come from 15 tests, which is few" in words
    assert "What the run rules cost: without any cause" in words


@pytest.mark.parametrize("words", [("--chart", "ewma"), ("--chart", "cusum", "--head-start")])
def test_other_charts_of_a_series(run: Run, demo_home: Path, words: tuple[str, ...]) -> None:
    where = ("--part", "1", "--protocol", "warm idle", "--of", "readings", "--home", demo_home, "--as-of", DAY)
    (told,) = run("control", "V29", *words, *where, "--json").json
    for point in told["points"]:
        assert point["outside"] == (not point["lower"] <= point["statistic"] <= point["upper"])
    assert any(point["outside"] for point in told["points"])
    assert len(told["points"]) == 16


def test_sets_and_their_figure(run: Run, demo_home: Path, tmp_path: Path) -> None:
    where = ("--home", demo_home, "--as-of", DAY, "--protocol", "warm idle", "--of", "readings")
    for ending in ("png", "pdf"):
        picture = tmp_path / f"set.{ending}"
        assert run("control", "T14", "--chart", "tsquared", *where, "--out", picture).code == 0
        assert picture.stat().st_size > 10_000
    (told,) = run("control", "T14", "--chart", "mewma", *where, "--json").json
    assert told["position"] == "set"
    assert all(point["furthest"] for point in told["points"] if point["statistic"] is not None)


def test_a_rig_and_its_tubes(run: Run, demo_home: Path, tmp_path: Path) -> None:
    where = ("--home", demo_home, "--as-of", DAY, "--protocol", "crank 15 s")
    (told,) = run("control", "--rig", "r-lake", *where, "--json").json
    assert told["rig"] == "R-lake"
    whole, *tubes = told["series"]
    assert whole["tube"] is None
    assert sum(point["readings"] for point in whole["points"]) == sum(
        point["readings"] for one in tubes for point in one["points"]
    )
    assert all(point["low"] < point["percent"] < point["high"] for point in whole["points"])
    said = run("control", "--rig", "R-lake", "--tube", "1", *where, "--out", tmp_path / "tube.svg")
    assert said.code == 0
    assert said.out.startswith("Rig R-lake, tube 1: return flow, crank 15 s: ")
    assert "Calibrated on 2021-03-15" in said.out


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ((), "name a vehicle, or a rig with --rig"),
        (("V12", "--rig", "R-lake"), "name a vehicle, or a rig with --rig"),
        (("V12", "--tube", "1"), "--tube belongs to --rig"),
        (("--rig", "R-lake", "--chart", "ewma"), "a rig has one chart"),
        (("V12", "--chart", "pie"), '--chart "pie" is none of individuals'),
        (("V12", "--of", "dreams"), '--of "dreams" is none of readings'),
        (("V12", "--rules", "--chart", "ewma"), "--rules belong to the chart of individuals"),
        (("V12", "--head-start"), "--head-start belongs to the CUSUM chart"),
        (("V12", "--chance", "1.5"), "lies between 0 and 1"),
        (("V12", "--part", "1", "--chart", "mewma"), "leave --part out"),
        (("NOBODY", "--of", "readings"), "no sheet names a vehicle"),
        (("V12", "--of", "readings", "--protocol", "nothing"), "has no readings that a trend may use"),
        (("V12", "--of", "readings", "--part", "17"), 'has no readings at "17"'),
        (("V12", "--of", "readings", "--out", "x.svg"), "a figure is of one kind of test"),
        (("V12", "--of", "readings", "--protocol", "warm idle", "--out", "x.gif"), "has to end in .svg, .png or .pdf"),
        (("--rig", "R-nowhere"), 'no test names a rig "R-nowhere"'),
    ],
)
def test_what_cannot_be_charted_is_told(run: Run, demo_home: Path, words: tuple[str, ...], sentence: str) -> None:
    said = run("control", *words, "--home", demo_home, "--as-of", DAY)
    assert said.code == 2
    assert sentence in said.err

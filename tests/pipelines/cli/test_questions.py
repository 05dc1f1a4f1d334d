"""The workshop's questions on the demo fleet, against what is really so there."""

from __future__ import annotations

import csv
from datetime import date
from math import exp
from pathlib import Path

import pytest

from conftest import Run

ROOT = Path(__file__).parents[3]
DAY = "2026-10-31"


def _truth(kind: str) -> list[dict[str, str]]:
    with (ROOT / "datasets_demo" / "truth.csv").open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["kind"] == kind]


def test_a_work_is_chosen_from_a_list(run: Run, demo_home: Path) -> None:
    said = run("compare", "V11", "--home", demo_home, "--as-of", DAY)
    assert said.code == 0
    assert said.out.startswith("Which work on V11?")
    assert "replacement of injector 1" in said.out


def test_a_replacement_is_told_as_it_was(run: Run, demo_home: Path) -> None:
    """The level without the new part is that of the old one when it was taken out, its own wear going on."""
    vehicle = "V29"
    new = next(row for row in _truth("replacement") if row["vehicle"] == vehicle)
    old = next(row for row in _truth("life") if row["part"] == f"{new['part'][:-1]}0")
    works = run("compare", vehicle, "--home", demo_home, "--as-of", DAY, "--json").json["works"]
    name = next(work["id"] for work in works if work["day"] == new["date"])
    told = run(
        "compare", vehicle, "--work", name, "--within-days", 90, "--home", demo_home, "--as-of", DAY, "--json"
    ).json
    idle = next(group for group in told["groups"] if group["protocol"] == "warm idle")
    (place,) = idle["places"]
    assert place["position"] == new["position"]
    change = place["change"]
    late = (date.fromisoformat(idle["first_after"]) - date.fromisoformat(new["date"])).days
    # some 100 km a day; the rate is slow enough for that to do
    expected = float(old["level"]) * exp(float(old["log_rate_per_10000_km"]) * late * 100 / 10_000)
    assert change["before"]["low"] < expected < change["before"]["high"]
    assert change["change"]["high"] < 0
    assert idle["control"]
    crank = [group for group in told["groups"] if group["protocol"].startswith("crank")]
    assert all(not group["control"] for group in crank)


def test_days_between_which_nothing_was_done_show_no_change(run: Run, demo_home: Path) -> None:
    said = run("compare", "V10", "--before", "2023-12-31", "--after", "2024-01-01", "--home", demo_home, "--as-of", DAY)
    assert said.code == 0
    assert said.out.startswith("No change is shown")
    assert "no work is recorded between" in " ".join(said.out.split())


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("V11", "--work", "nothing"), 'has no work "nothing"'),
        (("V11", "--before", "2024-01-01"), "give both days"),
        (("V11", "--before", "2024-01-02", "--after", "2024-01-01"), "has to lie before"),
        (("V11", "--before", "2024-01-01", "--after", "2024-02-01", "--work", "x"), "either --work or"),
        (("NOBODY",), "no sheet names a vehicle"),
    ],
)
def test_what_cannot_be_compared_is_told(run: Run, demo_home: Path, words: tuple[str, ...], sentence: str) -> None:
    said = run("compare", *words, "--home", demo_home, "--as-of", DAY)
    assert said.code == 2
    assert sentence in said.err


def test_repeats_find_the_scatter_of_a_reading(run: Run, demo_home: Path) -> None:
    """Repeats of the demo scatter by the reading error alone: its sd is a row of the truth."""
    true = next(float(row["value"]) for row in _truth("setting") if row["note"] == "idle reading sd")
    told = run("repeats", "--home", demo_home, "--as-of", DAY, "--json").json
    idle = next(group for group in told if group["protocol"] == "warm idle")
    assert idle["unit"] == "%"
    # the marks of the tube add to it
    assert 100 * true * 0.9 < idle["study"]["repeatability"] < 100 * true * 1.25
    assert idle["wanted"]["enough"] >= 1
    assert run("repeats", "--home", demo_home, "--as-of", DAY).out.startswith(
        "Readings of one part at one visit scatter"
    )


def test_rigs_find_the_one_that_drifted(run: Run, demo_home: Path) -> None:
    drift = next(iter(_truth("rig_drift")))
    told = run("rigs", "--home", demo_home, "--as-of", DAY, "--json").json
    idle = [row for row in told["periods"] if row["protocol"] == "warm idle"]
    worst = max(idle, key=lambda row: row["at_last"]["point"] - row["at_first"]["point"])
    assert worst["rig"] == drift["rig"]
    assert worst["last"] <= drift["date_to"]
    assert worst["at_last"]["low"] > 0
    # the rig's own part is 8 %; bad fuel of six vehicles of its depot in the same time is told with it, so that the
    # interval begins above that
    true = 100 * float(drift["value"])
    assert worst["at_last"]["low"] - 2 < true < worst["at_last"]["point"]
    due = {row["rig"]: row for row in told["calibrations"]}
    assert due["R-lake"]["due"] == "2027-03-15"
    assert due["R-lake"]["overdue_days"] == 0
    assert told["checks"] == []

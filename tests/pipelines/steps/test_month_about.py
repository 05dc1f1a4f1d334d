"""What a pack rests on, and what a vehicle's page tells of each test, from rows as a store holds them."""

from __future__ import annotations

from datetime import date, datetime
from types import SimpleNamespace
from typing import Any, cast

import pytest

from garage import Garage
from pipelines.steps.month_about import about_page, limit_row
from pipelines.steps.vehicle_view import FleetFacts, conditions_of, source_words
from pipelines.steps.visit import AS_RECORDED
from pipelines.workspace import open_workspace
from wearlab.limit_settings import Conditions, LimitRule
from wearlab.records import Measure

DAY = date(2026, 10, 31)


def test_conditions_are_told_as_recorded_and_open_ones_left_out() -> None:
    test: dict[str, Any] = dict.fromkeys(AS_RECORDED)
    test |= {"measure": "return_flow", "protocol": "warm idle", "rail_bar": 310.0, "injectors_connected": False}
    test |= {"rig": "R1", "note": "said in its own column"}
    assert conditions_of(test) == (
        "return flow, warm idle",
        (("rail pressure", "310 bar"), ("injectors connected", "no"), ("rig", "R1")),
    )


def test_rows_of_a_file_are_told_once() -> None:
    rows = [("a.csv", 4), ("b.csv", 9), ("a.csv", 7), ("a.csv", 4), ("entered by hand", None)]
    told = source_words([{"file": file, "row_no": number} for file, number in rows])
    assert told == "a.csv:4, 7; b.csv:9; entered by hand"


@pytest.mark.parametrize(
    ("loaded", "sentence"),
    [
        (datetime(2026, 10, 30), "Nothing was loaded after this day"),
        (datetime(2026, 11, 2), "file was loaded after 31 October 2026: what"),
    ],
)
def test_about_names_run_limits_and_what_was_known(garage: Garage, loaded: datetime, sentence: str) -> None:
    place = open_workspace(garage.home)
    with place.open() as db:
        files = int(db.value("SELECT count(*) FROM source_file"))
        db.run("UPDATE source_file SET loaded_at = ?", [loaded])
        db.run(
            "INSERT INTO run VALUES (77, ?, ?, 'learn', 'settings', 'abcdef0123456789ff', '9.9')",
            [datetime(2026, 11, 1), DAY],
        )
        versions = {(rule.name, rule.valid_from): 4 for rule in place.settings.limits}
        fleet = cast(FleetFacts, SimpleNamespace(run=77, as_of=DAY, versions=versions))
        page = about_page(db, place, fleet, (("book", "90 days"), ("limit: x", "told in the table")))
    run = dict(page.run)
    assert run["run"] == "77, learned as of 31 October 2026"
    assert run["made with"] == "wearlab 9.9"
    assert run["records"] == "SHA-256 abcdef0123456789…"
    assert sum(name.startswith("input ") for name in run) == files
    assert page.settings == (("book", "90 days"),)
    assert dict(page.programs)["numpy"]
    assert sentence in page.known[0] or sentence.replace("file was", "files were") in page.known[0]
    assert len(page.limits) == len(place.settings.limits)


def test_a_limit_is_told_with_its_conditions() -> None:
    rule = LimitRule(
        name="warm idle", measure=Measure.RETURN_FLOW, protocol="idle 60 s", family="van", kind="most", value=45,
        unit="ml", over_s=60, conditions=Conditions(rail_bar=(250, 310), duration_s=60), source="workshop manual",
    )  # fmt: skip
    row = limit_row(rule, 4)
    assert (row.test, row.text, row.version) == ("return flow, idle 60 s", "at most 45 ml in 60 s", 4)
    assert row.applies == "family van, rail pressure 250 to 310 bar, duration 60 s"
    line = LimitRule(
        name="speeds", measure=Measure.RETURN_FLOW, kind="line over speed", unit="ml/min", source="manual",
        speeds=((600, 30), (2000, 80)),
    )  # fmt: skip
    assert limit_row(line, None).text == "line over speed: 30 at 600 rpm, 80 at 2000 rpm"

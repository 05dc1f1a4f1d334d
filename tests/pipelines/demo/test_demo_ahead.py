"""What the demo's office knows beside tests: breakdowns, planned visits, the shelf, costs."""

from __future__ import annotations

import csv
from datetime import date, timedelta
from pathlib import Path

from pipelines.demo.fleet import make_fleet
from pipelines.demo.road import road_failures_bytes
from pipelines.demo.scenario import AS_OF, SEED
from wearlab.config import read_settings

COMMITTED = Path(__file__).parents[3] / "datasets_demo"


def rows(name: str) -> list[dict[str, str]]:
    with (COMMITTED / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_breakdowns_of_a_part_came_beyond_its_limit() -> None:
    crossed = {
        (row["vehicle"], row["position"], row["measure"]): row["crossed_on"]
        for row in rows("truth.csv")
        if row["kind"] == "life" and row["crossed_on"]
    }
    found = rows("sheets/events_road.csv")
    assert 3 <= len(found) <= 6
    worn = [row for row in found if row["position"]]
    assert worn
    assert len(worn) < len(found)
    for row in worn:
        measures = ("pump_peak", "pump_rise") if row["position"] == "pump" else ("return_flow",)
        passed = [crossed.get((row["vehicle"], row["position"], measure), "9999") for measure in measures]
        assert min(passed) <= row["date"] <= AS_OF.isoformat()


def test_planned_visits_lie_in_the_half_year_ahead() -> None:
    last = AS_OF + timedelta(days=182)
    found = rows("sheets/planned_visits.csv")
    days = [date.fromisoformat(row["planned for"]) for row in found]
    assert days == sorted(days)
    assert all(AS_OF < day <= last and day.weekday() < 5 for day in days)
    depot = {row["number"]: row["depot"] for row in rows("sheets/vehicles.csv")}
    assert all(depot[row["vehicle"]] == row["at"] for row in found)


def test_every_vehicle_comes_once_in_half_a_year() -> None:
    # the last visits were in the year before, every half year: all but those that came late in it are due
    due = {row["vehicle"] for row in rows("sheets/planned_visits.csv")}
    assert due == {row["number"] for row in rows("sheets/vehicles.csv")}


def test_the_shelf_holds_the_numbers_that_are_ordered() -> None:
    settings = read_settings(COMMITTED / "wearlab.toml")
    shelf = {settings.parts.current(row["part number"]) for row in rows("sheets/stock.csv")}
    assert shelf == set(settings.parts.numbers)
    fitted = {row["part number"] for row in rows("sheets/events.csv") if row["part number"]}
    assert fitted <= shelf
    for family in settings.families:
        assert {settings.parts.ordered_for(family, part) for part in ("injector", "pump")} <= shelf


def test_costs_are_invented_and_name_every_family() -> None:
    settings = read_settings(COMMITTED / "wearlab.toml")
    assert set(settings.costs.parts) == set(settings.failures) == set(settings.families)
    text = (COMMITTED / "wearlab.toml").read_text("utf-8")
    for table in ("[costs]", "[failures.", "[plan]", "[parts]"):
        assert text[: text.index(table)].rstrip().splitlines()[-1].startswith("# invented")


def test_another_seed_breaks_down_elsewhere() -> None:
    committed = (COMMITTED / "sheets" / "events_road.csv").read_bytes()
    assert road_failures_bytes(make_fleet(SEED + 1)) != committed

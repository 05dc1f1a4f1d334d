"""Everything of the demo, written into one folder."""

from __future__ import annotations

from pathlib import Path

from pipelines.demo.ahead import planned_visits_bytes, stock_bytes
from pipelines.demo.columns import SHEET_KINDS
from pipelines.demo.fleet import make_fleet
from pipelines.demo.layouts import layout_text, settings_text
from pipelines.demo.occasions import with_occasions
from pipelines.demo.office import events_bytes, fuel_cards_bytes, register_bytes
from pipelines.demo.road import road_failures_bytes
from pipelines.demo.scenario import SEED
from pipelines.demo.sheet_book import write_mill
from pipelines.demo.sheet_text import Sheets, write_lake, write_north
from pipelines.demo.slips import make_slips
from pipelines.demo.truth import truth_bytes
from pipelines.demo.visits import make_tests


def demo_files(seed: int = SEED) -> dict[str, bytes]:
    """Make the demo in memory: content by path inside the folder. The same seed gives the same content."""
    fleet = make_fleet(seed)
    tests = with_occasions(fleet, make_tests(fleet))
    slips = make_slips(fleet, tests)
    sheets = Sheets()
    write_north(fleet, [test for test in tests if test.workshop == "North"], slips, sheets)
    write_lake(fleet, [test for test in tests if test.workshop == "Lake"], slips, sheets)
    write_mill(fleet, [test for test in tests if test.workshop == "Mill"], sheets)
    sheets.files["vehicles.csv"] = register_bytes(fleet)
    sheets.files["events.csv"] = events_bytes(fleet)
    sheets.files["fuel_cards.csv"] = fuel_cards_bytes(fleet)
    sheets.files["events_road.csv"] = road_failures_bytes(fleet)
    sheets.files["planned_visits.csv"] = planned_visits_bytes(fleet)
    sheets.files["stock.csv"] = stock_bytes()
    return {
        "wearlab.toml": settings_text().encode("utf-8"),
        **{f"layouts/{kind.stem}.toml": layout_text(kind).encode("utf-8") for kind in SHEET_KINDS},
        **{f"sheets/{name}": content for name, content in sheets.files.items()},
        "truth.csv": truth_bytes(fleet, tests, slips, sheets),
    }


def write_demo(folder: Path, seed: int = SEED) -> None:
    """Write the demo's sheets/, layouts/, wearlab.toml and truth.csv into `folder`, over what is there.

    Raises
    ------
    OSError
        The folder cannot be written.
    """
    for name, content in demo_files(seed).items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)

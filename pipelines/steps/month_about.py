"""What a month's pack rests on: its run, the limits in force with their sources, the programs, the records known."""

from __future__ import annotations

import platform
from importlib.metadata import version
from typing import Any

from pipelines.steps.rules import rules_in_force
from pipelines.steps.vehicle_view import FleetFacts
from pipelines.workspace import Workspace
from wearlab.charts.words import day_words, limit_words, measure_words
from wearlab.config import LimitRule
from wearlab.pack.about_page import AboutPage, LimitRow
from wearlab.store.database import Database

#: what results rest on beside this program
_PROGRAMS = ("numpy", "scipy", "pandas", "duckdb", "matplotlib", "jinja2")

#: conditions that a limit may be stated for, with their words and units
_CONDITIONS = {
    "rail_bar": ("rail pressure", "bar"),
    "fuel_temp_c": ("fuel temperature", "degC"),
    "speed_rpm": ("speed", "rpm"),
    "battery_v": ("battery", "V"),
    "supply_bar": ("supply pressure", "bar"),
    "duration_s": ("duration", "s"),
    "volume_ml": ("closed volume", "ml"),
}

#: digits of a digest that are told
_DIGITS = 16


def about_page(db: Database, place: Workspace, fleet: FleetFacts, settings: tuple[tuple[str, str], ...]) -> AboutPage:
    """Return the page; `settings` are the pairs that the month's view tells, those of limits left to its own table."""
    run = db.records("SELECT * FROM run WHERE run_id = ?", [fleet.run])[0]
    return AboutPage(
        run=(
            ("run", f"{run['run_id']}, learned as of {day_words(run['as_of'])}"),
            ("made with", f"wearlab {run['version']}"),
            ("records", f"SHA-256 {str(run['facts_sha256'])[:_DIGITS]}…"),
            ("settings file", f"SHA-256 {place.settings_sha256[:_DIGITS]}…"),
            ("seeds", "fixed in the program: the same records, settings and versions give the same figures"),
            *((f"input {row['name']}", f"SHA-256 {str(row['sha256'])[:_DIGITS]}…") for row in _inputs(db)),
        ),
        programs=(
            ("Python", platform.python_version()),
            *((name, version(name)) for name in _PROGRAMS),
        ),
        limits=tuple(
            limit_row(rule, fleet.versions.get((rule.name, rule.valid_from)))
            for rule in rules_in_force(place.settings, fleet.as_of)
        ),
        settings=tuple(pair for pair in settings if not pair[0].startswith("limit: ")),
        known=_known(db, fleet),
    )


def _inputs(db: Database) -> list[dict[str, Any]]:
    return db.records("SELECT name, sha256 FROM source_file ORDER BY file_id")


def _known(db: Database, fleet: FleetFacts) -> tuple[str, ...]:
    """Say whether files came in after the day of the pack: what they tell of earlier days is in it all the same."""
    later = db.value("SELECT count(*) FROM source_file WHERE loaded_at::DATE > ?", [fleet.as_of])
    if not later:
        return ("Nothing was loaded after this day: the pack uses what was known then.",)
    number = f"{later} {'file was' if later == 1 else 'files were'}"
    return (
        f"{number} loaded after {day_words(fleet.as_of)}: what they tell of days up to then is in this pack, though it "
        "was not known then.",
    )


def limit_row(rule: LimitRule, number: int | None) -> LimitRow:
    """One limit with all that it was stated for; `number` is the version of its wording."""
    test = f"{measure_words(rule.measure)}, {rule.protocol}" if rule.protocol else measure_words(rule.measure)
    applies = [
        f"family {rule.family}" if rule.family else "",
        f"part number {rule.part_number}" if rule.part_number else "",
        f"{rule.cylinders} cylinders" if rule.cylinders else "",
        *(
            f"{words} {_range(value)} {unit}"
            for name, (words, unit) in _CONDITIONS.items()
            if (value := getattr(rule.conditions, name)) is not None
        ),
    ]
    return LimitRow(
        name=rule.name,
        test=test,
        text=_figure(rule),
        applies=", ".join(text for text in applies if text),
        version=number,
        since=rule.valid_from,
        source=rule.source,
    )


def _range(value: float | tuple[float, float]) -> str:
    return f"{value[0]:g} to {value[1]:g}" if isinstance(value, tuple) else f"{value:g}"


def _figure(rule: LimitRule) -> str:
    if rule.value is None:
        return f"{rule.kind}: " + ", ".join(f"{limit:g} at {rpm:g} rpm" for rpm, limit in rule.speeds)
    over = f" in {rule.over_s:g} s" if rule.over_s else ""
    kind = {"most": "at most", "least": "at least"}.get(rule.kind, rule.kind)
    return f"{kind} {limit_words(rule.value, rule.unit or '')}{over}"

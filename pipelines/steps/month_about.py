"""What a month's pack rests on: its run, the limits in force with their sources, the programs, the records known."""

from __future__ import annotations

import platform
from importlib.metadata import version
from typing import Any

from pipelines.steps.rules import rules_in_force
from pipelines.steps.vehicle_view import FleetFacts
from pipelines.workspace import Workspace
from wearlab.charts.words import day_words, limit_words, measure_words
from wearlab.language import _, _n, localised, msg
from wearlab.limit_settings import LimitRule
from wearlab.pack.about_page import AboutPage, LimitRow
from wearlab.store.database import Database

#: what results rest on beside this program
_PROGRAMS = ("numpy", "scipy", "pandas", "duckdb", "matplotlib", "jinja2")

#: conditions that a limit may be stated for, with their words and units
_CONDITIONS = {
    "rail_bar": (msg("rail pressure"), "bar"),
    "fuel_temp_c": (msg("fuel temperature"), "degC"),
    "speed_rpm": (msg("speed"), "rpm"),
    "battery_v": (msg("battery"), "V"),
    "supply_bar": (msg("supply pressure"), "bar"),
    "duration_s": (msg("duration"), "s"),
    "volume_ml": (msg("closed volume"), "ml"),
}

#: what a limit of one figure says, by its kind
_KINDS = {
    "most": msg("at most {limit}"),
    "least": msg("at least {limit}"),
    "times lowest": msg("times lowest {limit}"),
    "times median": msg("times median {limit}"),
    "percent from mean": msg("percent from mean {limit}"),
    "percent from first": msg("percent from first {limit}"),
    "set total most": msg("set total most {limit}"),
    "bank total most": msg("bank total most {limit}"),
}

#: digits of a digest that are told
_DIGITS = 16


def about_page(db: Database, place: Workspace, fleet: FleetFacts, settings: tuple[tuple[str, str], ...]) -> AboutPage:
    """Return the page; `settings` are the pairs that the month's view tells, those of limits left to its own table."""
    run = db.records("SELECT * FROM run WHERE run_id = ?", [fleet.run])[0]
    # as a setting's name begins that is a limit
    of_limits = ("limit: ", _("limit: {name}", name=""))
    return AboutPage(
        run=(
            (_("run"), _("{run}, learned as of {day}", run=run["run_id"], day=day_words(run["as_of"]))),
            (_("made with"), f"wearlab {run['version']}"),
            (_("records"), f"SHA-256 {str(run['facts_sha256'])[:_DIGITS]}…"),
            (_("settings file"), f"SHA-256 {place.settings_sha256[:_DIGITS]}…"),
            (_("seeds"), _("fixed in the program: the same records, settings and versions give the same figures")),
            *((_("input {file}", file=row["name"]), f"SHA-256 {str(row['sha256'])[:_DIGITS]}…") for row in _inputs(db)),
        ),
        programs=(
            ("Python", platform.python_version()),
            *((name, version(name)) for name in _PROGRAMS),
        ),
        limits=tuple(
            limit_row(rule, fleet.versions.get((rule.name, rule.valid_from)))
            for rule in rules_in_force(place.settings, fleet.as_of)
        ),
        settings=tuple(pair for pair in settings if not pair[0].startswith(of_limits)),
        known=_known(db, fleet),
    )


def _inputs(db: Database) -> list[dict[str, Any]]:
    return db.records("SELECT name, sha256 FROM source_file ORDER BY file_id")


def _known(db: Database, fleet: FleetFacts) -> tuple[str, ...]:
    """Say whether files came in after the day of the pack: what they tell of earlier days is in it all the same."""
    later = db.value("SELECT count(*) FROM source_file WHERE loaded_at::DATE > ?", [fleet.as_of])
    if not later:
        return (_("Nothing was loaded after this day: the pack uses what was known then."),)
    return (
        _n(
            "{n} file was loaded after {day}: what they tell of days up to then is in this pack, though it was not "
            "known then.",
            "{n} files were loaded after {day}: what they tell of days up to then is in this pack, though it was not "
            "known then.",
            later,
            day=day_words(fleet.as_of),
        ),
    )


def limit_row(rule: LimitRule, number: int | None) -> LimitRow:
    """One limit with all that it was stated for; `number` is the version of its wording."""
    test = f"{measure_words(rule.measure)}, {rule.protocol}" if rule.protocol else measure_words(rule.measure)
    applies = [
        _("family {family}", family=rule.family) if rule.family else "",
        _("part number {number}", number=rule.part_number) if rule.part_number else "",
        _("{n} cylinders", n=rule.cylinders) if rule.cylinders else "",
        *(
            f"{_(words)} {_range(value)} {unit}"
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
    if isinstance(value, tuple):
        return _("{low} to {high}", low=localised(f"{value[0]:g}"), high=localised(f"{value[1]:g}"))
    return localised(f"{value:g}")


def _figure(rule: LimitRule) -> str:
    if rule.value is None:
        told = (
            _("{limit} at {speed} rpm", limit=localised(f"{limit:g}"), speed=localised(f"{rpm:g}"))
            for rpm, limit in rule.speeds
        )
        return _("line over speed: {limits}", limits=", ".join(told))
    text = _(_KINDS[rule.kind], limit=limit_words(rule.value, rule.unit or ""))
    return _("{limit} in {seconds} s", limit=text, seconds=localised(f"{rule.over_s:g}")) if rule.over_s else text

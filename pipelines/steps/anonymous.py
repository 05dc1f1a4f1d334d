"""A fleet's numbers for sharing: other names, other days, other kilometres, no free text.

Every name (vehicle, part, depot, rig, technician, family, protocol) becomes a number drawn by lot; the days of each
vehicle move back together by a number of days of its own; all kilometres and engine hours are multiplied by one factor.
Intervals between the tests of a vehicle, the readings and their conditions stay, so that wear can be studied. Lots and
factor are drawn anew each time and kept nowhere. Limits, free text, complaints and files are left out, and so is what
belongs to a day of a whole depot or rig, which cannot move with every vehicle.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from pipelines.steps.anonymous_layouts import LAYOUTS, column_heads
from pipelines.steps.whole_file import write_whole
from pipelines.workspace import Workspace
from wearlab.config import Settings
from wearlab.errors import InputError
from wearlab.limit_settings import Protocol
from wearlab.store.database import Database
from wearlab.study.supply import read_note

#: days that a vehicle is moved back, at least and at most; never forward, where days would lie in the future
DAYS = (30, 760)
#: distances are multiplied by a factor between these
FACTOR = (0.8, 1.25)

_TESTS = """
    SELECT t.vehicle, t.tested_on AS date, t.odometer_km AS odometer, t.engine_hours, t.measure, t.protocol, t.driven,
           r.position, r.repeat, r.value, r.bound, r.unit, r.resolution AS graduation, t.duration_s AS duration,
           t.rail_bar AS rail, t.speed_rpm AS speed, t.fuel_temp_c AS fuel_temp, t.temp_kind, t.battery_v AS battery,
           t.supply_bar AS supply, t.supply_note, t.volume_ml AS volume, t.rise_to_bar AS rise_to,
           t.back_pressure_bar AS back_pressure, t.injectors_connected, t.rig, r.channel, t.technician, t.reason,
           r.serial
    FROM reading r JOIN test t USING (test_id)
    WHERE r.quality = 'good'
    ORDER BY t.vehicle, t.tested_on, t.test_id, r.position, r.repeat
"""
_WORKS = """
    SELECT vehicle, done_on AS date, odometer_km AS odometer, kind, position, position_to, part_number, serial_out,
           serial_in, origin, meter_before_km AS meter_before, meter_after_km AS meter_after, reason
    FROM work WHERE vehicle IS NOT NULL ORDER BY vehicle, done_on, kind, position
"""
_VEHICLES = """
    SELECT vehicle, valid_from, family, cylinders, depot, duty, fuel_supply, in_service,
           odometer_start_km AS odometer_start, original_parts, warranty_until, leaves_on
    FROM register ORDER BY vehicle, valid_from NULLS FIRST, row_no
"""
_METERS = """
    SELECT vehicle, read_on AS date, odometer_km AS odometer, engine_hours, litres
    FROM odometer_log ORDER BY vehicle, read_on
"""

_DATES = ("date", "valid_from", "in_service", "warranty_until", "leaves_on")
_SCALED = ("odometer", "engine_hours", "odometer_start", "meter_before", "meter_after")
#: columns of names, and how a new name of each begins; columns with the same beginning share their names
_NAMES = {
    "vehicle": "A", "serial": "S", "serial_out": "S", "serial_in": "S", "part_number": "N", "depot": "D", "rig": "R",
    "technician": "K", "family": "F", "duty": "U", "fuel_supply": "L", "protocol": "P",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Shared:
    """What was written: the folder, rows of each file, and what was left out, in sentences."""

    folder: Path
    rows: dict[str, int]
    left_out: tuple[str, ...]


def export_anonymous(place: Workspace, folder: Path, rng: np.random.Generator | None = None) -> Shared:
    """Write a fleet's numbers without its names into a new folder: a workspace's settings, layouts and sheets.

    `rng` : the lots; None: drawn from the system, so that nobody can draw them again.

    Raises
    ------
    InputError
        The folder is there and not empty, or cannot be written.
    StoreError
        There is no database yet.
    """
    lots = np.random.default_rng() if rng is None else rng
    _new_folder(folder)
    with place.open(read_only=True) as db:
        sheets = {
            "tests": db.frame(_TESTS),
            "events": db.frame(_WORKS),
            "vehicles": db.frame(_VEHICLES),
            "odometer": db.frame(_METERS),
        }
        left_out = _left_out(db)
    # a protocol that was made of its parts is told by them
    sheets["tests"]["protocol"] = sheets["tests"]["protocol"].where(
        sheets["tests"]["protocol"].isin(place.settings.protocols)
    )
    names = _new_names(sheets.values(), place.settings, lots)
    shifts = dict(zip(names["A"], lots.integers(*DAYS, size=len(names["A"]), endpoint=True).tolist(), strict=True))
    factor = float(np.exp(lots.uniform(*np.log(FACTOR))))
    written = {}
    for kind, sheet in sheets.items():
        told = _told(sheet, names, shifts, factor)
        written[kind] = len(told)
        if len(told):
            heads = column_heads(kind)
            text = told.rename(columns=heads)[list(heads.values())].to_csv(index=False, lineterminator="\n")
            write_whole(folder / "sheets" / f"{kind}.csv", text.encode())
            write_whole(folder / "layouts" / f"{kind}.toml", LAYOUTS[kind].encode())
    write_whole(folder / "wearlab.toml", _settings(place.settings, names).encode())
    return Shared(folder, written, left_out)


def _new_folder(folder: Path) -> None:
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise InputError(f"{folder} is there already: name a new folder, so that nothing is mixed up")
        for part in ("sheets", "layouts"):
            (folder / part).mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise InputError(f"{folder} cannot be made ({fault.strerror}): name another place") from None


def _left_out(db: Database) -> tuple[str, ...]:
    doubted = db.value("SELECT count(*) FROM reading WHERE quality <> 'good'")
    shared = db.value("SELECT count(*) FROM work WHERE vehicle IS NULL")
    told = ["Limits, notes, complaints, fault codes, plans, stock and the files themselves are left out."]
    if doubted:
        told.append(f"{doubted} readings that are in doubt are left out.")
    if shared:
        told.append(f"{shared} events of a whole depot or rig (deliveries, calibrations) are left out.")
    return tuple(told)


def _new_names(
    sheets: Iterable[pd.DataFrame], settings: Settings, lots: np.random.Generator
) -> dict[str, dict[str, str]]:
    """New names of everything by the letter they begin with, numbered by lot."""
    found: dict[str, set[str]] = {letter: set() for letter in _NAMES.values()}
    found["F"] |= set(settings.families)
    found["P"] |= set(settings.protocols)
    for sheet in sheets:
        for column, letter in _NAMES.items():
            if column in sheet:
                found[letter] |= {str(name) for name in sheet[column].dropna().unique()} - {""}
    return {letter: _numbered(letter, sorted(names), lots) for letter, names in found.items()}


def _numbered(letter: str, names: Sequence[str], lots: np.random.Generator) -> dict[str, str]:
    width = len(str(len(names)))
    return {
        name: f"{letter}{number + 1:0{width}d}"
        for name, number in zip(names, lots.permutation(len(names)), strict=True)
    }


def _told(sheet: pd.DataFrame, names: dict[str, dict[str, str]], shifts: dict[str, int], factor: float) -> pd.DataFrame:
    told = sheet.copy()
    back = pd.to_timedelta(told["vehicle"].map(shifts), unit="D")
    for column in _DATES:
        if column in told:
            told[column] = (pd.to_datetime(told[column]) - back).dt.strftime("%Y-%m-%d")
    for column in _SCALED:
        if column in told:
            told[column] = (told[column] * factor).round(0)
    for column, letter in _NAMES.items():
        if column in told:
            told[column] = told[column].map(names[letter])
    if "supply_note" in told:
        told["supply_note"] = told["supply_note"].map(_supply, na_action="ignore")
    if "bound" in told:
        sign = told.pop("bound").map({"at_least": ">", "at_most": "<"}).fillna("")
        told["value"] = sign + told["value"].map("{:.10g}".format)
    # the order in which tests were loaded, and the old names' alphabet, say something too
    return told.sort_values(list(told.columns[:2]), kind="stable")


def _supply(note: str) -> str:
    """What a note on the supply says, in set words."""
    seen = read_note(note)
    words = {"good": "ok", "bad": "bad"}
    told = [
        f"{part} {words[state]}"
        for part, state in (("filter", seen["filter"]), ("supply", seen["pressure"]))
        if state in words
    ]
    if seen["air"] in words:
        told.append("no air" if seen["air"] == "good" else "air seen")
    return ", ".join(told) or ("looked at" if note.strip() else "")


def _settings(settings: Settings, names: dict[str, dict[str, str]]) -> str:
    """The families, protocols and fuel of a `wearlab.toml`, under their new names."""
    lines = ['name = "shared fleet"', ""]
    for name, family in settings.families.items():
        lines += [
            f"[families.{names['F'][name]}]",
            f'injector = "{family.injector}"',
            f'exposure = "{family.exposure}"',
        ]
        if family.cylinders:
            lines.append(f"cylinders = {family.cylinders}")
        if family.banks:
            lines.append(f"banks = {json.dumps(family.banks)}")
        lines.append("")
    for name, protocol in settings.protocols.items():
        lines += [f"[protocols.{names['P'][name]}]", *_protocol(protocol), ""]
    lines += ["[fuel]", f"viscosity = {json.dumps(settings.fuel.viscosity)}"]
    lines += [f"uncertainty_percent = {settings.fuel.uncertainty_percent:g}", ""]
    return "\n".join(lines)


def _protocol(protocol: Protocol) -> list[str]:
    told = protocol.model_dump(mode="json", exclude={"note", "also_called", "metering_valve"}, exclude_none=True)
    return [f"{name} = {json.dumps(value)}" for name, value in told.items()]

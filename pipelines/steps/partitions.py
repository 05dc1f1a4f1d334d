"""Partitions of a workspace: every group's readings, with what forecasts need, for machines without its database.

A share of a group is whole blocks of vehicles, so that it can be fitted and forecast by itself once what all readings
decide together is known. Each is a handful of Parquet files; one manifest names them all.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from pipelines.steps.corrections import Corrected, corrections
from pipelines.steps.facts import facts_sha256
from pipelines.steps.fleet_today import FleetToday
from pipelines.steps.group_rows import Ints, groups
from pipelines.steps.learn import fleet_on, lines_of
from pipelines.steps.partition_files import FORM, empty_folder, write_manifest, write_table
from pipelines.steps.partition_readings import reading_table, readings_meta, shares_of
from pipelines.steps.partition_rows import before_table, part_table, test_table, vehicle_table
from pipelines.steps.set_limits import usual_speed
from pipelines.steps.wear_data import GroupData, group_data
from pipelines.steps.wear_learn import Learned, previous_choice, why_no_fit
from pipelines.workspace import Workspace
from wearlab import __version__
from wearlab.charts.words import measure_words
from wearlab.records import NoAnswer
from wearlab.store.database import Database
from wearlab.wear.blocks import blocks, places_of
from wearlab.wear.data import coded
from wearlab.wear.stacking import ScaleChoice

#: a share is closed once it holds so many readings
READINGS = 50_000


def lay_partitions(
    db: Database,
    place: Workspace,
    as_of: date,
    folder: Path,
    *,
    most: int = READINGS,
    say: Callable[[str], None] | None = None,
) -> dict[str, Any]:
    """Lay everything that `learn` would fit and forecast as of a day as partitions in a new folder.

    Returns what the manifest says.

    Raises
    ------
    InputError
        The folder is not empty.
    StoreError
        The folder cannot be written.
    """
    told = say or (lambda text: None)
    empty_folder(folder)
    with db.transaction():
        fleet = fleet_on(db, place, as_of, say=told)
        known = corrections(db, as_of)
        laid = []
        for number, (measure, protocol) in enumerate(groups(db, as_of)):
            told(f"{measure_words(measure)}, {protocol}: reading")
            group = group_data(db, place.settings, measure, protocol, as_of)
            silent = why_no_fit(group)
            told(f"{measure_words(measure)}, {protocol}: laying {len(group.rows):,} readings")
            laid.append(
                lay_group(
                    folder,
                    number,
                    group,
                    fleet,
                    silent=silent,
                    previous=previous_choice(db, measure, protocol),
                    corrected=known.get((measure, protocol)),
                    lines=lines_of(db, *unfitted(group, silent), fleet),
                    most=most,
                )
            )
        facts = facts_sha256(db)
    manifest = manifest_of(fleet, laid, settings_sha256=place.settings_sha256, facts_sha256=facts)
    write_manifest(folder, manifest)
    return manifest


def manifest_of(
    fleet: FleetToday, laid: Sequence[dict[str, Any]], *, settings_sha256: str, facts_sha256: str
) -> dict[str, Any]:
    """Return what a folder of partitions says of itself."""
    before = fleet.plans.before
    return {
        "form": FORM,
        "wearlab": __version__,
        "as_of": fleet.as_of.isoformat(),
        "settings": fleet.settings.model_dump(mode="json"),
        "settings_sha256": settings_sha256,
        "facts_sha256": facts_sha256,
        "versions": [
            [name, None if day is None else day.isoformat(), version] for (name, day), version in fleet.versions.items()
        ],
        "before": None
        if before is None
        else {
            "as_of": None if before.as_of is None else before.as_of.isoformat(),
            "settings": before.settings,
            "facts": before.facts,
            "program": before.program,
        },
        "groups": list(laid),
    }


def lay_group(
    folder: Path,
    number: int,
    group: GroupData,
    fleet: FleetToday,
    *,
    silent: str | None = None,
    previous: ScaleChoice | None = None,
    corrected: Corrected | None = None,
    lines: Sequence[dict[str, Any]] = (),
    most: int = READINGS,
) -> dict[str, Any]:
    """Lay one group; `silent` says why it is not fitted, `lines` are forecasts that need no fit.

    Returns what the manifest says of it.
    """
    lives, rows = group.lives, group.rows
    meta: dict[str, Any] = {
        "measure": group.measure,
        "protocol": group.protocol,
        "unit": group.unit,
        "driven": rows.driven,
        "silent": silent,
        "notes": list(group.notes),
        "condition_names": list(group.condition_names),
        "event_names": list(group.event_names),
        "usual_speed": usual_speed(group),
        "parts": len(lives),
        "vehicles": int(rows.vehicles.size),
        "previous": None if previous is None else _choice(previous),
        "corrected": None if corrected is None else asdict(corrected),
        "factors": None,
        "readings": 0,
        "cut": 0,
    }
    before = fleet.plans.before
    if before is not None and (group.measure, group.protocol) in before.factors:
        meta["factors"] = list(before.factors[group.measure, group.protocol])
    home = np.full(rows.vehicles.size, -1, dtype=np.int64)
    readings: list[Ints] = []
    chunks = [range(0)]
    known = at = None
    if silent is None and group.data is not None:
        known = coded(group.data)
        made = blocks(known)
        at, chunks = places_of(made), shares_of(made, most)
        share = np.searchsorted([one.stop for one in chunks], at.chunk, side="right")
        home[np.asarray(known.vehicle_label, dtype=np.int64)[known.vehicle]] = share
        order = np.argsort(share, kind="stable")
        readings = np.split(order, np.searchsorted(share[order], np.arange(1, len(chunks))))
        meta |= readings_meta(known) | {"cut": made.cut}
    home = np.where(home < 0, np.arange(home.size) % len(chunks), home)
    newest = lives.last.copy()
    newest[rows.life[group.fitted]] = group.fitted  # readings of a life come in the order of time: the last one stays
    of_life = home[rows.vehicle[newest]]
    said = before_by(before.rows if before is not None else (), group)
    code = {str(name): k for k, name in enumerate(rows.vehicles.tolist())}
    meta["shares"] = []
    for k, own in enumerate(chunks):

        def file(kind: str, table: dict[str, Any], k: int = k) -> dict[str, Any]:
            return write_table(folder, f"g{number:02d}-s{k:05d}-{kind}.parquet", table)

        life = np.flatnonzero(of_life == k)
        here = np.flatnonzero(of_life[rows.life] == k)
        cars = np.unique(np.concatenate([rows.vehicle[here], lives.vehicle[life]]))
        names = [str(name) for name in rows.vehicles[cars]]
        mine = [row for name in names for row in said.get(name, ())]
        files = {
            "tests": file("tests", test_table(group, here)),
            "parts": file("parts", part_table(group, life)),
            "vehicles": file("vehicles", vehicle_table(names, cars, fleet)),
            "before": file("before", before_table(mine)),
            "lines": file("lines", {"row": _rows_text([one for one in lines if home[code[one["vehicle"]]] == k])}),
        }
        entry: dict[str, Any] = {"chunks": [own.start, own.stop], "files": files}
        if known is not None and at is not None and group.data is not None:
            visit = np.asarray(group.data.visit)
            files["readings"] = file("readings", reading_table(known, at, visit, readings[k], own.start))
            entry["widths"] = list(at.widths[own.start : own.stop])
        meta["shares"].append(entry)
    return meta


def before_by(rows: Sequence[dict[str, Any]], group: GroupData) -> dict[str, list[dict[str, Any]]]:
    """The rows of the run before that speak of a group, in their order, by vehicle."""
    found: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        if row["measure"] == group.measure and row["protocol"] == group.protocol:
            found.setdefault(row["vehicle"], []).append(row)
    return found


def unfitted(group: GroupData, silent: str | None) -> tuple[Learned, list[int]]:
    """A group of which nothing is learned yet, and the lives that no fit will answer for: those without a reading in
    it, or all where none is made."""
    place = np.full(len(group.lives), -1, dtype=np.int64)
    in_fit = set(group.codes.tolist()) if silent is None else set()
    return Learned(group, NoAnswer(silent or ""), None, place), [
        code for code in range(len(group.lives)) if code not in in_fit
    ]


def _choice(choice: ScaleChoice) -> dict[str, Any]:
    return {
        "names": list(choice.names),
        "scores": [float(score) if np.isfinite(score) else None for score in choice.scores],
        "weights": [float(weight) for weight in choice.weights],
        "vehicles": choice.vehicles,
        "sentence": choice.sentence,
    }


def _rows_text(rows: Sequence[dict[str, Any]]) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    """Rows of forecasts as JSON, one a text; days as ISO text."""
    out = np.empty(len(rows), dtype=object)
    out[:] = [json.dumps(row, default=date.isoformat, ensure_ascii=False, allow_nan=False) for row in rows]
    return out

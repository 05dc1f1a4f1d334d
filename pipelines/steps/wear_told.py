"""What a run of the wear model left in the store: groups with their effects, states and paths of lives, doubts."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

from pipelines.steps.wear_effects import ASSUMED
from pipelines.steps.wear_periods import period_told
from wearlab.language import _
from wearlab.pack.wear import GrossReading, WearEffect, WearGroup
from wearlab.store.database import Database

#: a life of a part in one measure and protocol
LifeKey = tuple[str, int, str, str]

#: a doubted reading that keeps less than this weight is named a gross error; one that keeps more is only counted
GROSS_BELOW = 0.5


@dataclass(frozen=True, slots=True)
class WearTold:
    """Rows of one run: state and path by life, gross errors by life and by group."""

    states: dict[LifeKey, dict[str, Any]] = field(default_factory=dict)
    paths: dict[LifeKey, list[dict[str, Any]]] = field(default_factory=dict)
    gross: dict[LifeKey, list[GrossReading]] = field(default_factory=dict)


def wear_told(db: Database, run: int, vehicle: str | None = None) -> WearTold:
    """What a run found of every life, or of the lives last tested on one vehicle."""
    states: dict[LifeKey, dict[str, Any]] = {}
    for row in db.records(
        "SELECT * EXCLUDE (run_id) FROM part_state WHERE run_id = ? AND (? IS NULL OR vehicle = ?)",
        [run, vehicle, vehicle],
    ):
        states[row["part"], row["life"], row["measure"], row["protocol"]] = row
    paths: dict[LifeKey, list[dict[str, Any]]] = defaultdict(list)
    for row in db.records(
        """
        SELECT p.* EXCLUDE (run_id) FROM part_path p
        WHERE p.run_id = ? AND (? IS NULL OR p.part IN (SELECT part FROM fitment WHERE vehicle = ?))
        ORDER BY p.tested_on, p.distance_km
        """,
        [run, vehicle, vehicle],
    ):
        paths[row["part"], row["life"], row["measure"], row["protocol"]].append(row)
    gross: dict[LifeKey, list[GrossReading]] = defaultdict(list)
    for key, reading in _doubted(db, run, vehicle):
        if reading.weight < GROSS_BELOW:
            gross[key].append(reading)
    return WearTold(states, dict(paths), dict(gross))


def wear_groups(db: Database, run: int) -> tuple[WearGroup, ...]:
    """Every group of a run, in the order of measure and protocol."""
    effects: dict[tuple[str, str], list[WearEffect]] = defaultdict(list)
    for row in db.records(
        "SELECT * EXCLUDE (run_id) FROM wear_effect WHERE run_id = ? ORDER BY measure, protocol, rowid", [run]
    ):
        effects[row["measure"], row["protocol"]].append(
            WearEffect(
                row["kind"], _name(row), row["estimate"], row["low"], row["high"], row["unit"] or "", _note(row),
            )
        )  # fmt: skip
    gross: dict[tuple[str, str], list[GrossReading]] = defaultdict(list)
    eased: dict[tuple[str, str], int] = defaultdict(int)
    for (_part, _life, measure, protocol), reading in _doubted(db, run, None):
        if reading.weight < GROSS_BELOW:
            gross[measure, protocol].append(reading)
        else:
            eased[measure, protocol] += 1
    return tuple(
        WearGroup(
            measure=row["measure"],
            protocol=row["protocol"],
            unit=row["unit"],
            exposure_unit=row["exposure_unit"],
            readings=row["readings"],
            vehicles=row["vehicles"],
            parts=row["parts"],
            scale=row["scale"],
            scale_weights=_weights(row["scale_weights"]),
            scale_note=row["scale_note"] or "",
            status=row["status"],
            steps=row["steps"],
            criterion=row["criterion"],
            notes=tuple(row["notes"] or ()),
            effects=tuple(effects[row["measure"], row["protocol"]]),
            gross=tuple(sorted(gross[row["measure"], row["protocol"]], key=lambda one: -abs(one.z))),
            eased=eased[row["measure"], row["protocol"]],
        )
        for row in db.records("SELECT * FROM wear_group WHERE run_id = ? ORDER BY measure, protocol", [run])
    )


def _name(row: dict[str, Any]) -> str:
    return period_told(row["name"]) if row["kind"] == "offset" else str(row["name"])


def _note(row: dict[str, Any]) -> str:
    """The note: a sentence as the run told it, but for the one that is kept as a word."""
    return _(ASSUMED) if row["note"] == ASSUMED else row["note"] or ""


def _weights(text: str | None) -> tuple[tuple[str, float], ...]:
    found = json.loads(text) if text else {}
    found = found.get("weights", found)
    return tuple(sorted(((name, float(weight)) for name, weight in found.items()), key=lambda one: -one[1]))


def _doubted(db: Database, run: int, vehicle: str | None) -> list[tuple[LifeKey, GrossReading]]:
    rows = db.records(
        """
        SELECT DISTINCT g.measure, g.protocol, g.z, g.weight, r.vehicle, r.position, r.tested_on, r.level, r.bound,
               f.part, f.life
        FROM wear_gross g
        JOIN reading r ON r.test_id = g.test_id AND r.position = g.position AND r.repeat = g.repeat
        JOIN fitted f ON f.test_id = g.test_id AND f.position = g.position
        WHERE g.run_id = ? AND (? IS NULL OR r.vehicle = ?)
        ORDER BY r.tested_on, r.vehicle, r.position
        """,
        [run, vehicle, vehicle],
    )
    return [
        (
            (row["part"], row["life"], row["measure"], row["protocol"]),
            GrossReading(
                row["vehicle"], row["position"], row["part"], row["tested_on"], row["level"], row["bound"], row["z"],
                row["weight"],
            ),
        )
        for row in rows
    ]  # fmt: skip

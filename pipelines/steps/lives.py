"""Derived tables rebuilt from the facts: which part sat where, what each test measured, true distance.

Everything here can be thrown away and made again; a fact is never changed.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from math import isfinite, nan
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.steps.facts import facts_sha256
from pipelines.workspace import Workspace
from wearlab.config import Settings
from wearlab.lives.exposure import Exposures, exposures
from wearlab.lives.fitments import Lives, VehicleStart, follow
from wearlab.lives.history import TestPoint, WorkPoint, events
from wearlab.lives.odometer import Distance, MeterChange, true_distance
from wearlab.records import Start, WorkKind
from wearlab.store.database import Database
from wearlab.store.queries import vehicles

_ON_PARTS = {
    WorkKind.REPLACEMENT,
    WorkKind.SWAP,
    WorkKind.REBUILD,
    WorkKind.CLEANING,
    WorkKind.ENGINE_SWAP,
}


@dataclass(frozen=True, slots=True)
class MeterHistory:
    """A vehicle's odometer readings from tests, work and fuel log together, with their true distance."""

    days: tuple[date, ...]
    odometer_km: tuple[float, ...]
    distance: Distance
    place: dict[tuple[date, float], int]

    def of(self, day: date, odometer_km: float | None) -> float | None:
        """True distance of a reading on a day, else of the day itself; None where it cannot be told."""
        if odometer_km is not None:
            at = self.place.get((day, odometer_km))
            if at is not None and isfinite(self.distance.distance_km[at]):
                return float(self.distance.distance_km[at])
            return None
        return None


def lives_are_fresh(db: Database, settings: Settings) -> bool:
    """Whether `fitment` and `fitted` were built from just these facts and families."""
    found: bool = db.value("SELECT value FROM meta WHERE key = 'lives'") == _stamp(db, settings)
    return found


def fresh_lives(db: Database, settings: Settings) -> None:
    """Rebuild the derived tables if anything they rest on has changed since."""
    if not lives_are_fresh(db, settings):
        with db.transaction():
            rebuild_lives(db, settings)


def open_with_lives(place: Workspace) -> Database:
    """Open the store for reading, the derived tables first rebuilt when they are stale."""
    db = place.open(read_only=True)
    if lives_are_fresh(db, place.settings):
        return db
    db.close()
    with place.open() as writer:
        fresh_lives(writer, place.settings)
    return place.open(read_only=True)


def rebuild_lives(db: Database, settings: Settings, meters: dict[str, MeterHistory] | None = None) -> None:
    """Rebuild `fitment` and `fitted` from the facts. Call it inside a transaction.

    `meters` are the histories of all vehicles, if they are at hand.
    """
    tests = db.records(
        """
        WITH files AS (SELECT file_id, row_number() OVER (ORDER BY sha256) AS number FROM source_file)
        SELECT DISTINCT r.vehicle, r.tested_on, t.odometer_km, r.position, r.test_id, t.reason, f.number AS file_id,
               min(r.row_no) AS row_no, min(r.serial) AS serial
        FROM reading r JOIN test t USING (test_id) JOIN files f ON f.file_id = r.file_id
        WHERE r.position <> 'set' AND r.measure <> 'rig_check'
        GROUP BY ALL ORDER BY r.vehicle, r.tested_on, f.number, row_no, r.position
        """
    )
    points = [
        TestPoint(
            vehicle=row["vehicle"],
            day=row["tested_on"],
            odometer_km=row["odometer_km"],
            position=row["position"],
            serial=row["serial"],
            file_id=row["file_id"],
            row_no=row["row_no"],
            reason=row["reason"],
        )
        for row in tests
    ]
    meters = meter_histories(db) if meters is None else meters
    works = _work_points(db)
    lives = follow(points, works, _starts(db, settings))
    distance = np.array(
        [_number(meters[p.vehicle].of(p.day, p.odometer_km)) if p.vehicle in meters else nan for p in points]
    )

    def distance_at(vehicle: str, on: date) -> float:
        return meters[vehicle].distance.at(on) if vehicle in meters else nan

    told = exposures(lives, distance, distance_at)
    db.run("DELETE FROM fitment")
    db.run("DELETE FROM fitted")
    db.append("fitment", _table([{**fitment.row(), "life": fitment.life} for fitment in told.fitments]))
    db.append("fitted", _fitted(tests, lives, distance, told, _cleaned(points, works, lives)))
    db.run("INSERT OR REPLACE INTO meta VALUES ('lives', ?)", [_stamp(db, settings)])


def _stamp(db: Database, settings: Settings) -> str:
    cylinders = {name: family.cylinders for name, family in sorted(settings.families.items())}
    return f"{facts_sha256(db)} {cylinders}"


def meter_histories(db: Database, vehicle: str | None = None) -> dict[str, MeterHistory]:
    """Every vehicle's meter readings explained together, meter changes undone."""
    shown = db.rows(
        """
        SELECT vehicle, day, km, max(fuelled) FROM (
            SELECT vehicle, tested_on AS day, odometer_km AS km, 0 AS fuelled FROM test
            UNION ALL SELECT vehicle, read_on, odometer_km, CASE WHEN litres > 0 THEN 1 ELSE 0 END FROM odometer_log
            UNION ALL SELECT vehicle, done_on, odometer_km, 0 FROM work
            UNION ALL SELECT vehicle, in_service, odometer_start_km, 0 FROM register WHERE in_service IS NOT NULL
        ) WHERE vehicle IS NOT NULL AND km IS NOT NULL AND (? IS NULL OR vehicle = ?)
        GROUP BY ALL ORDER BY vehicle, day, km
        """,
        [vehicle, vehicle],
    )
    changes: dict[str, list[MeterChange]] = defaultdict(list)
    for name, day, before, after in db.rows(
        "SELECT vehicle, done_on, meter_before_km, meter_after_km FROM work WHERE kind = 'meter_change' "
        "AND vehicle IS NOT NULL ORDER BY done_on"
    ):
        changes[name].append(MeterChange(day, before, after))
    by_vehicle: dict[str, list[tuple[date, float, bool]]] = defaultdict(list)
    for name, day, km, fuelled in shown:
        by_vehicle[name].append((day, km, bool(fuelled)))
    made = {}
    for name, rows in by_vehicle.items():
        days = tuple(row[0] for row in rows)
        km = tuple(row[1] for row in rows)
        found = true_distance(days, km, changes.get(name, ()), fuelled=[row[2] for row in rows])
        made[name] = MeterHistory(days, km, found, {pair: i for i, pair in enumerate(zip(days, km, strict=True))})
    return made


def _work_points(db: Database) -> list[WorkPoint]:
    rows = db.records(
        "WITH files AS (SELECT file_id AS stored, row_number() OVER (ORDER BY sha256) AS number FROM source_file) "
        "SELECT vehicle, done_on, odometer_km, kind, position, position_to, serial_out, serial_in, part_number, "
        "origin, number AS file_id, row_no FROM work LEFT JOIN files ON stored = file_id "
        "WHERE vehicle IS NOT NULL ORDER BY vehicle, done_on, number, row_no"
    )
    return [
        WorkPoint(day=row.pop("done_on"), **row)
        for row in rows
        if row["kind"] in _ON_PARTS and (row["position"] is not None or row["kind"] == WorkKind.ENGINE_SWAP)
    ]


def _starts(db: Database, settings: Settings) -> dict[str, VehicleStart]:
    starts = {}
    for row in vehicles(db, date.max):
        family = settings.families.get(row["family"] or "")
        starts[row["vehicle"]] = VehicleStart(
            in_service=row["in_service"],
            original_parts=bool(row["original_parts"]),
            cylinders=row["cylinders"] or (family.cylinders if family else None),
        )
    return starts


def _fitted(
    tests: list[dict[str, Any]],
    lives: Lives,
    distance: NDArray[np.float64],
    told: Exposures,
    cleaned: NDArray[np.int64],
) -> pd.DataFrame:
    if not tests:
        return pd.DataFrame()
    of = [lives.fitments[k] for k in lives.fitment_of]
    late = told.late[list(lives.fitment_of)]
    return pd.DataFrame(
        {
            "test_id": [row["test_id"] for row in tests],
            "position": [row["position"] for row in tests],
            "part": [fitment.part for fitment in of],
            "life": [fitment.life for fitment in of],
            "distance_km": distance,
            "exposure_km": told.exposure_km,
            "gathered_km": told.gathered_km,
            # a life of a known beginning whose distance cannot be told counts like one that began unseen
            "start": [str(Start.FIRST_TEST) if late[k] else fitment.start for k, fitment in enumerate(of)],
            "cleaned": cleaned,
        }
    )


def _cleaned(points: list[TestPoint], works: list[WorkPoint], lives: Lives) -> NDArray[np.int64]:
    """How often each test point's part was cleaned in its life before that test."""
    count = np.zeros(len(points), dtype=np.int64)
    steps: dict[tuple[str, int], list[tuple[date, str, int]]] = defaultdict(list)
    for step in lives.steps:
        steps[step.part, step.life].append((step.day, step.vehicle, step.order))
    if not steps:
        return count
    # the order within a day is settled only for the vehicles it matters for
    homes = {step.vehicle for step in lives.steps}
    kept = [k for k, point in enumerate(points) if point.vehicle in homes]
    order = {
        kept[event.index]: event.order
        for event in events([points[k] for k in kept], [work for work in works if work.vehicle in homes])
        if isinstance(event.point, TestPoint)
    }
    for k, place in enumerate(lives.fitment_of):
        fitment = lives.fitments[place]
        for day, vehicle, at in steps.get((fitment.part, fitment.life), ()):
            same_day = day == points[k].day and vehicle == points[k].vehicle and at < order[k]
            count[k] += day < points[k].day or same_day
    return count


def _table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    return pd.DataFrame(rows, dtype=object) if rows else pd.DataFrame()


def _number(value: float | None) -> float:
    return nan if value is None else value

"""What was done to a vehicle: recorded work with an id that lasts, and what brought the vehicle back afterwards."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from pipelines.steps.lives import MeterHistory
from wearlab.language import _, listed, msg
from wearlab.records import WorkKind
from wearlab.store.database import Database

#: no work on a vehicle's parts
_NO_WORK = (WorkKind.FUEL_DELIVERY, WorkKind.CALIBRATION, WorkKind.METER_CHANGE, WorkKind.ROAD_FAILURE)
#: work that makes a place another one than it was
ON_PARTS = (WorkKind.REPLACEMENT, WorkKind.SWAP, WorkKind.REBUILD, WorkKind.CLEANING, WorkKind.ENGINE_SWAP)

#: kinds of work as they are told
_KINDS = (
    msg("replacement"), msg("swap"), msg("rebuild"), msg("cleaning"), msg("engine swap"), msg("meter change"),
    msg("fuel delivery"), msg("contamination"), msg("software update"), msg("calibration"), msg("oil change"),
    msg("filter change"), msg("road failure"), msg("other"),
)  # fmt: skip

#: reasons of a visit that bring a vehicle back
_BACK = (msg("complaint"), msg("return"), msg("warranty"))


@dataclass(frozen=True, slots=True)
class Work:
    """One recorded work: `positions` are empty where the whole vehicle is meant, `id` is the same after a reload."""

    id: str
    day: date
    kind: str
    positions: tuple[str, ...]
    note: str

    @property
    def words(self) -> str:
        """The work as a sentence names it."""
        told = {"work": work_words(self.kind), "day": self.day.isoformat(), "positions": listed(self.positions)}
        if not self.positions:
            return _("{work} on {day}", **told)
        if self.positions == ("pump",):
            return _("{work} of the pump on {day}", **told)
        if len(self.positions) == 1:
            return _("{work} of injector {positions} on {day}", **told)
        return _("{work} of injectors {positions} on {day}", **told)


def work_words(kind: str) -> str:
    """Return a kind of work in words: "filter change"."""
    return _(kind.replace("_", " "))


def works_of(db: Database, vehicle: str, as_of: date) -> list[Work]:
    """Return the work on a vehicle's parts up to a day, in the order of time; copies in several files count once."""
    rows = db.records(
        "SELECT done_on, kind, position, position_to, serial_in, part_number, note FROM work "
        "WHERE vehicle = ? AND done_on <= ? AND NOT list_contains(?, kind) ORDER BY done_on, row_no",
        [vehicle, as_of, [str(kind) for kind in _NO_WORK]],
    )
    found: dict[str, Work] = {}
    for row in rows:
        told = [
            vehicle,
            *(str(row[name] or "") for name in ("done_on", "kind", "position", "position_to", "serial_in")),
        ]
        name = hashlib.sha256("|".join(told).encode()).hexdigest()[:6]
        positions = tuple(p for p in (row["position"], row["position_to"]) if p and p != "set")
        note = ", ".join(str(row[key]) for key in ("part_number", "serial_in", "note") if row[key])
        found.setdefault(name, Work(name, row["done_on"], row["kind"], positions, note))
    return list(found.values())


def returns_of(
    db: Database, vehicle: str, positions: tuple[str, ...], after: date, as_of: date, meter: MeterHistory | None
) -> list[tuple[date, float | None, str]]:
    """Return what brought a vehicle back after a day: (day, true distance, reason)."""
    told: dict[date, list[str]] = {}
    for day, reason, complaint in db.rows(
        "SELECT DISTINCT tested_on, lower(trim(reason)), trim(complaint) FROM test "
        "WHERE vehicle = ? AND tested_on > ? AND tested_on <= ? ORDER BY ALL",
        [vehicle, after, as_of],
    ):
        if reason in _BACK or complaint:
            why = _(reason if reason in _BACK else "complaint")
            words = f"{why}: {complaint}" if complaint else why
            if words not in told.setdefault(day, []):
                told[day].append(words)
    for day, kind, position, position_to in db.rows(
        "SELECT DISTINCT done_on, kind, position, position_to FROM work "
        "WHERE vehicle = ? AND done_on > ? AND done_on <= ? ORDER BY ALL",
        [vehicle, after, as_of],
    ):
        whole = not positions or kind == WorkKind.ENGINE_SWAP
        if kind == WorkKind.ROAD_FAILURE:
            told.setdefault(day, []).append(_("failed on the road"))
        elif kind in ON_PARTS and (whole or _touches(positions, position, position_to)):
            told.setdefault(day, []).append(_("{work} again", work=work_words(kind)))
    return [(day, distance_on(meter, day), "; ".join(words)) for day, words in sorted(told.items())]


def distance_on(meter: MeterHistory | None, day: date) -> float | None:
    """Return a vehicle's true distance on a day; None where its meter does not tell it."""
    found = float("nan") if meter is None else meter.distance.at(day)
    return float(found) if np.isfinite(found) else None


def touching(works: list[Work], position: str, after: date) -> date | None:
    """Return the day of the next work at a place after a day."""
    days: list[Any] = [
        work.day
        for work in works
        if work.day > after
        and work.kind in ON_PARTS
        and (not work.positions or position in work.positions)
        and (work.positions or position != "pump" or work.kind == WorkKind.ENGINE_SWAP)
    ]
    return min(days, default=None)


def _touches(positions: tuple[str, ...], position: str | None, position_to: str | None) -> bool:
    injectors = any(one != "pump" for one in positions)
    return position in positions or position_to in positions or (position in (None, "set") and injectors)

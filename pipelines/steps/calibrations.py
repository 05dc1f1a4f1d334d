"""When every rig was calibrated: from the rig register and from work that names the rig or its depot."""

from __future__ import annotations

from collections import defaultdict
from datetime import date

from wearlab.config import Settings
from wearlab.lives.odometer import day_number
from wearlab.records import WorkKind
from wearlab.store.database import Database


def calibrated_on(db: Database, settings: Settings, until: date) -> dict[str, list[int]]:
    """Return the days of calibration by rig, rising; work on a depot without a rig counts for the depot's rigs."""
    found: dict[str, set[int]] = defaultdict(set)
    homes: dict[str, list[str]] = defaultdict(list)
    for name, rig in settings.rigs.items():
        if rig.depot:
            homes[rig.depot].append(name)
    for name, depot, day in db.rows(
        "SELECT rig, depot, done_on FROM work WHERE kind = ? AND done_on <= ? "
        "UNION SELECT rig, NULL, calibrated_on FROM rig_register WHERE calibrated_on <= ? ORDER BY ALL",
        [str(WorkKind.CALIBRATION), until, until],
    ):
        for one in [name] if name else homes.get(depot or "", []):
            found[one].add(day_number(day))
    return {name: sorted(days) for name, days in found.items()}

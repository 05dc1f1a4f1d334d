"""Records of runs: what was computed, as of which day, from which facts and settings. Never changed, only added to."""

from __future__ import annotations

from datetime import UTC, date, datetime

from pipelines.steps.facts import facts_sha256
from pipelines.workspace import Workspace
from wearlab import __version__
from wearlab.store.database import Database


def new_run(db: Database, place: Workspace, as_of: date, step: str) -> int:
    """Begin a run and return its number. Call it inside a transaction."""
    run = int(db.value("SELECT nextval('run_ids')"))
    db.run(
        "INSERT INTO run VALUES (?, ?, ?, ?, ?, ?, ?)",
        [
            run,
            datetime.now(UTC).replace(tzinfo=None),
            as_of,
            step,
            place.settings_sha256,
            facts_sha256(db),
            __version__,
        ],
    )
    return run

"""What is known of every vehicle beside its tests: its next planned visit, when it leaves, and the states before."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from pipelines.steps.states_before import StatesBefore
from wearlab.store.database import Database
from wearlab.store.queries import vehicles


@dataclass(frozen=True, slots=True)
class Plans:
    """By vehicle; a vehicle without an entry has none. `before`: states of an earlier run, None where not asked."""

    next_visit: dict[str, date] = field(default_factory=dict)
    leaves_on: dict[str, date] = field(default_factory=dict)
    before: StatesBefore | None = None


def plans_of(db: Database, as_of: date, before: StatesBefore | None = None) -> Plans:
    """The plans of all vehicles as of a day; a visit planned for that day counts."""
    visits = db.rows(
        "SELECT vehicle, min(planned_on) FROM planned_visit WHERE planned_on >= ? GROUP BY vehicle", [as_of]
    )
    leaving = {row["vehicle"]: row["leaves_on"] for row in vehicles(db, as_of) if row["leaves_on"] is not None}
    return Plans(dict(visits), leaving, before)

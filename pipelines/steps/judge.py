"""One visit judged: the store's facts handed to the analysis, the verdicts kept with their limit versions."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from pipelines.steps.lives import fresh_lives
from pipelines.steps.rules import record_rules
from pipelines.steps.visit import family_facts, gather_visit, limits_in_force, test_dates
from pipelines.workspace import Workspace
from wearlab.config import Settings
from wearlab.errors import InputError
from wearlab.store.database import Database
from wearlab.store.queries import one_vehicle
from wearlab.study.judgement import Judgement, judge


def judge_vehicle(place: Workspace, text: str, on: date | None, as_of: date) -> Judgement:
    """Judge a vehicle's tests of one day (default: its last ones up to `as_of`).

    Raises
    ------
    UnknownName, InputError
        No such vehicle, or no test of it on that day.
    """
    with place.open() as db:
        fresh_lives(db, place.settings)
        versions = _versions(db, place.settings)
        vehicle = one_vehicle(db, text, as_of)
        day = on
        if day is None:
            days = test_dates(db, vehicle["vehicle"], as_of)
            if not days:
                raise InputError(f'{vehicle["vehicle"]} has no test up to {as_of}: load one with "wearlab load"')
            day = days[-1]
        return judge_visit(db, place.settings, versions, vehicle, day)


def judge_visit(
    db: Database,
    settings: Settings,
    versions: dict[tuple[str, date | None], int],
    vehicle: dict[str, Any],
    on: date,
    known: Sequence[dict[str, Any]] | None = None,
) -> Judgement:
    """Judge one visit with the limit rules in force on its day; `known` as in `gather_visit`."""
    facts = gather_visit(db, settings, vehicle["vehicle"], on, known)
    rules = limits_in_force(settings, versions, on)
    return judge(facts, rules, family_facts(settings, vehicle), settings.spread)


def _versions(db: Database, settings: Settings) -> dict[tuple[str, date | None], int]:
    with db.transaction():
        return record_rules(db, settings)

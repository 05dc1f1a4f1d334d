"""Road failures of every family and kind of part: how often they come, and what the forecasts had said before.

Whether a part was past its limit is judged by the limits in force today, whatever they were then: the rates are to
tell what today's limits are worth. A failure whose part nobody wrote down counts for no part.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Literal, NamedTuple

from pipelines.steps.failure_exposure import DrivenParts, driven_parts
from pipelines.steps.failure_margins import Split
from pipelines.steps.lives import MeterHistory
from pipelines.steps.part_lives import INJECTOR
from wearlab.config import Settings
from wearlab.plan.costs import failure_cost
from wearlab.plan.road_failures import (
    FailureRates,
    Foretold,
    UsedRates,
    failure_rates,
    foretold,
    stated_or_learned,
)
from wearlab.plan_settings import FamilyFailures
from wearlab.records import PUMP, SET, State, WorkKind
from wearlab.store.database import Database
from wearlab.store.queries import vehicles

#: of several states of one part the first of these counts: it would have called for work the loudest
_LOUDEST = (
    State.PAST_LIMIT, State.BOOK, State.WATCH, State.TEST_AGAIN, State.STEADY, State.NO_LIMIT, State.NO_ANSWER
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class KindFailures:
    """Road failures of one family and kind of part, and the kilometres of parts that they came in.

    `used` are the rates that a plan counts with, `learned` those of the fleet's own records (None: no failure, and
    nothing driven with a known level), `cost` that of one road failure; `missing_cost` names figures of it that are
    not given. `foretold`: what the newest run as of an earlier day had said; a failure before any run is not tested.
    `km_below`, `km_beyond`: kilometres of all such parts short of their limit, and past it.
    """

    family: str
    kind: Literal["injector", "pump"]
    used: UsedRates
    learned: FailureRates | None
    cost: float | None
    missing_cost: tuple[str, ...]
    foretold: Foretold
    km_below: float
    km_beyond: float


class RoadEvent(NamedTuple):
    """A recorded road failure; `position` None: nobody wrote down what part it was."""

    vehicle: str
    day: date
    odometer_km: float | None
    position: str | None


def failure_facts(
    db: Database, settings: Settings, run: int, as_of: date, meters: Mapping[str, MeterHistory]
) -> tuple[KindFailures, ...]:
    """Return the road failures up to a day of every family, injectors and pump, with the levels of a run of learning.

    `meters` are the histories of all vehicles. The derived tables have to be fresh, as they are after a run.
    """
    driven = driven_parts(db, settings, run, as_of, meters)
    past: dict[tuple[str, str], list[bool | None]] = defaultdict(list)
    states: dict[tuple[str, str], list[State | None]] = defaultdict(list)
    for event in road_events(db, as_of):
        if event.position is None:
            continue
        key = driven.families.get(event.vehicle, ""), PUMP if event.position == PUMP else INJECTOR
        past[key].append(_past(event, driven, meters))
        states[key].append(_said(db, event))
    families = sorted({*settings.families, *driven.families.values()} - {""})
    return tuple(
        _kind(settings, family, kind, past[family, kind], states[family, kind], driven.km.get((family, kind)))
        for family in families
        for kind in ("injector", "pump")
    )


def of_unknown_cause(db: Database, as_of: date) -> dict[str, int]:
    """Count by family the road failures up to a day whose part nobody wrote down; "" stands for no family."""
    families = {row["vehicle"]: str(row["family"] or "") for row in vehicles(db, as_of)}
    return dict(Counter(families.get(one.vehicle, "") for one in road_events(db, as_of) if one.position is None))


def road_events(db: Database, as_of: date) -> list[RoadEvent]:
    """Return the road failures up to a day; what several sheets say of one vehicle and day is one failure a part.

    A line without the part adds none to a day on which another line names one.
    """
    rows = db.rows(
        """
        WITH told AS (
            SELECT vehicle, done_on, CASE WHEN position IN (?, ?) OR regexp_full_match(position, '[0-9]+')
                THEN position END AS position, min(odometer_km) AS odometer_km
            FROM work WHERE kind = ? AND vehicle IS NOT NULL AND done_on <= ? GROUP BY ALL
        )
        SELECT vehicle, done_on, odometer_km, position FROM told
        QUALIFY position IS NOT NULL OR count(position) OVER (PARTITION BY vehicle, done_on) = 0
        ORDER BY done_on, vehicle, position
        """,
        [PUMP, SET, str(WorkKind.ROAD_FAILURE), as_of],
    )
    return [RoadEvent(*row) for row in rows]


def _past(event: RoadEvent, driven: DrivenParts, meters: Mapping[str, MeterHistory]) -> bool | None:
    seated = driven.seated(event.vehicle, event.position or "", event.day)
    meter = meters.get(event.vehicle)
    return driven.past(seated, event.day, None if meter is None else meter.of(event.day, event.odometer_km))


def _said(db: Database, event: RoadEvent) -> State | None:
    """The state of the part in the newest run as of an earlier day; None where there is no run or it told none.

    The part is looked for where it sat on the day of that run; one that was fitted later was not spoken of.
    """
    rows = db.rows(
        """
        WITH newest AS (
            SELECT run_id, as_of FROM run WHERE step = 'learn' AND as_of < ? ORDER BY as_of DESC, run_id DESC LIMIT 1
        )
        SELECT DISTINCT f.state FROM newest
        JOIN fitment failed ON failed.vehicle = ? AND failed.from_date <= ?
            AND (failed.to_date IS NULL OR failed.to_date >= ?)
            AND (failed.position = ? OR (? = ? AND failed.position NOT IN (?, ?)))
        JOIN fitment sat ON sat.part = failed.part AND sat.life = failed.life AND sat.from_date <= newest.as_of
            AND (sat.to_date IS NULL OR sat.to_date > newest.as_of)
        JOIN forecast f ON f.run_id = newest.run_id AND f.vehicle = sat.vehicle AND f.position = sat.position
        """,
        [event.day, event.vehicle, event.day, event.day, event.position, event.position, SET, PUMP, SET],
    )
    found = {State(row[0]) for row in rows}
    return next((state for state in _LOUDEST if state in found), None)


def _kind(
    settings: Settings,
    family: str,
    kind: Literal["injector", "pump"],
    past: list[bool | None],
    states: list[State | None],
    km: Split | None,
) -> KindFailures:
    stated = settings.failures.get(family, FamilyFailures())
    entered = stated.injector if kind == "injector" else stated.pump
    below, beyond = km or Split(0.0, 0.0)
    learned = failure_rates(past, below, beyond) if past or below + beyond > 0 else None
    cost, missing = failure_cost(entered, family, kind)
    return KindFailures(
        family=family,
        kind=kind,
        used=stated_or_learned(entered, learned),
        learned=learned,
        cost=cost,
        missing_cost=missing,
        foretold=foretold(states),
        km_below=below,
        km_beyond=beyond,
    )

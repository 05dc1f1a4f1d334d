"""What every vehicle's view needs of the fleet, gathered once from the store."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from datetime import date
from typing import Any

from pipelines.steps.fleet_today import vehicle_usage
from pipelines.steps.learn import forecasts_of, fresh_run
from pipelines.steps.lives import fresh_lives, meter_histories
from pipelines.steps.rules import record_rules
from pipelines.steps.series import LifeSeries, life_series
from pipelines.steps.vehicle_view import FleetFacts, vehicle_view
from pipelines.steps.wear_told import wear_told
from pipelines.workspace import Workspace
from wearlab.pack.view import VehicleView
from wearlab.store.database import Database
from wearlab.store.queries import one_vehicle, vehicles


def gather_fleet(
    db: Database,
    place: Workspace,
    as_of: date,
    vehicle: str | None = None,
    *,
    say: Callable[[str], None] | None = None,
) -> FleetFacts:
    """Learn if that is stale, then gather; `vehicle` narrows it to one."""
    fresh_lives(db, place.settings)
    run = fresh_run(db, place, as_of, say=say)
    with db.transaction():
        versions = record_rules(db, place.settings)
    forecasts: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in forecasts_of(db, run):
        if vehicle in (None, row["vehicle"]):
            forecasts[row["vehicle"]].append(row)
    series: dict[str, list[LifeSeries]] = defaultdict(list)
    for item in life_series(db, as_of, vehicle):
        series[item.vehicle].append(item)
    # paces are pooled over depot and family: one vehicle's is that of the forecasts only beside all others
    meters = meter_histories(db)
    return FleetFacts(
        settings=place.settings,
        versions=versions,
        meters=meters,
        usage=vehicle_usage(meters, as_of, vehicles(db, as_of)),
        forecasts=dict(forecasts),
        series=dict(series),
        wear=wear_told(db, run, vehicle),
        run=run,
        as_of=as_of,
    )


def tell(place: Workspace, text: str, as_of: date, *, say: Callable[[str], None] | None = None) -> VehicleView:
    """One vehicle's whole story.

    Raises
    ------
    UnknownName
        No sheet names such a vehicle.
    """
    with place.open() as db:
        row = one_vehicle(db, text, as_of)
        return vehicle_view(db, gather_fleet(db, place, as_of, row["vehicle"], say=say), row)

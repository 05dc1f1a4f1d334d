"""Road failures, drawn from how far each worn part ran beyond its limit and from what no test foretells."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from pipelines.demo import scenario as sc
from pipelines.demo.columns import EVENTS
from pipelines.demo.fleet import Fleet
from pipelines.demo.parts import Life, first_crossing
from pipelines.demo.sheet_text import csv_bytes
from pipelines.demo.vehicles import Vehicle, shown_km

_WORN = "would not start when hot and was towed in - started again when cold"
_OTHER = ("relay of the fuel pump", "cable chafed through", "fuel filter waxed up")
#: readings that a worn part fails by
_MEASURES = {True: ("pump_peak", "pump_rise"), False: ("return_flow",)}


def road_failures_bytes(fleet: Fleet) -> bytes:
    """The road failures on sheets of the workshop diary's form, ordered by day.

    One stream a vehicle. Beyond its limit a part fails at a constant chance per kilometre, once at most; everything
    else fails at a constant chance per kilometre of the vehicle, whatever its parts are like.
    """
    rows: list[dict[str, str]] = []
    for v in fleet.vehicles:
        rng = np.random.default_rng([fleet.seed, 13, v.index])
        rows += _beyond(rng, fleet, v)
        rows += _whatever(rng, fleet, v)
    rows.sort(key=lambda row: (row["date"], row["vehicle"]))
    return csv_bytes([EVENTS.headers, *([row.get(h, "") for h in EVENTS.headers] for row in rows)], ",", "utf-8", "\n")


def _beyond(rng: np.random.Generator, fleet: Fleet, vehicle: Vehicle) -> list[dict[str, str]]:
    rows = []
    for life in (life for life in fleet.lives if life.vehicle is vehicle):
        run = float(rng.exponential(10_000.0 / sc.ROAD_BEYOND))
        since = _passed(life)
        if since is None:
            continue
        day = _day_at(vehicle, since, vehicle.track.at(since) + run)
        if day is not None and (life.removed is None or day < life.removed):
            rows.append(_row(fleet, vehicle, day, life.position(day), _WORN))
    return rows


def _whatever(rng: np.random.Generator, fleet: Fleet, vehicle: Vehicle) -> list[dict[str, str]]:
    run = float(rng.exponential(10_000.0 / sc.ROAD_BACKGROUND))
    day = _day_at(vehicle, sc.START, vehicle.track.at(sc.START) + run)
    return [] if day is None else [_row(fleet, vehicle, day, "", _OTHER[day.toordinal() % len(_OTHER)])]


def _passed(life: Life) -> date | None:
    """The day on which the true level first passed a limit, while somebody was counting; None: not by the as-of day."""
    found = [crossing for measure in _MEASURES[life.pump] if (crossing := first_crossing(life, measure)) is not None]
    day = min((day for day, _ in found), default=None)
    return day if day is not None and day < sc.AS_OF else None


def _day_at(vehicle: Vehicle, first: date, km: float) -> date | None:
    """The day on which a vehicle has run so many true kilometres; None: not by the as-of day."""
    day = first
    while vehicle.track.at(day) < km:
        day += timedelta(days=1)
        if day > sc.AS_OF:
            return None
    return day


def _row(fleet: Fleet, vehicle: Vehicle, day: date, position: str, remark: str) -> dict[str, str]:
    meter = fleet.planted.meter if vehicle.key == fleet.planted.meter_vehicle else None
    return {
        "date": day.isoformat(),
        "vehicle": vehicle.key,
        "km": str(shown_km(vehicle, day, meter)),
        "work": "broke down on the road",
        "position": position,
        "remark": remark,
    }

"""The office's sheets: vehicle register, workshop diary, fuel-card log."""

from __future__ import annotations

from datetime import date

import numpy as np

from pipelines.demo import scenario as sc
from pipelines.demo.columns import EVENTS, FUEL_CARDS, REGISTER
from pipelines.demo.fleet import Fleet
from pipelines.demo.sheet_text import csv_bytes
from pipelines.demo.vehicles import MeterChange, Vehicle, shown_km
from wearlab.records import PUMP

_OLDEST_LEAVE = 4


def _meter(fleet: Fleet, vehicle: Vehicle) -> MeterChange | None:
    return fleet.planted.meter if vehicle.key == fleet.planted.meter_vehicle else None


def register_bytes(fleet: Fleet) -> bytes:
    """The vehicle register."""
    leaving = {v.key for v in sorted(fleet.vehicles, key=lambda v: v.in_service)[:_OLDEST_LEAVE]}
    rows = [REGISTER.headers]
    for v in fleet.vehicles:
        rows.append(
            [
                v.key, v.plate, v.family.name, str(v.family.cylinders), v.depot, v.duty, "depot tank",
                v.in_service.isoformat(), "0", "yes", "2027-06-30" if v.key in leaving else "",
            ]
        )  # fmt: skip
    return csv_bytes(rows, ",", "utf-8", "\n")


def fuel_cards_bytes(fleet: Fleet) -> bytes:
    """The fuel-card log, ordered by day."""
    found: list[tuple[date, int, list[str]]] = []
    for v in fleet.vehicles:
        rng = np.random.default_rng([fleet.seed, 9, v.index])
        tank = 75.0 if v.family is sc.VAN else 320.0
        for day in v.fills:
            litres = f"{tank * float(rng.uniform(0.5, 0.97)):.1f}".replace(".", ",")
            cells = [
                v.key,
                day.strftime("%d.%m.%Y"),
                str(shown_km(v, day, _meter(fleet, v))),
                litres,
                v.depot,
            ]
            found.append((day, v.index, cells))
    return csv_bytes([FUEL_CARDS.headers, *(cells for *_, cells in sorted(found))], ";", "utf-8", "\n")


def events_bytes(fleet: Fleet) -> bytes:
    """The workshop diary, ordered by day. A contaminated delivery looks like any other there."""
    rows = _replacements(fleet)
    planted = fleet.planted
    swapped = fleet.vehicle(planted.swap_vehicle)
    rows.append(
        {
            "date": planted.swap_day.isoformat(),
            "vehicle": swapped.key,
            "km": str(shown_km(swapped, planted.swap_day, None)),
            "work": "injectors exchanged",
            "position": fleet.swapped[0],
            "to": fleet.swapped[1],
            "remark": "to see whether the high one moves along",
        }
    )
    meter = planted.meter
    rows.append(
        {
            "date": meter.day.isoformat(),
            "vehicle": planted.meter_vehicle,
            "work": "odometer replaced",
            "old meter km": str(meter.before_km),
            "new meter km": str(meter.after_km),
        }
    )
    for depot, rig in sc.RIGS.items():
        for year in range(sc.START.year + 1, sc.AS_OF.year + 1):
            if depot == sc.DRIFTING_DEPOT and year == sc.DRIFT_UNTIL.year - 1:
                continue  # the one that was missed
            day = date(year, sc.DRIFT_UNTIL.month, sc.DRIFT_UNTIL.day)
            rows.append({"date": day.isoformat(), "work": "rig calibrated", "depot": depot, "rig": rig.name})
    for depot, days in fleet.deliveries.items():
        rows += [{"date": day.isoformat(), "work": "fuel delivered", "depot": depot} for day in days]
    rows.sort(key=lambda row: (row["date"], row.get("vehicle", ""), row.get("depot", ""), row["work"]))
    return csv_bytes([EVENTS.headers, *([row.get(h, "") for h in EVENTS.headers] for row in rows)], ",", "utf-8", "\n")


def _replacements(fleet: Fleet) -> list[dict[str, str]]:
    rows = []
    for (key, position), (day, origin) in fleet.planted.replaced.items():
        vehicle = fleet.vehicle(key)
        lives = [life for life in fleet.lives if life.vehicle is vehicle and life.places[0][1] == position]
        rows.append(
            {
                "date": day.isoformat(),
                "vehicle": key,
                "km": str(shown_km(vehicle, day, _meter(fleet, vehicle))),
                "work": "pump replaced" if position == PUMP else "injector replaced",
                "position": position,
                "part number": sc.PART_NUMBERS[vehicle.family.letter, position == PUMP],
                "serial out": lives[0].serial,
                "serial in": lives[1].serial,
                "part was": origin,
            }
        )
    return rows

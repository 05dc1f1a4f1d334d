"""What the store knows that might go with wear, one value a reading.

Duty, depot and fuel supply are what the register says on the day of the test; how a part began is its own; the rest is
one figure a vehicle. Technicians and drivers are read nowhere here: people are no candidate.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from datetime import date

import numpy as np

from pipelines.steps.group_rows import Floats, GroupRows, Ints, said_on
from pipelines.steps.lives import MeterHistory
from wearlab.language import _, localised, msg
from wearlab.records import Start, WorkKind
from wearlab.store.database import Database
from wearlab.study.candidates import Candidate

#: columns of the register that are asked about, in our words
_SAID = {"duty": msg("duty"), "depot": msg("depot"), "fuel_supply": msg("fuel supply")}

#: work whose distance from one time to the next is asked about
_INTERVALS = {WorkKind.OIL_CHANGE: msg("oil interval"), WorkKind.FILTER_CHANGE: msg("fuel filter interval")}

#: a diesel road vehicle burns between these (l/100 km); less: not every fill was written down (common knowledge)
_LITRES = (4.0, 90.0)

#: km an engine hour of vehicles that are driven at all, over months
_SPEED = (3.0, 110.0)

#: figures a vehicle rest on this much driving at least
_FEWEST_KM = 5_000.0


def candidates(
    db: Database, rows: GroupRows, fitted: Ints, meters: Mapping[str, MeterHistory], until: date
) -> tuple[Candidate, ...]:
    """All candidates of a group, each with one value for every reading at the places `fitted`."""
    made = [
        Candidate(name, said_on(db, column, rows.vehicles, rows.vehicle, rows.day, until)[fitted])
        for column, name in _SAID.items()
    ]
    made.append(Candidate(msg("origin of the part"), _origins(db, rows)[rows.life[fitted]]))
    used, missing = fuel_used(db, meters, until)
    figures: list[tuple[str, str, dict[str, float], str]] = [
        (msg("fuel used"), "l/100 km", used, missing),
        (msg("pace"), msg("km an engine hour"), pace_of_engines(db, meters, until), ""),
        *((name, "km", interval(db, meters, kind, until), "") for kind, name in _INTERVALS.items()),
    ]
    for name, unit, found, why in figures:
        each = np.array([found.get(str(vehicle), np.nan) for vehicle in rows.vehicles], dtype=np.float64)
        made.append(Candidate(name, each[rows.vehicle[fitted]], unit, why))
    return tuple(made)


def fuel_used(db: Database, meters: Mapping[str, MeterHistory], until: date) -> tuple[dict[str, float], str]:
    """Litres a hundred km of every vehicle whose fills seem to be written down, the first one left out.

    Where more than a quarter of the vehicles burn less than an engine can, the log holds some fills only, and nobody's
    figure is believed; the second value says so.
    """

    def figure(km: Floats, litres: Floats) -> float:
        return 100.0 * float(litres[1:].sum()) / float(km[-1] - km[0])

    found = _over_distance(db, meters, "litres", until, figure)
    low, high = _LITRES
    if sum(value < low for value in found.values()) > len(found) / 4:
        return {}, _(
            "the log seems to hold some fills only: it comes to less than {low} l/100 km for many vehicles",
            low=localised(f"{low:g}"),
        )
    return {vehicle: value for vehicle, value in found.items() if low <= value <= high}, ""


def pace_of_engines(db: Database, meters: Mapping[str, MeterHistory], until: date) -> dict[str, float]:
    """Kilometres an engine hour: low on slow rounds and where the engine idles much."""

    def figure(km: Floats, hours: Floats) -> float:
        return float(km[-1] - km[0]) / float(hours[-1] - hours[0]) if hours[-1] > hours[0] else float("nan")

    low, high = _SPEED
    found = _over_distance(db, meters, "engine_hours", until, figure)
    return {vehicle: value for vehicle, value in found.items() if low <= value <= high}


def interval(db: Database, meters: Mapping[str, MeterHistory], kind: WorkKind, until: date) -> dict[str, float]:
    """Mean true distance from one such work to the next, of vehicles that had it twice or more."""
    days: dict[str, list[date]] = defaultdict(list)
    for vehicle, day in db.rows(
        "SELECT DISTINCT vehicle, done_on FROM work WHERE kind = ? AND done_on <= ? AND vehicle IS NOT NULL "
        "ORDER BY ALL",
        [str(kind), until],
    ):
        days[vehicle].append(day)
    found = {}
    for vehicle, done in days.items():
        if vehicle not in meters:
            continue
        km = np.array([meters[vehicle].distance.at(day) for day in done])
        # a change at a day without a distance still ends one interval and begins another
        placed = np.flatnonzero(np.isfinite(km))
        if placed.size >= 2 and km[placed[-1]] - km[placed[0]] >= _FEWEST_KM:
            found[vehicle] = float((km[placed[-1]] - km[placed[0]]) / (placed[-1] - placed[0]))
    return found


def _over_distance(
    db: Database,
    meters: Mapping[str, MeterHistory],
    column: str,
    until: date,
    figure: Callable[[Floats, Floats], float],
) -> dict[str, float]:
    """A figure of true distance and a column of the odometer log, of every vehicle that drove enough between."""
    if column not in ("litres", "engine_hours"):
        raise ValueError(f"the odometer log has no column {column}")
    logs: dict[str, list[tuple[date, float | None, float]]] = defaultdict(list)
    for vehicle, day, km, value in db.rows(
        f"SELECT vehicle, read_on, odometer_km, {column} FROM odometer_log "  # noqa: S608  (one of the two above)
        f"WHERE {column} > 0 AND read_on <= ? ORDER BY vehicle, read_on, odometer_km",
        [until],
    ):
        logs[vehicle].append((day, km, float(value)))
    found = {}
    for vehicle, log in logs.items():
        meter = meters.get(vehicle)
        if meter is None:
            continue
        told = [meter.of(day, km) for day, km, _ in log]
        distance = np.array([meter.distance.at(log[k][0]) if one is None else one for k, one in enumerate(told)])
        values = np.array([value for _, _, value in log])
        good = np.isfinite(distance)
        if good.sum() >= 2 and distance[good][-1] - distance[good][0] >= _FEWEST_KM:
            value = figure(distance[good], values[good])
            if np.isfinite(value):
                found[vehicle] = value
    return found


def _origins(db: Database, rows: GroupRows) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    """How each life of the group began, (P,): new, rebuilt, used; "" where its first test was the first seen."""
    known = {
        (part, life): start
        for part, life, start in db.rows(
            "SELECT part, life, min(start) FROM fitment WHERE start <> ? GROUP BY ALL", [str(Start.FIRST_TEST)]
        )
    }
    lives = rows.lives
    return np.array(
        [known.get((part, int(life)), "") for part, life in zip(lives.part, lives.life, strict=True)], dtype=object
    )

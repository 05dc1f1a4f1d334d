"""One visit of one vehicle, gathered from the store for the judgement."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from typing import Any

from pipelines.steps.rules import rules_in_force
from wearlab.config import Settings
from wearlab.errors import InputError
from wearlab.records import Measure, Start
from wearlab.store.database import Database
from wearlab.store.queries import readings as reading_rows
from wearlab.store.queries import tests as test_rows
from wearlab.study.facts import (
    AsTested,
    Baseline,
    BaselineKey,
    FamilyFacts,
    LimitInForce,
    MeasuredSet,
    SetReading,
    VisitFacts,
)

#: condition columns of a test
AS_RECORDED = (
    "measure", "protocol", "driven", "duration_s", "rail_bar", "speed_rpm", "fuel_temp_c", "temp_kind",
    "injectors_connected", "back_pressure_bar", "metering_valve", "volume_ml", "rise_to_bar", "battery_v",
    "supply_bar", "supply_note", "rig", "technician", "note",
)  # fmt: skip

#: a part fitted this many days after its oldest neighbour is younger (common practice, no source)
_YOUNGER_DAYS = 183

#: parts of a protocol that need not be written on every sheet that names it
_FROM_PROTOCOL = ("driven", "injectors_connected", "back_pressure_bar", "metering_valve", "volume_ml", "rise_to_bar")


def test_dates(db: Database, vehicle: str, until: date) -> list[date]:
    """Days on which a vehicle was tested, up to a date, in order."""
    return [
        row[0]
        for row in db.rows(
            "SELECT DISTINCT tested_on FROM test WHERE vehicle = ? AND tested_on <= ? ORDER BY 1",
            [vehicle, until],
        )
    ]


def last_tests(db: Database, until: date) -> dict[str, date]:
    """The day of the last test up to a date of every vehicle that has one."""
    return dict(db.rows("SELECT vehicle, max(tested_on) FROM test WHERE tested_on <= ? GROUP BY vehicle", [until]))


def gather_visit(
    db: Database, settings: Settings, vehicle: str, on: date, known: Sequence[dict[str, Any]] | None = None
) -> VisitFacts:
    """All tests of one vehicle on one day, with what the visit before and the settings add.

    `known` are the vehicle's tests up to that day or a later one, where they are at hand.

    Raises
    ------
    InputError
        The vehicle was not tested that day; the sentence names the nearest test.
    """
    days = test_dates(db, vehicle, date.max)
    if on not in days:
        if not days:
            raise InputError(f'{vehicle} has no test yet: load one with "wearlab load"')
        nearest = min(days, key=lambda day: abs((day - on).days))
        raise InputError(f"{vehicle} was not tested on {on}: the nearest test is of {nearest}")
    tests = [row for row in (test_rows(db, vehicle, on) if known is None else known) if row["tested_on"] == on]
    found = reading_rows(db, vehicle=vehicle, since=on, until=on)
    before = [day for day in days if day < on]
    last = before[-1] if before else None
    renewed = _renewed(db, vehicle, last, on)
    numbers = _part_numbers(db, vehicle)
    younger = _younger(db, vehicle, on)
    sets = tuple(
        MeasuredSet(
            conditions=_conditions(group, settings),
            readings=tuple(
                _reading(row, renewed, numbers, younger)
                for row in found
                if row["test_id"] in {test["test_id"] for test in group}
            ),
            test_id=group[0]["test_id"],
        )
        for group in repeats(tests)
    )
    return VisitFacts(
        vehicle=vehicle,
        tested_on=on,
        tests=sets,
        odometer_km=_first(tests, "odometer_km"),
        engine_hours=_first(tests, "engine_hours"),
        last_tested_on=last,
        last_odometer_km=None
        if last is None
        else db.value("SELECT max(odometer_km) FROM test WHERE vehicle = ? AND tested_on = ?", [vehicle, last]),
        reason=_first(tests, "reason"),
        complaint=_first(tests, "complaint"),
        fault_codes=_first(tests, "fault_codes"),
        baselines=_baselines(db, vehicle, on),
    )


def family_facts(settings: Settings, vehicle: dict[str, Any]) -> FamilyFacts:
    """What the register and the settings say of a vehicle's engine."""
    family = settings.families.get(vehicle["family"] or "")
    cylinders = vehicle["cylinders"]
    return FamilyFacts(
        family=vehicle["family"],
        cylinders=cylinders if cylinders is not None else (family.cylinders if family else None),
        injector=family.injector if family else None,
        banks=family.banks if family else (),
    )


def limits_in_force(settings: Settings, versions: dict[tuple[str, date | None], int], on: date) -> list[LimitInForce]:
    """The limit rules that were in force on a day, with their versions."""
    return [LimitInForce(rule, versions[rule.name, rule.valid_from]) for rule in rules_in_force(settings, on)]


def repeats(tests: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """Group the rows of one day that measure the same again: same measure, protocol, rig and near conditions.

    Rail pressure within 10 % and fuel temperature within 5 K count as the same (common practice, no source); a
    test under other conditions stands alone.
    """
    groups: list[list[dict[str, Any]]] = []
    for test in tests:
        for group in groups:
            if _same(group[0], test):
                group.append(test)
                break
        else:
            groups.append([test])
    return groups


def _same(one: dict[str, Any], other: dict[str, Any]) -> bool:
    if any(one[name] != other[name] for name in ("measure", "protocol", "rig", "duration_s", "volume_ml")):
        return False
    rail = _apart(one["rail_bar"], other["rail_bar"])
    temp = _apart(one["fuel_temp_c"], other["fuel_temp_c"])
    return rail <= 0.1 * (one["rail_bar"] or 0.0) and temp <= 5.0


def _apart(one: float | None, other: float | None) -> float:
    """Difference of two conditions; nothing between two that are both open, everything where only one is."""
    if one is None or other is None:
        return 0.0 if one is other else math.inf
    return abs(one - other)


def _conditions(group: list[dict[str, Any]], settings: Settings) -> AsTested:
    """Conditions of a test and its repeats: numbers as means, what the sheet left open as its protocol says."""
    test = {name: _mean_or_first([row[name] for row in group]) for name in AS_RECORDED}
    test["note"] = "; ".join(dict.fromkeys(row["note"] for row in group if row["note"])) or None
    protocol = settings.protocols.get(test["protocol"])
    rig = settings.rigs.get(test["rig"] or "")
    for name in _FROM_PROTOCOL:
        if test[name] is None and protocol is not None:
            test[name] = getattr(protocol, name)
    return AsTested(
        **test,
        set_point_bar=protocol.rail_bar if protocol else None,
        limiter_bar=rig.limiter_bar if rig else None,
    )


def _mean_or_first(values: list[Any]) -> Any:
    told = [value for value in values if value is not None]
    if told and all(isinstance(value, float) for value in told):
        return sum(told) / len(told)
    return told[0] if told else None


def _younger(db: Database, vehicle: str, on: date) -> dict[str, date]:
    """Injectors fitted new or rebuilt at least half a year after the oldest one of the set."""
    rows = db.rows(
        "SELECT position, from_date, start FROM fitment WHERE vehicle = ? AND from_date <= ? "
        "AND (to_date IS NULL OR to_date > ?) AND position <> 'pump'",
        [vehicle, on, on],
    )
    oldest = min((fitted for _, fitted, _ in rows), default=on)
    return {
        position: fitted
        for position, fitted, start in rows
        if start in (Start.NEW, Start.REBUILT) and (fitted - oldest).days >= _YOUNGER_DAYS
    }


def _reading(row: dict[str, Any], renewed: set[str], numbers: dict[str, str], younger: dict[str, date]) -> SetReading:
    return SetReading(
        position=row["position"],
        value=row["value"],
        unit=row["unit"],
        level=row["level"],
        bound=row["bound"],
        resolution=row["resolution"],
        repeat=row["repeat"],
        quality=row["quality"],
        part=row["part"],
        part_number=numbers.get(row["part"]),
        channel=row["channel"],
        just_replaced=row["position"] in renewed,
        younger_since=younger.get(row["position"]),
    )


def _renewed(db: Database, vehicle: str, last: date | None, on: date) -> set[str]:
    rows = db.rows(
        "SELECT DISTINCT position FROM fitment WHERE vehicle = ? AND from_date <= ? AND from_date >= ? "
        "AND start <> 'first test'",
        [vehicle, on, last or on],
    )
    return {row[0] for row in rows}


def _part_numbers(db: Database, vehicle: str) -> dict[str, str]:
    return dict(
        db.rows(
            "SELECT part, any_value(part_number) FROM fitment WHERE vehicle = ? AND part_number IS NOT NULL "
            "GROUP BY part",
            [vehicle],
        )
    )


def _first(tests: list[dict[str, Any]], name: str) -> Any:
    return next((test[name] for test in tests if test[name] is not None), None)


def _baselines(db: Database, vehicle: str, on: date) -> dict[BaselineKey, Baseline]:
    """The first comparable readings of every life that was tested on a day, wherever its part was then."""
    now = db.rows(
        "SELECT DISTINCT measure, protocol, part, life, position FROM comparable WHERE vehicle = ? AND tested_on = ?",
        [vehicle, on],
    )
    parts = sorted({str(part) for _measure, _protocol, part, _life, _position in now})
    if not parts:
        return {}
    # named one by one, so that nothing else of the store is read
    of_parts = f"part IN ({', '.join('?' * len(parts))})"
    hosts = [row[0] for row in db.rows(f"SELECT DISTINCT vehicle FROM fitment WHERE {of_parts}", parts)]  # noqa: S608
    past = db.rows(
        f"""
        SELECT measure, protocol, part, life, tested_on, sum(level), any_value(bound), max(resolution), count(*)
        FROM comparable WHERE vehicle IN ({", ".join("?" * len(hosts))}) AND tested_on < ? AND {of_parts} GROUP BY ALL
        """,  # noqa: S608
        [*hosts, on, *parts],
    )
    days: dict[tuple[Any, ...], dict[date, tuple[Any, ...]]] = {}
    for measure, protocol, part, life, day, *figures in past:
        days.setdefault((measure, protocol, part, life), {})[day] = tuple(figures)
    found: dict[BaselineKey, list[tuple[date, tuple[Any, ...]]]] = {}
    for *of, position in now:
        if tuple(of) in days and Measure(of[0]) is not Measure.RIG_CHECK:
            found.setdefault((of[0], of[1], position), []).append(min(days[tuple(of)].items()))
    return {key: _baseline(lives) for key, lives in found.items()}


def _baseline(lives: list[tuple[date, tuple[Any, ...]]]) -> Baseline:
    """Of one position: the first day, and what was read on it, of one life or of several that stand there at once."""
    day = min(first for first, _figures in lives)
    figures = [one for first, one in lives if first == day]
    repeats = sum(int(one[3]) for one in figures)
    resolutions = [one[2] for one in figures if one[2] is not None]
    return Baseline(
        sum(float(one[0]) for one in figures) / repeats,
        day,
        figures[0][1],
        max(resolutions, default=None),
        repeats,
    )

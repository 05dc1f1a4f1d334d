"""One partition's tables and what they are made of: readings of the fit, tests, parts, vehicles and states before."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import fields
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from pipelines.steps.fleet_today import FleetToday, Versions
from pipelines.steps.group_reference import judging
from pipelines.steps.group_rows import Flags, Floats, GroupLives, GroupRows, Ints
from pipelines.steps.lives import MeterHistory
from pipelines.steps.plans import Plans
from pipelines.steps.rules import rules_in_force
from pipelines.steps.states_before import StatesBefore, keyed
from pipelines.steps.wear_data import GroupData
from wearlab.config import Settings
from wearlab.lives.odometer import Distance
from wearlab.lives.outlook import Outlook
from wearlab.lives.usage import Usage
from wearlab.records import NoAnswer

Table = Mapping[str, Any]

_CONDITION = "condition "
_OUTLOOK = tuple(field.name for field in fields(Outlook))
_USAGE = ("km_per_day", "km_per_day_low", "km_per_day_high", "distance_now_km", "last_distance_km")
#: fields of GroupRows with one entry a reading
_OF_READING = (
    "test_id", "position", "repeat", "day", "level", "bound", "resolution", "distance_km", "exposure_km",
    "gathered_km", "unknown_start", "cleaned", "odometer_km", "temp_kind", "supply_seen", "after_repair", "rig",
)  # fmt: skip
_WORDS = ("test_id", "position", "temp_kind", "rig")


def test_table(group: GroupData, rows: Ints) -> dict[str, Any]:
    """The group's readings at places `rows`, rising, with what kept them out of the fit."""
    own = group.rows
    fitted = np.zeros(len(own), dtype=np.bool_)
    fitted[group.fitted] = True
    flags = {"fitted": fitted, "outside": group.outside, "unplaced": group.unplaced, "unsupplied": group.unsupplied}
    return (
        {"vehicle": own.vehicle[rows], "life": own.life[rows]}
        | {name: getattr(own, name)[rows] for name in _OF_READING}
        | {_CONDITION + name: values[rows] for name, values in own.conditions.items()}
        | {name: values[rows] for name, values in flags.items()}
    )


def part_table(group: GroupData, life: Ints) -> dict[str, Any]:
    """The lives `life`, rising, of a group; `code` is their number in it."""
    lives = group.lives
    told = {name: getattr(lives, name)[life] for name in ("part", "position", "seat", "seated", "part_number")}
    return told | {
        "code": life,
        "number": lives.life[life],
        "vehicle": lives.vehicle[life],
        "family": group.family[life],
        "reference": group.reference[life],
    }


def vehicle_table(names: list[str], code: Ints, fleet: FleetToday) -> dict[str, Any]:
    """Pace, meter and plans of vehicles; `code` is their number in the group."""
    paces = [fleet.pace(name) for name in names]
    known = [pace if isinstance(pace, Usage) else None for pace in paces]
    outlooks = [None if pace is None else pace.outlook for pace in known]
    repairs: dict[str, dict[str, str]] = {}
    for (name, seat), words in ({} if fleet.plans.before is None else fleet.plans.before.repairs).items():
        repairs.setdefault(name, {})["" if seat is None else seat] = words
    nan = float("nan")
    return (
        {"code": code, "vehicle": _words(names)}
        | {name: np.array([nan if one is None else getattr(one, name) for one in known]) for name in _USAGE}
        | {
            f"outlook {name}": np.array([nan if one is None else float(getattr(one, name)) for one in outlooks])
            for name in _OUTLOOK
        }
        | {
            "as_of": _days([None if one is None else one.as_of for one in known]),
            "last_day": _days([None if one is None else one.last_day for one in known]),
            "parked": np.array([one is not None and one.parked for one in known], dtype=np.bool_),
            "readings": np.array([0 if one is None else one.readings for one in known], dtype=np.int64),
            "basis": _words([None if one is None else one.basis for one in known]),
            "no_pace": _words([pace.reason if isinstance(pace, NoAnswer) else None for pace in paces]),
            "meter_offset_km": np.array([fleet.meter_offset_km(name) for name in names], dtype=np.float64),
            "next_visit": _days([fleet.plans.next_visit.get(name) for name in names]),
            "leaves_on": _days([fleet.plans.leaves_on.get(name) for name in names]),
            "cylinders": np.array([fleet.cylinders.get(name, 0) for name in names], dtype=np.int64),
            "repairs": _words([json.dumps(repairs[name]) if name in repairs else None for name in names]),
        }
    )


_BEFORE: dict[str, Any] = {
    "vehicle": object, "position": object, "part": object, "measure": object, "protocol": object, "rule": object,
    "limit_version": np.float64, "state": object, "readings": np.int64, "last_test": "datetime64[D]",
}  # fmt: skip


def before_table(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """The rows of the run before."""
    return {name: np.array([row[name] for row in rows], dtype=kind) for name, kind in _BEFORE.items()}


def group_of(
    tests: pd.DataFrame,
    parts: pd.DataFrame,
    vehicles: pd.DataFrame,
    meta: Mapping[str, Any],
    settings: Settings,
    as_of: date,
) -> GroupData:
    """Return one partition's group as the steps know groups; its codes run from 0."""
    known = np.asarray(vehicles["code"], dtype=np.int64)
    order = np.argsort(known)  # the sets of a fleet are told in the order of its vehicles
    name_of = _texts(vehicles["vehicle"])[order]
    known = known[order]
    code = np.asarray(parts["code"], dtype=np.int64)
    life = np.searchsorted(code, np.asarray(tests["life"], dtype=np.int64))
    last = np.full(code.size, -1, dtype=np.int64)
    last[life] = np.arange(life.size)
    lives = GroupLives(
        part=_texts(parts["part"]),
        life=np.asarray(parts["number"], dtype=np.int64),
        vehicle=np.searchsorted(known, np.asarray(parts["vehicle"], dtype=np.int64)),
        position=_texts(parts["position"]),
        last=last,
        seat=_texts(parts["seat"]),
        seated=_flags(parts["seated"]),
        part_number=_texts(parts["part_number"]),
    )
    told: dict[str, Any] = {name: (_texts if name in _WORDS else _values)(tests[name]) for name in _OF_READING}
    names = [name for name in tests.columns if name.startswith(_CONDITION)]
    rows = GroupRows(
        measure=meta["measure"],
        protocol=meta["protocol"],
        driven=meta["driven"],
        vehicles=name_of,
        lives=lives,
        vehicle=np.searchsorted(known, np.asarray(tests["vehicle"], dtype=np.int64)),
        life=life,
        conditions={name.removeprefix(_CONDITION): _floats(tests[name]) for name in names},
        **told,
    )
    return GroupData(
        measure=meta["measure"],
        protocol=meta["protocol"],
        unit=meta["unit"],
        rows=rows,
        data=None,
        fitted=np.flatnonzero(_flags(tests["fitted"])),
        outside=_flags(tests["outside"]),
        unplaced=_flags(tests["unplaced"]),
        unsupplied=_flags(tests["unsupplied"]),
        family=_texts(parts["family"]),
        reference=_texts(parts["reference"]),
        rules=tuple(judging(rules_in_force(settings, as_of), meta["measure"], meta["protocol"])),
        condition_names=tuple(meta["condition_names"]),
        event_names=tuple(meta["event_names"]),
        notes=tuple(meta["notes"]),
        usual_speed=meta["usual_speed"],
    )


def fleet_of(
    vehicles: pd.DataFrame, before: pd.DataFrame, told: Mapping[str, Any], settings: Settings, meta: Mapping[str, Any]
) -> FleetToday:
    """Return one partition's vehicles as of the day that the partitions were laid for."""
    names = _texts(vehicles["vehicle"]).tolist()
    paces: dict[str, Usage | NoAnswer] = dict(zip(names, _paces(vehicles), strict=True))
    offset = dict(zip(names, _floats(vehicles["meter_offset_km"]).tolist(), strict=True))
    cylinders = dict(zip(names, np.asarray(vehicles["cylinders"], dtype=np.int64).tolist(), strict=True))
    return FleetToday(
        as_of=date.fromisoformat(told["as_of"]),
        settings=settings,
        versions=versions_of(told),
        meters={name: _meter(value) for name, value in offset.items()},
        paces=paces,
        plans=Plans(
            _said(names, vehicles["next_visit"]), _said(names, vehicles["leaves_on"]),
            _before(names, vehicles, before, told, meta),
        ),
        cylinders={name: count for name, count in cylinders.items() if count},
    )  # fmt: skip


def versions_of(told: Mapping[str, Any]) -> Versions:
    """Return the versions of the rules by name and first day."""
    return {(name, None if day is None else date.fromisoformat(day)): int(v) for name, day, v in told["versions"]}


def _paces(vehicles: pd.DataFrame) -> Iterator[Usage | NoAnswer]:
    outlook = np.stack([_floats(vehicles[f"outlook {name}"]) for name in _OUTLOOK], axis=1).tolist()
    figures = {name: _floats(vehicles[name]).tolist() for name in _USAGE}
    as_of, last = _dates(vehicles["as_of"]), _dates(vehicles["last_day"])
    parked, readings = _flags(vehicles["parked"]).tolist(), np.asarray(vehicles["readings"], dtype=np.int64).tolist()
    basis, reason = _texts(vehicles["basis"]).tolist(), _texts(vehicles["no_pace"]).tolist()
    for k in range(len(vehicles)):
        day, latest = as_of[k], last[k]
        if day is None or latest is None:
            yield NoAnswer(reason[k])
            continue
        law = None if np.isnan(outlook[k][0]) else Outlook(*outlook[k])
        yield Usage(
            as_of=day,
            last_day=latest,
            parked=parked[k],
            readings=readings[k],
            basis=basis[k],
            outlook=law,
            **{name: values[k] for name, values in figures.items()},
        )


def _meter(offset_km: float) -> MeterHistory:
    """A meter of which nothing is known but how far it lags behind."""
    none = np.zeros(0)
    distance = Distance(none.astype(np.int64), none, (), none.astype(np.bool_), none, offset_km, ())
    return MeterHistory((), (), distance, {})


def _before(
    names: list[str], vehicles: pd.DataFrame, before: pd.DataFrame, told: Mapping[str, Any], meta: Mapping[str, Any]
) -> StatesBefore | None:
    """The states of the run before, of these vehicles in this group."""
    said = told["before"]
    if said is None:
        return None
    last, version = _dates(before["last_test"]), _floats(before["limit_version"]).tolist()
    rows: list[dict[str, Any]] = []
    for k, row in enumerate(before.to_dict("records")):
        plain = {name: None if pd.isna(row[name]) else row[name] for name in _BEFORE}
        number = None if np.isnan(version[k]) else int(version[k])
        rows.append(plain | {"limit_version": number, "last_test": last[k], "readings": int(row["readings"])})
    repairs: dict[tuple[str, str | None], str] = {}
    for name, text in zip(names, _texts(vehicles["repairs"]).tolist(), strict=True):
        for seat, words in (json.loads(text) if text else {}).items():
            repairs[name, seat or None] = words
    by_part, by_seat = keyed(rows)
    factor = meta["factors"]
    return StatesBefore(
        as_of=None if said["as_of"] is None else date.fromisoformat(said["as_of"]),
        by_part=by_part,
        by_seat=by_seat,
        repairs=repairs,
        factors={} if factor is None else {(meta["measure"], meta["protocol"]): (factor[0], factor[1])},
        settings=said["settings"],
        facts=said["facts"],
        program=said["program"],
        rows=tuple(rows),
    )


def _said(names: list[str], column: pd.Series[Any]) -> dict[str, date]:
    return {name: day for name, day in zip(names, _dates(column), strict=True) if day is not None}


def _words(values: list[Any]) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    out = np.empty(len(values), dtype=object)
    out[:] = values
    return out


def _days(values: list[date | None]) -> np.ndarray[tuple[int], np.dtype[np.datetime64]]:
    return np.array(values, dtype="datetime64[D]")


def _dates(column: pd.Series[Any]) -> list[date | None]:
    days: list[date | None] = column.to_numpy().astype("datetime64[D]").tolist()
    return days


def _values(column: pd.Series[Any]) -> np.ndarray[tuple[int], np.dtype[Any]]:
    return np.array(column.to_numpy())


def _floats(column: pd.Series[Any]) -> Floats:
    return np.asarray(column.to_numpy(), dtype=np.float64)


def _flags(column: pd.Series[Any]) -> Flags:
    return np.asarray(column.to_numpy(), dtype=np.bool_)


def _texts(column: pd.Series[Any]) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    """Words as plain strings, "" where there is none."""
    return np.asarray(column.fillna("").to_numpy(object), dtype=object)

"""All readings of one group (one measure, one protocol) as arrays, with the conditions of their tests.

One query a group; everything after it is array work, so that a fleet of a million readings takes seconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from wearlab.lives.odometer import day_number
from wearlab.records import Bound
from wearlab.store.database import Database
from wearlab.store.names import quoted

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: the columns of a test that go with every reading
_CONDITIONS = ("rail_bar", "fuel_temp_c", "speed_rpm", "battery_v", "supply_bar", "duration_s", "volume_ml")


@dataclass(frozen=True, slots=True, eq=False)
class GroupLives:
    """The P lives of a group; `vehicle` and `position` are where the life was last tested.

    `last` is the place of a life's last reading among the group's rows; `seated` tells whether the part still sits in
    that vehicle in this life, at `seat`.
    """

    part: NDArray[np.object_]
    life: Ints
    vehicle: Ints
    position: NDArray[np.object_]
    last: Ints
    seat: NDArray[np.object_]
    seated: Flags
    part_number: NDArray[np.object_]

    def __len__(self) -> int:
        return int(self.life.size)


@dataclass(frozen=True, slots=True, eq=False)
class GroupRows:
    """The n readings of a group in the order of life, day and repeat; every array has shape (n,).

    `vehicle` and `life` are codes into `vehicles` and `lives`; `day` counts days since 1970-01-01; distances and
    conditions are NaN where unknown; `bound` is 1 for at least, -1 for at most, else 0.
    """

    measure: str
    protocol: str
    driven: str | None
    vehicles: NDArray[np.object_]
    lives: GroupLives
    test_id: NDArray[np.object_]
    position: NDArray[np.object_]
    repeat: Ints
    vehicle: Ints
    life: Ints
    day: Ints
    level: Floats
    bound: NDArray[np.int8]
    resolution: Floats
    distance_km: Floats
    exposure_km: Floats
    gathered_km: Floats
    unknown_start: Flags
    cleaned: Ints
    odometer_km: Floats
    conditions: dict[str, Floats]
    temp_kind: NDArray[np.object_]
    supply_seen: Flags
    after_repair: Flags
    rig: NDArray[np.object_]

    def __len__(self) -> int:
        return int(self.level.size)

    @property
    def test_first(self) -> Ints:
        """Places of the first reading of every test, for what is counted once a test."""
        return np.unique(pd.factorize(self.test_id)[0], return_index=True)[1].astype(np.int64)


def groups(db: Database, until: date) -> list[tuple[str, str]]:
    """Every (measure, protocol) that has readings a trend may use, up to a day."""
    return [
        (measure, protocol)
        for measure, protocol in db.rows(
            "SELECT DISTINCT measure, protocol FROM comparable WHERE tested_on <= ? ORDER BY ALL", [until]
        )
    ]


def group_rows(db: Database, measure: str, protocol: str, until: date) -> GroupRows:
    """Read one group up to a day."""
    frame = db.frame(
        f"""
        SELECT c.test_id, c.position, c.repeat, c.vehicle, c.part, c.life, c.tested_on, c.level, c.bound, c.resolution,
               c.distance_km, c.exposure_km, c.gathered_km, c.start IN ('used', 'first test') AS unknown_start,
               c.cleaned, t.odometer_km, t.driven, t.temp_kind, t.rig, {", ".join(f"t.{name}" for name in _CONDITIONS)},
               t.supply_bar IS NOT NULL OR coalesce(t.supply_note, '') <> '' AS supply_seen,
               coalesce(lower(trim(t.reason)) = 'after repair', FALSE) AS after_repair
        FROM comparable c JOIN test t USING (test_id)
        WHERE c.measure = ? AND c.protocol = ? AND c.tested_on <= ?
        ORDER BY c.part, c.life, c.tested_on, c.cleaned, c.exposure_km NULLS LAST, c.test_id, c.repeat, c.col_no
        """,  # noqa: S608  (the inserted names are the constants above)
        [measure, protocol, until],
    )
    vehicle, names = pd.factorize(frame["vehicle"], sort=True)
    part = pd.factorize(frame["part"])[0]
    life_no = _ints(frame["life"])
    fresh = np.ones(part.size, dtype=np.bool_)
    fresh[1:] = (part[1:] != part[:-1]) | (life_no[1:] != life_no[:-1])
    life = np.cumsum(fresh) - 1
    bound = frame["bound"]
    driven = frame["driven"].dropna()
    return GroupRows(
        measure=measure,
        protocol=protocol,
        driven=None if driven.empty else str(driven.mode().iloc[0]),
        vehicles=np.asarray(names, dtype=object),
        lives=_lives(db, frame, life, vehicle.astype(np.int64), np.asarray(names, dtype=object), until),
        test_id=_texts(frame["test_id"]),
        position=_texts(frame["position"]),
        repeat=_ints(frame["repeat"]),
        vehicle=vehicle.astype(np.int64),
        life=life.astype(np.int64),
        day=frame["tested_on"].to_numpy().astype("datetime64[D]").astype(np.int64),
        level=_floats(frame["level"]),
        bound=((bound == Bound.AT_LEAST).to_numpy(bool).astype(np.int8) - (bound == Bound.AT_MOST).to_numpy(bool)),
        resolution=_floats(frame["resolution"]),
        distance_km=_floats(frame["distance_km"]),
        exposure_km=_floats(frame["exposure_km"]),
        gathered_km=_floats(frame["gathered_km"]),
        unknown_start=frame["unknown_start"].to_numpy(bool),
        cleaned=_ints(frame["cleaned"]),
        odometer_km=_floats(frame["odometer_km"]),
        conditions={name: _floats(frame[name]) for name in _CONDITIONS},
        temp_kind=_texts(frame["temp_kind"]),
        supply_seen=frame["supply_seen"].to_numpy(bool),
        after_repair=frame["after_repair"].to_numpy(bool),
        rig=_texts(frame["rig"]),
    )


def _lives(
    db: Database, frame: pd.DataFrame, life: Ints, vehicle: Ints, names: NDArray[np.object_], until: date
) -> GroupLives:
    last = np.flatnonzero(np.append(life[1:] != life[:-1], True)) if life.size else np.zeros(0, dtype=np.int64)
    found = pd.DataFrame(
        {
            "part": frame["part"].iloc[last].to_numpy(object),
            "life": _ints(frame["life"])[last],
            "vehicle": names[vehicle[last]] if last.size else np.zeros(0, dtype=object),
            "position": _texts(frame["position"])[last],
        }
    )
    seats = db.frame(
        """
        SELECT part, life, vehicle, position AS seat, to_date IS NULL OR to_date > ? AS seated, part_number
        FROM fitment WHERE from_date <= ?
        QUALIFY row_number() OVER (PARTITION BY part ORDER BY from_date DESC, from_order DESC) = 1
        """,
        [until, until],
    )
    joined = found.merge(seats, on=["part", "life", "vehicle"], how="left")
    seated = joined["seated"].fillna(False).to_numpy(bool)
    return GroupLives(
        part=found["part"].to_numpy(object),
        life=found["life"].to_numpy(np.int64),
        vehicle=vehicle[last],
        position=found["position"].to_numpy(object),
        last=last.astype(np.int64),
        seat=np.where(seated, _texts(joined["seat"]), found["position"].to_numpy(object)),
        seated=seated,
        part_number=_texts(joined["part_number"]),
    )


def said_on(
    db: Database, column: str, vehicles: NDArray[np.object_], vehicle: Ints, day: Ints, until: date
) -> NDArray[np.object_]:
    """What the register says of a vehicle on a day: `column` is family, fuel_supply, depot or duty; "" where nothing.

    A statement holds from its date on; before the first dated one, that one is taken.
    """
    if column not in ("family", "fuel_supply", "depot", "duty"):
        raise ValueError(f"the register has no dated column {column}")
    frame = db.frame(
        f"""
        SELECT vehicle, coalesce(valid_from, DATE '0001-01-01') AS since, {quoted(column)} AS said
        FROM register LEFT JOIN source_file USING (file_id)
        WHERE {quoted(column)} IS NOT NULL AND (valid_from IS NULL OR valid_from <= ?)
        QUALIFY row_number() OVER (PARTITION BY vehicle, valid_from ORDER BY sha256 DESC, row_no DESC) = 1
        ORDER BY vehicle, since
        """,  # noqa: S608  (the name of the column is one of four)
        [until],
    )
    code = pd.Index(vehicles).get_indexer(pd.Index(frame["vehicle"].to_numpy(object)))
    frame, code = frame[code >= 0], code[code >= 0].astype(np.int64)
    if not code.size:
        return np.full(day.shape, "", dtype=object)
    since = frame["since"].to_numpy().astype("datetime64[D]").astype(np.int64)
    # one number orders vehicle and day; days lie far within the width
    width, zero = 10_000_000, day_number(date(1, 1, 1))
    order = np.argsort(code * width + since - zero, kind="stable")
    key, code = (code * width + since - zero)[order], code[order]
    said = np.append(frame["said"].to_numpy(object)[order], "")
    at = np.searchsorted(key, vehicle * width + day - zero, side="right") - 1
    held = (at >= 0) & (code[np.maximum(at, 0)] == vehicle)
    following = np.minimum(at + 1, code.size - 1)
    later = ~held & (code[following] == vehicle)
    return said[np.where(held, at, np.where(later, following, said.size - 1))]


def _floats(column: pd.Series[Any]) -> Floats:
    return np.asarray(column.to_numpy(np.float64, na_value=np.nan), dtype=np.float64)


def _ints(column: pd.Series[Any]) -> Ints:
    return np.asarray(column.to_numpy(np.int64), dtype=np.int64)


def _texts(column: pd.Series[Any]) -> NDArray[np.object_]:
    """Words as plain strings, "" where there is none."""
    return np.asarray(column.fillna("").to_numpy(object), dtype=object)

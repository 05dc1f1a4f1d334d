"""A simulated fleet as the steps see a learned group, without a store."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np

from pipelines.steps.fleet_today import FleetToday
from pipelines.steps.group_rows import GroupLives, GroupRows
from pipelines.steps.lives import MeterHistory
from pipelines.steps.wear_data import GroupData
from pipelines.steps.wear_learn import Learned
from wearlab.config import Settings
from wearlab.lives.odometer import Distance
from wearlab.lives.usage import Usage
from wearlab.records import NoAnswer
from wearlab.wear.data import WearData
from wearlab.wear.results import WearFit

CONDITIONS = ("rail_bar", "fuel_temp_c", "speed_rpm", "battery_v", "supply_bar", "duration_s", "volume_ml")

#: day 0 of the group's rows
EPOCH = date(1970, 1, 1)


def learned_from(
    data: WearData,
    fit: WearFit,
    *,
    as_of: date,
    family: str = "van",
    km_a_day: float = 110.0,
    new: Sequence[int] = (),
) -> Learned:
    """Part k of a vehicle sits at cylinder k + 1; the latest visit of all was on `as_of`, the others at `km_a_day`.

    Lives in `new` began new; all others count as begun unseen unless the data say otherwise.
    """
    order = np.lexsort((data.exposure, data.part))
    part = np.asarray(data.part)[order]
    label, life = np.unique(part, return_inverse=True)
    exposure = np.asarray(data.exposure)[order]
    names, vehicle = np.unique(np.asarray(data.vehicle)[order], return_inverse=True)
    last = np.flatnonzero(np.append(life[1:] != life[:-1], True))
    home = vehicle[last]
    seat = np.zeros(label.size, dtype=np.int64)
    for code in range(names.size):
        mine = np.flatnonzero(home == code)
        seat[mine] = np.arange(1, mine.size + 1)
    day = (as_of - EPOCH).days - np.round((exposure.max() - exposure) / km_a_day).astype(np.int64)
    lives = GroupLives(
        part=np.array([f"P{one}" for one in label.tolist()], dtype=object),
        life=np.ones(label.size, dtype=np.int64),
        vehicle=home.astype(np.int64),
        position=seat.astype(str).astype(object),
        last=last.astype(np.int64),
        seat=seat.astype(str).astype(object),
        seated=np.ones(label.size, dtype=np.bool_),
        part_number=np.full(label.size, "", dtype=object),
    )
    n = part.size
    unseen = np.ones(n, dtype=np.bool_)
    unseen[np.isin(life, list(new))] = False
    nothing = np.full(n, np.nan)
    rows = GroupRows(
        measure="return_flow",
        protocol="warm idle",
        driven="idle",
        vehicles=np.array([f"V{one}" for one in names.tolist()], dtype=object),
        lives=lives,
        test_id=np.array([f"{v} {d}" for v, d in zip(vehicle.tolist(), day.tolist(), strict=True)], dtype=object),
        position=lives.position[life],
        repeat=np.ones(n, dtype=np.int64),
        vehicle=vehicle.astype(np.int64),
        life=life.astype(np.int64),
        day=day,
        level=np.asarray(data.y, dtype=np.float64)[order],
        bound=np.zeros(n, dtype=np.int8) if data.bound is None else np.asarray(data.bound)[order],
        resolution=nothing,
        distance_km=exposure,
        exposure_km=exposure,
        gathered_km=exposure,
        unknown_start=unseen,
        cleaned=np.zeros(n, dtype=np.int64),
        odometer_km=exposure,
        conditions=dict.fromkeys(CONDITIONS, nothing),
        temp_kind=np.full(n, "", dtype=object),
        supply_seen=np.ones(n, dtype=np.bool_),
        after_repair=np.zeros(n, dtype=np.bool_),
        rig=np.full(n, "", dtype=object),
    )
    none = np.zeros(n, dtype=np.bool_)
    group = GroupData(
        measure="return_flow",
        protocol="warm idle",
        unit="ml/min",
        rows=rows,
        data=data.take(order),
        fitted=np.arange(n),
        outside=none,
        unplaced=none,
        unsupplied=none,
        family=np.full(label.size, family, dtype=object),
        reference=np.full(label.size, "", dtype=object),
        rules=(),
        condition_names=(),
        event_names=(),
        notes=(),
    )
    place = np.searchsorted(fit.data.part_label, label).astype(np.int64)
    return Learned(group, fit, fit.parts, place)


def meters_of(found: Learned, offset_km: float = 0.0) -> dict[str, MeterHistory]:
    """Meters that show true distance less `offset_km`."""
    nothing = np.zeros(0)
    distance = Distance(nothing.astype(np.int64), nothing, (), nothing.astype(np.bool_), nothing, offset_km, ())
    history = MeterHistory((), (), distance, {})
    return dict.fromkeys([str(name) for name in found.group.rows.vehicles], history)


def paces_of(
    found: Learned, as_of: date, km_a_day: float = 110.0, ahead_km: float = 0.0, share: float = 0.2
) -> dict[str, Usage | NoAnswer]:
    """Every vehicle at one pace, `ahead_km` beyond its latest test by now."""
    rows = found.group.rows
    out: dict[str, Usage | NoAnswer] = {}
    for code, name in enumerate(rows.vehicles.tolist()):
        last = float(rows.distance_km[rows.vehicle == code].max()) + ahead_km
        out[str(name)] = Usage(
            as_of=as_of,
            km_per_day=km_a_day,
            km_per_day_low=km_a_day * (1 - share),
            km_per_day_high=km_a_day * (1 + share),
            distance_now_km=last,
            last_day=as_of,
            last_distance_km=last,
            parked=False,
            readings=10,
            basis="the last year",
        )
    return out


def fleet_today(found: Learned, as_of: date, settings: Settings, **known: Any) -> FleetToday:
    """The fleet with these settings, `meters_of`, `paces_of` and rules numbered from 1, unless `known` says else."""
    plain: dict[str, Any] = {
        "versions": {(rule.name, rule.valid_from): k for k, rule in enumerate(settings.limits, start=1)},
        "meters": meters_of(found),
        "paces": paces_of(found, as_of),
    }
    return FleetToday(as_of=as_of, settings=settings, **(plain | known))

"""A learned fleet of sets of four, and the rows that rules on its sets make."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from functools import cache
from typing import Any

import numpy as np

from learned_fleet import fleet_today, learned_from
from pipelines.steps.group_rows import GroupRows
from pipelines.steps.set_forecasts import set_forecasts
from pipelines.steps.wear_learn import Learned
from wearlab.config import Settings
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.group import fit_group
from wearlab.wear.results import WearFit
from wearlab.wear.scale import STRAIGHT, WorkingScale

AS_OF = date(2026, 6, 30)
VEHICLES = 55


@cache
def fleet() -> Learned:
    data = simulated_fleet(7, vehicles=VEHICLES, parts=4, visits=4, gap_spread=0.05).data
    fit = fit_group(data, scales=(STRAIGHT, WorkingScale(0.0)))
    assert isinstance(fit, WearFit)
    return learned_from(data, fit, as_of=AS_OF)


def settings_of(*limits: dict[str, Any], **more: Any) -> Settings:
    plain = {"measure": "return_flow", "protocol": "warm idle", "source": "made for this test"}
    return Settings.model_validate(
        {
            "protocols": {"warm idle": {"measure": "return_flow", "driven": "idle", "speed_rpm": 800}},
            "families": {"van": {"cylinders": 4, "banks": [["1", "2"], ["3", "4"]]}, "truck": {"cylinders": 6}},
            "limits": [plain | limit for limit in limits],
        }
        | more
    )


LOWEST = {"name": "lowest", "kind": "times lowest", "value": 1.4}
TOTAL = {"name": "total", "kind": "set total most", "value": 170, "unit": "ml/min"}


def rows_of(settings: Settings, found: Learned | None = None, **more: Any) -> list[dict[str, Any]]:
    found = fleet() if found is None else found
    return set_forecasts(found, fleet_today(found, AS_OF, settings, **more), draws=200)


def changed(rows: GroupRows, **values: Any) -> GroupRows:
    return replace(rows, **values)


def unseated(found: Learned, vehicle: str, *seats: str) -> Learned:
    """The fleet with the parts of some seats taken out."""
    lives = found.group.lives
    code = found.group.rows.vehicles.tolist().index(vehicle)
    gone = (lives.vehicle == code) & np.isin(lives.seat.astype(str), seats)
    lives = replace(lives, seated=lives.seated & ~gone)
    return replace(found, group=replace(found.group, rows=changed(found.group.rows, lives=lives)))


def by_seat(rows: list[dict[str, Any]], vehicle: str) -> Mapping[str, dict[str, Any]]:
    return {row["position"]: row for row in rows if row["vehicle"] == vehicle}

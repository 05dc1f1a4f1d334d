"""A small fleet laid as several partitions, and what was written of it."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from learned_fleet import fleet_today, learned_from
from pipelines.steps.corrections import Corrected
from pipelines.steps.fleet_today import FleetToday
from pipelines.steps.partition_files import read_table, write_manifest
from pipelines.steps.partitions import lay_group, manifest_of
from pipelines.steps.plans import Plans
from pipelines.steps.wear_learn import Learned
from set_fleet import AS_OF, LOWEST, settings_of
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.group import fit_group
from wearlab.wear.results import WearFit

OWN = {"name": "own", "kind": "most", "value": 45, "unit": "ml/min"}
CORRECTED = Corrected(1.25, ("intervals were too narrow by a quarter",))
KEYS = ["measure", "protocol", "vehicle", "position", "part", "rule"]


def fleet(vehicles: int = 50) -> tuple[Learned, FleetToday]:
    """A learned fleet of sets of three, with a rule on parts and one on sets, and its day."""
    data = simulated_fleet(
        11, vehicles=vehicles, parts=3, visits=3, resolution=0.5, conditions=True, periods=2, moved=0.1
    ).data
    order = np.lexsort((data.exposure, data.part))
    data = data.take(order)
    data = replace(data, part=np.unique(data.part, return_inverse=True)[1])
    fit = fit_group(data)
    assert isinstance(fit, WearFit)
    settings = settings_of(OWN, LOWEST)
    found = learned_from(data, fit, as_of=AS_OF)
    found = replace(found, group=replace(found.group, rules=settings.limits[:1]))
    plans = Plans({"V3": date(2026, 8, 1)}, {"V5": date(2027, 3, 1)})
    return found, fleet_today(found, AS_OF, settings, plans=plans)


def laid(folder: Path, found: Learned, today: FleetToday, **said: Any) -> Path:
    """Lay a learned fleet's readings as partitions, a run of chunks each."""
    folder.mkdir()
    meta = lay_group(folder, 0, found.group, today, most=1, **said)
    write_manifest(folder, manifest_of(today, [meta], settings_sha256="0" * 64, facts_sha256="1" * 64))
    return folder


def written(folder: Path) -> tuple[dict[str, Any], pd.DataFrame, pd.DataFrame]:
    """The run's manifest, the levels and the forecasts, in an order of their own."""
    run = json.loads((folder / "run.json").read_text("utf-8"))
    shares = [share for group in run["groups"] for share in group["shares"]]
    levels, forecasts = (
        pd.concat([read_table(folder, share[name]) for share in shares]) for name in ("levels", "forecasts")
    )
    return run, in_order(levels, ["part", "life"]), in_order(forecasts, KEYS)


def in_order(table: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """The rows by their keys, absent words as ""."""
    told = table.assign(**{key: table[key].astype(object).where(table[key].notna(), "") for key in keys})
    return told.sort_values(keys).reset_index(drop=True)


def apart(one: pd.DataFrame, two: pd.DataFrame) -> float:
    """The largest relative difference of two tables' numbers; words, days and gaps must be the same."""
    assert len(one) == len(two)
    assert sorted(one.columns) == sorted(two.columns)
    worst = 0.0
    for name in one.columns:
        a, b = one[name], two[name]
        if a.dtype.kind == "f" and b.dtype.kind == "f":
            x, y = a.to_numpy(np.float64), b.to_numpy(np.float64)
            assert (np.isfinite(x) == np.isfinite(y)).all(), name
            here = np.isfinite(x)
            worst = max(worst, float(np.max(np.abs(x - y)[here] / np.maximum(np.abs(y[here]), 1e-300), initial=0.0)))
        else:
            assert _plain(a) == _plain(b), name
    return worst


def _plain(column: pd.Series[Any]) -> list[Any]:
    return [None if pd.isna(one) else pd.Timestamp(one).date() if isinstance(one, date) else one for one in column]

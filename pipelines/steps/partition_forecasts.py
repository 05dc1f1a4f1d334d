"""The parts of one share: levels, rates and forecasts, written where the share is read."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pipelines.steps.group_rows import Ints
from pipelines.steps.partition_files import File, read_table, write_table
from pipelines.steps.partition_readings import share
from pipelines.steps.partition_rows import fleet_of, group_of
from pipelines.steps.set_forecasts import set_forecasts
from pipelines.steps.wear_data import GroupData
from pipelines.steps.wear_forecasts import wear_forecasts
from pipelines.steps.wear_learn import Learned, part_states
from wearlab.config import Settings
from wearlab.language import speak
from wearlab.records import NoAnswer
from wearlab.wear.executor import plain_products
from wearlab.wear.share import Summary, fit_of

_DAYS = (
    "last_test", "retest_by", "date_p05", "date_p10", "date_p50", "date_p90", "date_p95", "next_visit"
)  # fmt: skip
_COUNTS = ("limit_version", "readings")
_TRUTHS = ("leaves_first",)
_WORDS = (
    "vehicle", "position", "part", "measure", "protocol", "unit", "rule", "direction", "rate_unit", "state", "cause",
    "state_before", "changed", "retest_why", "note", "method", "no_answer",
)  # fmt: skip
_NUMBERS = (
    "limit", "level", "level_low", "level_high", "next_low", "next_high", "rate", "rate_low", "rate_high",
    "distance_p05", "distance_p10", "distance_p50", "distance_p90", "distance_p95", "odometer_p05", "odometer_p10",
    "odometer_p50", "odometer_p90", "odometer_p95", "past", "within_30", "within_90", "within_180", "within_365",
    "before_visit", "next_reading_past",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """One share to be forecast: where it lies and where results go, what the manifest says of all, of the group and of
    the share, and what the fit says of its parts (why nothing, where there is no fit)."""

    folder: Path
    out: Path
    name: str
    told: Mapping[str, Any]
    meta: Mapping[str, Any]
    share: Mapping[str, Any]
    fit: Summary | NoAnswer


def forecast_share(job: Job) -> dict[str, File]:
    """Write the levels and rates, and the forecasts, of one share's parts; return the files."""
    settings = Settings.model_validate_json(json.dumps(job.told["settings"]))
    speak(settings.words.language, settings.words.locale)
    files = job.share["files"]
    tests, parts, vehicles, before, lines = (
        read_table(job.folder, files[name]) for name in ("tests", "parts", "vehicles", "before", "lines")
    )
    fleet = fleet_of(vehicles, before, job.told, settings, job.meta)
    group = group_of(tests, parts, vehicles, job.meta, settings, fleet.as_of)
    with plain_products():
        found = _learned(job, group, np.asarray(parts["code"], dtype=np.int64))
        rows = wear_forecasts(found, fleet) + [_line(text) for text in lines["row"]]
        rows += set_forecasts(found, fleet, workers=1)
    states = part_states(0, found).drop(columns="run_id")
    return {
        "levels": write_table(job.out, f"{job.name}-levels.parquet", {str(name): states[name] for name in states}),
        "forecasts": write_table(job.out, f"{job.name}-forecasts.parquet", forecast_table(rows)),
    }


def forecast_table(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Rows of the forecast table as typed columns."""

    def column(name: str) -> list[Any]:
        return [row[name] for row in rows]

    return (
        {name: pd.array(column(name), dtype="string") for name in _WORDS}
        | {name: pd.array(column(name), dtype="Int64") for name in _COUNTS}
        | {name: pd.array(column(name), dtype="boolean") for name in _TRUTHS}
        | {name: np.array(column(name), dtype="datetime64[D]") for name in _DAYS}
        | {name: np.array(column(name), dtype=np.float64) for name in _NUMBERS}
    )


def _learned(job: Job, group: GroupData, code: Ints) -> Learned:
    """What the fit says of the share's lives, whose numbers in the group are `code` (P,), rising."""
    nowhere = np.full(code.size, -1, dtype=np.int64)
    if isinstance(job.fit, NoAnswer):
        return Learned(group, job.fit, None, nowhere)
    made = tuple(
        share(job.folder, job.meta, job.share, bare.frame, bare.left_out.tolist()) for bare, _ in job.fit.candidates
    )
    fit = fit_of(job.fit, made)
    label = np.asarray(fit.data.part_label, dtype=np.int64)
    at = np.searchsorted(label, code).clip(0, label.size - 1)
    known = label[at] == code
    # lives that were cut have readings in other shares too
    readings = np.array(fit.parts.readings)
    readings[at[known]] = group.per_life_fitted[known]
    return Learned(group, fit, replace(fit.parts, readings=readings), np.where(known, at, nowhere))


def _line(text: str) -> dict[str, Any]:
    row: dict[str, Any] = json.loads(text)
    return row | {name: None if row[name] is None else date.fromisoformat(row[name]) for name in _DAYS}

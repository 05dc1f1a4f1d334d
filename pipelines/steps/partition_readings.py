"""The readings of a group as partitions hold them: laid in shares of whole blocks of vehicles, and read again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipelines.steps.group_rows import Ints
from pipelines.steps.partition_files import read_table
from wearlab.wear.blocks import Blocks, Places
from wearlab.wear.data import Coded, WearData, coded
from wearlab.wear.design import Frame
from wearlab.wear.share import Share, share_of

#: what a partition says of each reading of the fit, beside the covariates
_COLUMNS = (
    "row", "y", "exposure", "gathered", "vehicle", "part", "visit", "bound", "resolution", "family", "unknown_start",
    "period", "visit_sd",
)  # fmt: skip
_PLACES = ("chunk", "block", "place")
_CUT = ("life", "life_exposure", "life_gathered", "life_unknown")


def shares_of(made: Blocks, most: int) -> list[range]:
    """Return the chunks of each share: whole runs, closed once they hold `most` readings."""
    n = made.life.size
    size = [sum(int(np.count_nonzero(made.chunks[k].rows < n)) for k in run) for run in made.runs]
    shares: list[range] = []
    first = held = 0
    for number, count in enumerate(size):
        held += count
        if held >= most or number == len(size) - 1:
            shares.append(range(made.runs[first].start, made.runs[number].stop))
            first, held = number + 1, 0
    return shares


def reading_table(data: Coded, at: Places, visit: NDArray[Any], rows: Ints, first: int) -> dict[str, Any]:
    """Columns of the readings at `rows`, rising, of a share whose first chunk is `first`."""
    told: dict[str, Any] = {
        "row": rows,
        "y": data.y[rows],
        "exposure": data.exposure[rows],
        "gathered": data.gathered[rows],
        "vehicle": data.vehicle_label[data.vehicle[rows]],
        "part": data.part_label[data.part[rows]],
        "visit": visit[rows],
        "bound": data.bound[rows],
        "resolution": data.resolution[rows],
        "family": data.family[rows],
        "unknown_start": data.unknown_start[rows],
        "period": data.period[rows],
        "visit_sd": data.visit_sd[rows],
        "chunk": at.chunk[rows] - first,
        "block": at.block[rows],
        "place": at.place[rows],
    }
    if at.cut:
        told |= {
            "life": at.life[rows],
            "life_exposure": at.exposure[rows],
            "life_gathered": at.gathered[rows],
            "life_unknown": at.unknown_start[rows],
        }
    return told | {_covariate(k): data.covariates[rows, k] for k in range(data.covariates.shape[1])}


def readings_meta(data: Coded) -> dict[str, Any]:
    """What a manifest says of all readings of a group together."""
    source = data.source
    return {
        "readings": int(data.y.size),
        "families": [str(label) for label in data.family_label],
        "periods": [str(label) for label in data.period_label],
        "covariates": [
            {
                "name": name,
                "kind": "factor" if data.factor[k] else "added",
                "role": data.role[k],
                "prior_mean": float(data.prior_mean[k]),
                "prior_sd": float(data.prior_sd[k]) if np.isfinite(data.prior_sd[k]) else None,
            }
            for k, name in enumerate(data.names)
        ],
        "period_sd": float(source.period_sd),
        "relative_error": float(source.relative_error),
        "exposure_unit": source.exposure_unit,
    }


def whole_readings(folder: Path, meta: Mapping[str, Any]) -> tuple[WearData, list[Ints]]:
    """Read all shares of a group; return its readings in their order, and the places of each share's, rising."""
    names = [*_COLUMNS, *(_covariate(k) for k in range(len(meta["covariates"])))]
    n = int(meta["readings"])
    out: dict[str, NDArray[Any]] = {}
    rows: list[Ints] = []
    for share in meta["shares"]:
        table = read_table(folder, share["files"]["readings"], names)
        place = np.asarray(table.pop("row"), dtype=np.int64)
        rows.append(place)
        for name in table.columns:
            values = table[name].to_numpy()
            out.setdefault(name, np.empty(n, dtype=values.dtype))[place] = values
    return _wear_data(out, n, meta), rows


def share(
    folder: Path, meta: Mapping[str, Any], own: Mapping[str, Any], frame: Frame, left_out: Sequence[bool]
) -> Share:
    """Read one share of a group and make it ready for passes."""
    table = read_table(folder, own["files"]["readings"])
    values = {name: table[name].to_numpy() for name in table.columns}
    n = len(table)
    known = coded(_wear_data(values, n, meta))
    known = replace(
        known,
        family=np.asarray(values["family"], dtype=np.int64),
        family_label=np.array(meta["families"]),
        period=np.asarray(values["period"], dtype=np.int64),
        period_label=np.array(meta["periods"]),
    )
    chunk, block, place = (np.asarray(values[name], dtype=np.int64) for name in _PLACES)
    life, exposure, gathered, unknown = known.part, known.exposure, known.gathered, known.unknown_start
    if meta["cut"]:
        life = np.unique(values["life"], return_inverse=True)[1].astype(np.int64)
        exposure, gathered, unknown = (np.array(values[name]) for name in _CUT[1:])
    at = Places(chunk, block, place, life, exposure, gathered, unknown, tuple(own["widths"]), meta["cut"])
    return share_of(known, at, frame, np.array(left_out, dtype=np.bool_))


def _wear_data(values: Mapping[str, NDArray[Any]], n: int, meta: Mapping[str, Any]) -> WearData:
    said = meta["covariates"]
    columns = [values[_covariate(k)] for k in range(len(said))]
    sd = [np.inf if one["prior_sd"] is None else one["prior_sd"] for one in said]
    return WearData(
        y=values["y"],
        exposure=values["exposure"],
        vehicle=values["vehicle"],
        part=values["part"],
        visit=values["visit"],
        bound=values["bound"],
        resolution=values["resolution"],
        covariates=np.stack(columns, axis=1) if columns else np.zeros((n, 0)),
        covariate_names=tuple(one["name"] for one in said),
        covariate_kind=tuple(one["kind"] for one in said),
        covariate_role=tuple(one["role"] for one in said),
        prior_mean=np.array([one["prior_mean"] for one in said], dtype=np.float64),
        prior_sd=np.array(sd, dtype=np.float64),
        family=np.array(meta["families"])[values["family"]],
        gathered=values["gathered"],
        unknown_start=values["unknown_start"],
        period=np.array(meta["periods"])[values["period"]],
        period_sd=meta["period_sd"],
        visit_sd=values["visit_sd"],
        relative_error=meta["relative_error"],
        exposure_unit=meta["exposure_unit"],
        unit=meta["unit"],
    )


def _covariate(k: int) -> str:
    return f"covariate {k}"

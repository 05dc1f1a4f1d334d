"""Partitions of a national fleet laid and learnt from, measured; prints JSON.

python measure_partitions.py lay VEHICLES DIR          simulated readings laid as partitions, without a store
python measure_partitions.py learn DIR NEW WORKERS     learnt from with so many worker processes of this machine

VEHICLES with five parts and eight visits each, so forty readings a vehicle, one group, one limit on every part. Times
are told by the clock and as processor seconds of driver and workers: a shared machine spoils only the first.
"""

from __future__ import annotations

import json
import pickle
import resource
import sys
import time
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from learned_fleet import CONDITIONS, EPOCH
from pipelines.steps.distributed import Cluster, Shares, workers_here
from pipelines.steps.fleet_today import FleetToday
from pipelines.steps.group_rows import GroupLives, GroupRows
from pipelines.steps.lives import MeterHistory
from pipelines.steps.partition_files import read_manifest, write_manifest
from pipelines.steps.partition_run import Laid, learn_partitions
from pipelines.steps.partitions import lay_group, manifest_of
from pipelines.steps.wear_data import GroupData
from wearlab.config import Settings
from wearlab.lives.odometer import Distance
from wearlab.lives.usage import Usage
from wearlab.wear.data import WearData
from wearlab.wear.executor import Task
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.likelihood import Pass, Work
from wearlab.wear.local import Local

AS_OF = date(2026, 6, 30)
KM_A_DAY = 110.0
SETTINGS = {
    "protocols": {"warm idle": {"measure": "return_flow", "driven": "idle"}},
    "families": {"van": {"cylinders": 5}},
    "limits": [
        {
            "name": "own", "measure": "return_flow", "protocol": "warm idle", "kind": "most", "value": 45,
            "unit": "ml/min", "source": "made for this measurement",
        }
    ],
}  # fmt: skip


def lay(vehicles: int, folder: Path) -> dict[str, Any]:
    """Draw a fleet and lay its readings."""
    data = simulated_fleet(40, vehicles=vehicles, parts=5, visits=8, resolution=0.5, repeat=0.0).data
    data = data.take(np.lexsort((data.exposure, data.part)))
    group = _group(data)
    fleet = _fleet(group)
    folder.mkdir()
    wall, cpu = time.perf_counter(), time.process_time()
    meta = lay_group(folder, 0, group, fleet)
    write_manifest(folder, manifest_of(fleet, [meta], settings_sha256="0" * 64, facts_sha256="0" * 64))
    return {
        "readings": len(data),
        "seconds": time.perf_counter() - wall,
        "cpu": time.process_time() - cpu,
        "partitions": len(meta["shares"]),
        "mb": sum(file["bytes"] for share in meta["shares"] for file in share["files"].values()) / 1e6,
    }


def learn(folder: Path, out: Path, workers: int) -> dict[str, Any]:
    """Learn from partitions; how long it took, what travelled and how much memory it needed."""
    wall, cpu = time.perf_counter(), time.process_time()
    with workers_here(workers) as cluster:
        watched = Watched(cluster.client)
        started = time.perf_counter() - wall
        run = learn_partitions(folder, out, watched, say=watched.said)
        ended = time.perf_counter() - wall
        used = watched.client.run(_used)
    passes = watched.passes
    (group,) = run["groups"]
    return {
        "readings": group["readings"],
        "partitions": len(read_manifest(folder)["groups"][0]["shares"]),
        "candidates": [(one["scale"], one["weight"], one["passes"]) for one in group["candidates"]],
        "status": group["status"],
        "start": started,
        "total": ended,
        "driver_cpu": time.process_time() - cpu,
        "workers_cpu": sum(one[0] for one in used.values()),
        "driver_mb": _peak(),
        "worker_mb": max(one[1] for one in used.values()),
        "passes": len(passes),
        "pass_seconds": float(np.median([one["seconds"] for one in passes])),
        "pass_cpu": float(np.median([one["cpu"] for one in passes])),
        "pass_out_mb": [min(one["out"] for one in passes) / 1e6, max(one["out"] for one in passes) / 1e6],
        "pass_back_mb": [min(one["back"] for one in passes) / 1e6, max(one["back"] for one in passes) / 1e6],
        "stages": watched.stages,
    }


class Watched(Cluster):
    """A cluster that notes every pass and every stage."""

    def __init__(self, client: Any) -> None:
        super().__init__(client)
        self.passes: list[dict[str, float]] = []
        self.stages: list[tuple[str, float]] = []

    def said(self, text: str) -> None:
        """Note when a stage began."""
        stage = text.rpartition(": ")[2]
        if not stage.startswith("pass ") and (not self.stages or self.stages[-1][0] != stage):
            self.stages.append((stage, time.perf_counter()))

    def executor(self, laid: Laid) -> Shares:
        """Return who goes over the chunks, and is watched."""
        return Watching(self, laid)


class Watching(Shares):
    """Notes time, processor seconds of the workers and what travels of every pass."""

    def over(self, task: Task[Any], work: Work, local: tuple[Local, ...]) -> Iterator[Any]:
        """Go over the shares."""
        cluster = self.cluster
        if (
            not isinstance(task, Pass)
            or work.design.data.source is not self.laid.data
            or not isinstance(cluster, Watched)
        ):
            yield from super().over(task, work, local)
            return
        before, wall = _cpu(cluster), time.perf_counter()
        back = 0
        for run in super().over(task, work, local):
            back += len(pickle.dumps(run, protocol=5))
            yield run
        seconds, cpu = time.perf_counter() - wall, _cpu(cluster) - before
        out = len(self.laid.rows) * len(pickle.dumps(task, protocol=5))
        out += 8 * len(self.laid.data) * (int(work.doubt.any()) + 2 * int(work.design.refitted))
        cluster.passes.append({"seconds": seconds, "cpu": cpu, "out": out, "back": back})


def _cpu(cluster: Cluster) -> float:
    return float(sum(cluster.client.run(time.process_time).values()))


def _used() -> tuple[float, float]:
    return time.process_time(), _peak()


def _peak() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6


def _group(data: WearData) -> GroupData:
    n = len(data)
    part, life = np.unique(data.part, return_inverse=True)
    last = np.flatnonzero(np.append(life[1:] != life[:-1], True))
    vehicle = np.asarray(data.vehicle, dtype=np.int64)
    seat = (np.arange(part.size) % 5 + 1).astype(str).astype(object)
    day = (AS_OF - EPOCH).days - np.round((data.exposure.max() - data.exposure) / KM_A_DAY).astype(np.int64)
    words, nothing, none = np.full(n, "", dtype=object), np.full(n, np.nan), np.zeros(n, dtype=np.bool_)
    lives = GroupLives(
        part=np.array([f"P{one}" for one in part.tolist()], dtype=object),
        life=np.ones(part.size, dtype=np.int64),
        vehicle=vehicle[last],
        position=seat,
        last=last,
        seat=seat,
        seated=np.ones(part.size, dtype=np.bool_),
        part_number=np.full(part.size, "", dtype=object),
    )
    rows = GroupRows(
        measure="return_flow", protocol="warm idle", driven="idle",
        vehicles=np.array([f"V{one}" for one in range(int(vehicle.max()) + 1)], dtype=object),
        lives=lives, test_id=words, position=seat[life], repeat=np.ones(n, dtype=np.int64), vehicle=vehicle,
        life=life.astype(np.int64), day=day, level=data.y, bound=np.zeros(n, dtype=np.int8), resolution=nothing,
        distance_km=data.exposure, exposure_km=data.exposure, gathered_km=data.exposure, unknown_start=none,
        cleaned=np.zeros(n, dtype=np.int64), odometer_km=data.exposure, conditions=dict.fromkeys(CONDITIONS, nothing),
        temp_kind=words, supply_seen=~none, after_repair=none, rig=words,
    )  # fmt: skip
    return GroupData(
        measure="return_flow", protocol="warm idle", unit="ml/min", rows=rows, data=data, fitted=np.arange(n),
        outside=none, unplaced=none, unsupplied=none, family=np.full(part.size, "van", dtype=object),
        reference=np.full(part.size, "", dtype=object), rules=Settings.model_validate(SETTINGS).limits,
        condition_names=(), event_names=(), notes=(),
    )  # fmt: skip


def _fleet(group: GroupData) -> FleetToday:
    rows, settings = group.rows, Settings.model_validate(SETTINGS)
    reached = np.zeros(rows.vehicles.size)
    np.maximum.at(reached, rows.vehicle, rows.distance_km)
    none = np.zeros(0)
    meter = MeterHistory((), (), Distance(none.astype(np.int64), none, (), none.astype(np.bool_), none, 0.0, ()), {})
    return FleetToday(
        as_of=AS_OF,
        settings=settings,
        versions={("own", None): 1},
        meters=dict.fromkeys(rows.vehicles.tolist(), meter),
        paces={
            name: Usage(AS_OF, KM_A_DAY, 0.8 * KM_A_DAY, 1.2 * KM_A_DAY, km, AS_OF, km, False, 10, "the last year")
            for name, km in zip(rows.vehicles.tolist(), reached.tolist(), strict=True)
        },
    )


if __name__ == "__main__":
    job, *words = sys.argv[1:]
    made = lay(int(words[0]), Path(words[1])) if job == "lay" else learn(Path(words[0]), Path(words[1]), int(words[2]))
    sys.stdout.write(json.dumps(made) + "\n")

"""Partitions hold all that learning needs, and learning from them gives the same answer wherever it is done."""

from __future__ import annotations

import os
import shutil
import signal
import sys
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from partition_example import CORRECTED, KEYS, apart, fleet, in_order, laid, written
from pipelines.steps.distributed import Certificates, Cluster, Shares, check_address, workers_here, workers_of
from pipelines.steps.fleet_today import FleetToday
from pipelines.steps.partition_files import MANIFEST, read_manifest, read_table, write_manifest
from pipelines.steps.partition_forecasts import forecast_table
from pipelines.steps.partition_run import Here, Laid, learn_partitions
from pipelines.steps.set_forecasts import set_forecasts
from pipelines.steps.wear_forecasts import wear_forecasts
from pipelines.steps.wear_learn import Learned, part_states, widened
from wearlab.errors import InputError, StoreError
from wearlab.wear import blocks as blocks_module
from wearlab.wear.executor import Task
from wearlab.wear.likelihood import Work
from wearlab.wear.local import Local
from wearlab.wear.results import WearFit

EXACT = 1e-10


@pytest.fixture(scope="module")
def small() -> Iterator[tuple[Learned, FleetToday]]:
    """A small fleet, cut into as many runs of chunks as a large one."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(blocks_module, "CHUNK", 1)
        yield fleet()


@pytest.fixture(scope="module")
def parts(small: tuple[Learned, FleetToday], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The fleet's partitions."""
    return laid(tmp_path_factory.mktemp("laid") / "parts", *small, corrected=CORRECTED)


@pytest.fixture(scope="module")
def alone(parts: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What one process made of them."""
    out = tmp_path_factory.mktemp("alone") / "results"
    learn_partitions(parts, out, Here())
    return out


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    pytest.importorskip("distributed")
    with workers_here(2) as made:
        yield made


def test_there_are_several_partitions_of_whole_vehicles(parts: Path, small: tuple[Learned, FleetToday]) -> None:
    (group,) = read_manifest(parts)["groups"]
    assert len(group["shares"]) > 2
    assert sum(share["files"]["readings"]["rows"] for share in group["shares"]) == group["readings"]
    assert sum(share["files"]["parts"]["rows"] for share in group["shares"]) == len(small[0].group.lives)


def test_one_process_tells_from_partitions_what_it_tells_without(
    alone: Path, small: tuple[Learned, FleetToday]
) -> None:
    found, today = small
    assert isinstance(found.fit, WearFit)
    fit = widened(found.fit, CORRECTED)
    whole = replace(found, fit=fit, parts=fit.parts)
    run, levels, forecasts = written(alone)
    (group,) = run["groups"]
    assert [one["criterion"] for one in group["candidates"]] == [one.criterion for one in fit.candidates]
    assert group["candidates"][0]["variances"]["path"][0] == fit.best.variances.path
    assert CORRECTED.sentences[0] in group["notes"]
    assert apart(levels, in_order(part_states(0, whole).drop(columns="run_id"), ["part", "life"])) < EXACT
    rows = wear_forecasts(whole, today)
    own = in_order(pd.DataFrame(forecast_table(rows)), KEYS)
    assert own["next_visit"].notna().any()
    assert apart(forecasts[forecasts["rule"] == "own"].reset_index(drop=True), own) < EXACT
    # rules on sets are drawn: the draws of a partition are its own
    ratio = forecasts[forecasts["rule"] == "lowest"]
    drawn = {(row["vehicle"], row["position"]): row["within_365"] for row in set_forecasts(whole, today)}
    other = {(v, p): c for v, p, c in zip(ratio["vehicle"], ratio["position"], ratio["within_365"], strict=True)}
    assert drawn.keys() == other.keys()
    both = np.array([[drawn[key], other[key]] for key in drawn if drawn[key] is not None])
    assert 0 < np.abs(both[:, 0] - both[:, 1]).max() < 0.15
    assert abs(float(np.mean(both[:, 0] - both[:, 1]))) < 0.01


def test_two_workers_give_the_same_answer_to_the_last_digit(
    parts: Path, alone: Path, cluster: Cluster, tmp_path: Path
) -> None:
    learn_partitions(parts, tmp_path / "two", cluster)
    same(alone, tmp_path / "two")


def same(alone: Path, out: Path) -> None:
    one, two = written(alone), written(out)
    for name in ("candidates", "notes", "status"):
        assert [group[name] for group in one[0]["groups"]] == [group[name] for group in two[0]["groups"]]
    assert apart(one[1], two[1]) == 0.0
    assert apart(one[2], two[2]) == 0.0


class Deadly(Cluster):
    """Kills one worker's process in the middle of the third time that all chunks are gone over."""

    killed: int | None = None

    def executor(self, laid: Laid) -> Shares:
        """Return who goes over the chunks, and kills."""
        outer = self

        class Killing(Shares):
            asked = 0

            def over(self, task: Task[Any], work: Work, local: tuple[Local, ...]) -> Iterator[Any]:
                self.asked += 1
                for number, told in enumerate(super().over(task, work, local)):
                    yield told
                    if self.asked == 3 and number == 0:
                        outer.killed = next(iter(outer.client.run(os.getpid).values()))
                        os.kill(outer.killed, signal.SIGKILL)

        return Killing(self, laid)


def test_a_killed_worker_does_not_lose_the_run(parts: Path, alone: Path, cluster: Cluster, tmp_path: Path) -> None:
    deadly = Deadly(cluster.client)
    learn_partitions(parts, tmp_path / "killed", deadly)
    assert deadly.killed is not None
    assert deadly.killed not in cluster.client.run(os.getpid).values()
    same(alone, tmp_path / "killed")


def copied(parts: Path, tmp_path: Path) -> Path:
    shutil.copytree(parts, tmp_path / "copy")
    return tmp_path / "copy"


@pytest.mark.parametrize("kind", ["readings", "vehicles"])
def test_a_partition_that_is_cut_short_changed_or_missing_is_named(parts: Path, tmp_path: Path, kind: str) -> None:
    folder = copied(parts, tmp_path)
    path = folder / f"g00-s00001-{kind}.parquet"
    whole = path.read_bytes()
    path.write_bytes(whole[:-7])
    with pytest.raises(StoreError, match=rf"{path.name} has [\d,]+ bytes"):
        learn_partitions(folder, tmp_path / "short", Here())
    middle = len(whole) // 2
    path.write_bytes(whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :])
    with pytest.raises(StoreError, match=rf"{path.name} is not the file that was written"):
        learn_partitions(folder, tmp_path / "changed", Here())
    path.unlink()
    with pytest.raises(StoreError, match=rf"{path.name} cannot be read"):
        learn_partitions(folder, tmp_path / "missing", Here())


def test_a_worker_names_the_partition_too(parts: Path, cluster: Cluster, tmp_path: Path) -> None:
    folder = copied(parts, tmp_path)
    file = read_manifest(parts)["groups"][0]["shares"][1]["files"]["vehicles"]
    path = folder / file["name"]
    path.write_bytes(path.read_bytes()[:-7])
    with pytest.raises(StoreError, match=path.name):
        list(cluster.each(partial(read_table, folder), [file]))


def test_a_manifest_that_is_cut_short_or_changed_is_refused(parts: Path, tmp_path: Path) -> None:
    folder = copied(parts, tmp_path)
    text = (folder / MANIFEST).read_text("utf-8")
    for wrong, said in (
        (text[:-40], "cut short"),
        (text.replace('"most"', '"least"'), "was changed"),
        (text.replace('"form": 1', '"form": 9'), "form 9"),
        ("[]", "no manifest"),
    ):
        (folder / MANIFEST).write_text(wrong, "utf-8")
        with pytest.raises(StoreError, match=said):
            learn_partitions(folder, tmp_path / "out", Here())
    told = read_manifest(parts)
    write_manifest(folder, told | {"wearlab": "0.0.1"})
    with pytest.raises(StoreError, match=r"was laid by wearlab 0\.0\.1"):
        learn_partitions(folder, tmp_path / "out", Here())
    told["groups"][0]["shares"][0]["files"]["readings"]["name"] = "../elsewhere.parquet"
    write_manifest(folder, told)
    with pytest.raises(StoreError, match="is no file of a folder of partitions"):
        learn_partitions(folder, tmp_path / "out", Here())


def test_nothing_is_written_over(parts: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match="is not empty"):
        learn_partitions(parts, tmp_path, Here())
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize("address", ["127.0.0.1:8786", "tcp://127.0.0.1:8786", "tcp://localhost:9", "tcp://[::1]:8786"])
def test_this_machine_may_be_spoken_to_plainly(address: str) -> None:
    check_address(address, None)


@pytest.mark.parametrize(
    "address", ["tcp://10.0.0.7:8786", "10.0.0.7:8786", "tcp://depot.example:8786", "tcp://127.0.0.1.example:8786"]
)
def test_any_other_machine_needs_tls(address: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="only be spoken to over TLS"), workers_of(address, None):
        pass
    for name in ("ca", "cert", "key"):
        (tmp_path / name).write_text("x")
    files = Certificates(tmp_path / "ca", tmp_path / "cert", tmp_path / "key")
    with pytest.raises(InputError, match="only be spoken to over TLS"):
        check_address(address, files)
    host = address.removeprefix("tcp://")
    check_address(f"tls://{host}", files)
    with pytest.raises(InputError, match="needs --tls-ca"):
        check_address(f"tls://{host}", None)
    (tmp_path / "key").unlink()
    with pytest.raises(InputError, match="key is not a file"):
        check_address(f"tls://{host}", files)


@pytest.mark.parametrize("address", ["depot", "http://127.0.0.1:8786", "tcp://127.0.0.1", "tls://:8786", "tcp://a:b"])
def test_what_is_no_address_is_refused(address: str) -> None:
    with pytest.raises(InputError, match="is no address of a scheduler"):
        check_address(address, None)


def test_without_the_library_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"pip install \"wearlab\[distributed\]\""), workers_here(1):
        pass


def test_days_and_gaps_of_a_forecast_keep_their_kind() -> None:
    table = pd.DataFrame(forecast_table([]))
    assert table["date_p50"].dtype.kind == "M"
    assert table["level"].dtype == np.float64

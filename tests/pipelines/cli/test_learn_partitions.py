"""`wearlab learn` over partitions: the page's commands, the demo's answer, and options that do not go together."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from partition_example import KEYS, apart, in_order, written
from pipelines.steps.learn import fleet_on, latest_run, lines_of
from pipelines.steps.partition_files import write_manifest
from pipelines.steps.partition_run import Here, learn_partitions
from pipelines.steps.partitions import lay_group, manifest_of, unfitted
from pipelines.steps.wear_data import group_data
from pipelines.steps.wear_learn import previous_choice, why_no_fit
from pipelines.workspace import open_workspace
from small_fleet import AS_OF, SmallFleet
from wearlab.store.database import Database

ROOT = Path(__file__).parents[3]
EXACT = 1e-10
#: groups of the demo that are soon fitted: by the model, and by lines alone
DEMO_GROUPS = [("return_flow", "warm idle 120 s"), ("pump_peak", "closed volume 20 ml")]


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A workspace of twelve vehicles, and one whose tests have no odometer."""
    made, dice = SmallFleet(), np.random.default_rng(4)
    for k in range(12):
        name = f"K{k}"
        made.original(name, "2024-01-01")
        own = dice.normal(0, 2, 4)
        for visit in range(3):
            km = 20_000.0 * (visit + 1) + 500 * k
            level = 20 + 1.2e-4 * km + own + dice.normal(0, 1, 4)
            given = {str(seat + 1): round(float(value), 1) for seat, value in enumerate(level)}
            made.test(name, f"2025-{4 * visit + 2:02d}-{k + 1:02d}", km, given, rail_bar=280.0, fuel_temp_c=45.0)
    # no odometer: these are told by a line each, without a fit
    made.original("N0", "2024-01-01")
    for day in ("2025-03-03", "2025-09-03"):
        made.test("N0", day, None, {"1": 31.0, "2": 22.0}, rail_bar=280.0, fuel_temp_c=45.0)
    made.written(tmp_path / "fleet")
    return tmp_path / "fleet"


def stored(db: Database, run: int, table: str) -> Any:
    return db.frame(f"SELECT * EXCLUDE (run_id) FROM {table} WHERE run_id = ?", [run])  # noqa: S608  (fixed names)


def test_partitions_of_the_demo_tell_what_its_store_tells(demo_home: Path, tmp_path: Path) -> None:
    shutil.copytree(demo_home, tmp_path / "demo")
    place = open_workspace(tmp_path / "demo")
    folder = tmp_path / "parts"
    folder.mkdir()
    with place.open() as db:
        (day,) = (row[0] for row in db.rows("SELECT max(as_of) FROM run WHERE step = 'learn'"))
        number = db.value("SELECT max(run_id) FROM run WHERE step = 'learn' AND as_of = ?", [day])
        told = {name: stored(db, number, name) for name in ("forecast", "part_state")}
        with db.transaction():
            # as it was when that run was made
            for table in ("wear_group", "recalibration"):
                db.run(f"DELETE FROM {table} WHERE run_id >= ?", [number])  # noqa: S608  (fixed names)
            fleet = fleet_on(db, place, day, say=lambda text: None)
            metas = []
            for k, (measure, protocol) in enumerate(DEMO_GROUPS):
                group = group_data(db, place.settings, measure, protocol, day)
                silent = why_no_fit(group)
                lines = lines_of(db, *unfitted(group, silent), fleet)
                previous = previous_choice(db, measure, protocol)
                metas.append(lay_group(folder, k, group, fleet, silent=silent, previous=previous, lines=lines))
    write_manifest(folder, manifest_of(fleet, metas, settings_sha256="0" * 64, facts_sha256="0" * 64))
    learn_partitions(folder, tmp_path / "results", Here())
    _, levels, forecasts = written(tmp_path / "results")
    for found, name, keys in ((forecasts, "forecast", KEYS), (levels, "part_state", ["measure", "part", "life"])):
        whole = told[name]
        mine = [pair in DEMO_GROUPS for pair in zip(whole["measure"], whole["protocol"], strict=True)]
        assert len(found) > 100
        assert apart(in_order(found, keys), in_order(whole[mine], keys)) < EXACT


def test_the_commands_of_the_page_tell_what_the_store_tells(
    home: Path, run: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    text = (ROOT / "docs" / "scale.md").read_text("utf-8")
    lines = [
        line
        for block in re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
        for line in block.splitlines()
        if line.startswith("wearlab ") and "tls://" not in line
    ]
    assert len(lines) == 3
    monkeypatch.chdir(home)
    for line in lines:
        words = shlex.split(line)[1:]
        dated = ("--as-of", AS_OF.isoformat()) if "--lay" in words else ()
        done = run(*words, *dated, "--json")
        assert done.code == 0, f"{line}: {done.err}"
        assert done.json["groups"][0]["readings"] == 144
    assert run("learn", "--as-of", AS_OF.isoformat(), "--json").code == 0
    place = open_workspace(home)
    with place.open(read_only=True) as db:
        number = latest_run(db, place, AS_OF)
        assert number is not None
        told = {name: stored(db, number, name) for name in ("forecast", "part_state")}
        criterion = db.value("SELECT criterion FROM wear_group WHERE run_id = ?", [number])
    for folder in ("results", "alone"):
        manifest, levels, forecasts = written(home / folder)
        best = max(manifest["groups"][0]["candidates"], key=lambda one: one["weight"])
        assert best["criterion"] == pytest.approx(criterion, rel=EXACT)
        assert len(forecasts) == 48 + 2
        assert forecasts[forecasts["vehicle"] == "N0"]["no_answer"].notna().all()
        assert apart(forecasts, in_order(told["forecast"], KEYS)) < EXACT
        assert apart(levels, in_order(told["part_state"], ["part", "life"])) < EXACT


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--partitions", "x"], "name the folder of partitions with --partitions DIR and a new one with --results DIR"),
        (["--workers", "2"], "name the folder of partitions"),
        (["--lay", "x", "--workers", "2"], "--lay writes partitions and learns nothing"),
        (["--partitions", "x", "--results", "y", "--as-of", "2026-06-30"], "give --as-of with --lay"),
        (["--partitions", "x", "--results", "y", "--tls-ca", "z"], "belong to --scheduler"),
        (["--partitions", "x", "--results", "y", "--workers", "0"], "partitions.json cannot be read"),
        (["--partitions", "x", "--results", "y", "--scheduler", "tcp://10.0.0.7:8786"], "only be spoken to over TLS"),
        (["--partitions", "x", "--results", "y", "--scheduler", "tls://10.0.0.7:8786"], "needs --tls-ca, --tls-cert"),
    ],
)
def test_options_that_do_not_go_together(
    words: list[str], said: str, home: Path, run: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(home)
    done = run("learn", *words)
    assert done.code == 2
    assert said in done.err
    assert done.err.count("\n") <= 3

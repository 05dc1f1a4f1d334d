"""What was derived is known to be stale as soon as a fact changes, and only then."""

from __future__ import annotations

import shutil
from pathlib import Path

from conftest import DEMO_DAY, ROOT, Run
from pipelines.steps.facts import facts_sha256
from pipelines.steps.lives import fresh_lives, lives_are_fresh
from pipelines.workspace import open_workspace
from wearlab.store.database import open_database


def test_the_order_of_loading_does_not_change_the_facts(tmp_path: Path, run: Run) -> None:
    sheets = [ROOT / "datasets_demo" / "sheets" / name for name in ("north_pump.csv", "vehicles.csv", "events.csv")]
    hashes = []
    for number, order in enumerate((sheets, sheets[::-1])):
        home = tmp_path / str(number)
        assert run("new", home).code == 0
        shutil.copytree(ROOT / "datasets_demo" / "layouts", home / "layouts", dirs_exist_ok=True)
        for sheet in order:
            assert run("load", sheet, "--home", home, "--as-of", DEMO_DAY).code == 0
        with open_database(home / "wearlab.duckdb") as db:
            hashes.append(facts_sha256(db))
    assert hashes[0] == hashes[1]


def test_a_changed_reading_makes_what_was_derived_stale(demo_home: Path, tmp_path: Path) -> None:
    home = tmp_path / "fleet"
    shutil.copytree(demo_home, home)
    place = open_workspace(home)
    with place.open() as db:
        assert lives_are_fresh(db, place.settings)
        before = facts_sha256(db)
        db.run("UPDATE reading SET use = 'show' WHERE vehicle = 'V12' AND position = '1'")
        assert facts_sha256(db) != before
        assert not lives_are_fresh(db, place.settings)
        fresh_lives(db, place.settings)
        assert lives_are_fresh(db, place.settings)

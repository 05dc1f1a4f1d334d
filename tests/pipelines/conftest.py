"""A small workspace to be broken, copied for every test, and a process that runs commands which may be killed."""

from __future__ import annotations

import random
import shutil
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest

from command_server import Commands, served
from garage import HEAD, LAYOUT
from pipelines.sheets.files import find_files
from pipelines.sheets.layout import read_layouts
from pipelines.sheets.load import load_files
from pipelines.steps.learn import learn
from pipelines.workspace import new_workspace, open_workspace

#: the day all of it is looked at
TODAY = date(2026, 6, 30)

SETTINGS = """
name = "milk round"
[protocols."idle"]
measure = "return_flow"
driven = "idle"
[families."van"]
cylinders = 2
[[limits]]
name = "idle"
measure = "return_flow"
protocol = "idle"
kind = "most"
value = 30
unit = "ml/min"
source = "made for this test"
"""


def sheet(seed: int, vans: int = 3, visits: int = 5) -> str:
    """A sheet of two cylinders of some vans, with a slip of the pen in it."""
    dice = random.Random(seed)
    lines = [HEAD]
    for van in range(vans):
        for visit in range(visits):
            day = date(2023, 1, 10) + timedelta(days=170 * visit + 3 * van)
            flows = [8 + 0.1 * van + cylinder + 1.3 * visit + dice.gauss(0, 0.3) for cylinder in (0, 1)]
            told = [f"{flow:.1f}".replace(".", ",") for flow in flows]
            if (van, visit) == (1, 2):
                told[0] = "1x3"
            lines.append(f"R{seed}{van};{day:%d.%m.%Y};{12000 * visit + 500};idle;{told[0]};{told[1]};")
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="session")
def made_round(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with a loaded sheet and a run, and another sheet beside it; copied, never opened."""
    folder = tmp_path_factory.mktemp("round")
    home, sheets = folder / "home", folder / "sheets"
    new_workspace(home)
    (home / "wearlab.toml").write_text(SETTINGS, encoding="utf-8")
    (home / "layouts" / "round.toml").write_text(LAYOUT, encoding="utf-8")
    sheets.mkdir()
    (sheets / "first.csv").write_text(sheet(1), encoding="utf-8")
    place = open_workspace(home)
    with place.open(create=True) as db:
        load_files(db, place.settings, read_layouts(place.layouts), find_files([sheets]), as_of=TODAY)
        learn(db, place, TODAY)
    (sheets / "second.csv").write_text(sheet(2), encoding="utf-8")
    return folder


@pytest.fixture
def milk_round(tmp_path: Path, made_round: Path) -> Path:
    """A copy of the workspace; its sheets stand in the folder `sheets` beside it."""
    shutil.copytree(made_round, tmp_path / "round")
    return tmp_path / "round" / "home"


@pytest.fixture(scope="session")
def commands() -> Iterator[Commands]:
    """A process that runs commands in forks of itself."""
    with served() as made:
        yield made

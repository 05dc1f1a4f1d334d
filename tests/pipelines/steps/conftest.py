"""The garage, loaded once and copied for every test."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from garage import Garage


@pytest.fixture(scope="session")
def loaded_garage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with both sheets loaded, to be copied and never opened."""
    made = Garage(tmp_path_factory.mktemp("loaded") / "garage")
    made.load()
    return made.home


@pytest.fixture
def garage(tmp_path: Path, loaded_garage: Path) -> Garage:
    made = Garage(tmp_path / "garage")
    shutil.copyfile(loaded_garage / "wearlab.duckdb", made.home / "wearlab.duckdb")
    return made

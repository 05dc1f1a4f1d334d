"""Shared by the tests of the whole line: the demo workspace, built once, and a way to run a command."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from pipelines.cli import main

# the same examples on every run: a check that fails once fails always
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")

ROOT = Path(__file__).parents[1]
DEMO_DAY = "2026-10-31"


@dataclass(frozen=True)
class Outcome:
    """What a command left behind."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """The printed JSON."""
        return json.loads(self.out)


Run = Callable[..., Outcome]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command in this process: `run("due", "--home", folder)`."""

    def _run(*words: object) -> Outcome:
        with pytest.raises(SystemExit) as leaving:
            main([str(word) for word in words])
        said = capsys.readouterr()
        return Outcome(int(leaving.value.code or 0), said.out, said.err)

    return _run


@pytest.fixture(scope="session")
def demo_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo workspace: loaded, learned, reported; tests only read it."""
    from datetime import date

    from pipelines.steps.demo import build_demo

    home = tmp_path_factory.mktemp("demo") / "fleet"
    build_demo(home, ROOT / "datasets_demo", date.fromisoformat(DEMO_DAY))
    return home

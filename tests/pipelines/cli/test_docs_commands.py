"""Every command that the documents show runs, in a copy of the demo's workspace."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[3]
#: pages with a walk of their own, which their own tests take
WALKS = {"sheets.md", "scale.md", "safety.md"}
#: commands that are asked for elsewhere: what makes a workspace, and what waits for a file of the reader
ELSEWHERE = {"new", "load", "demo", "restore"}


def commands() -> list[str]:
    found: dict[str, None] = {}
    for page in [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]:
        if page.name in WALKS:
            continue
        for block in re.findall(r"```(?:sh|text)?\n(.*?)```", page.read_text("utf-8"), re.DOTALL):
            for line in block.splitlines():
                if line.startswith("wearlab "):
                    found[" ".join(line.partition("  #")[0].partition(" # ")[0].split())] = None
    return [line for line in found if shlex.split(line)[1] not in ELSEWHERE]


@pytest.fixture(scope="module")
def place(demo_home: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("docs") / "fleet"
    shutil.copytree(demo_home, home)
    shutil.copy(ROOT / "tests/reference/gaas_laser.csv", home / "FILE.csv")
    return home


def test_there_are_commands() -> None:
    assert len(commands()) >= 30


@pytest.mark.parametrize("line", commands())
def test_it_runs(line: str, place: Path, run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(place)
    words = shlex.split(line)[1:]
    if "KEY" in words:
        key = run("signals", "--json", "--as-of", "2026-10-31").json["signals"][0]["key"]
        words = [key if word == "KEY" else word for word in words]
    dated = words[0] not in ("note", "form", "settle", "backup", "check", "--version", "hindsight", "aside", "export")
    done = run(*words, *(("--as-of", "2026-10-31") if dated and "--as-of" not in words else ()))
    assert done.code == 0, done.err + done.out

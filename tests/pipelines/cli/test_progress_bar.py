"""The bar of a load stands on standard error, only on a screen, and never in what the command prints."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipelines.cli.common import progress_bar

ROOT = Path(__file__).parents[3]
SHEET = "Vehicle,Date,Position,Value\nE1,2025-02-01,1,12\n"


def test_no_bar_without_a_screen_or_when_quiet() -> None:
    with progress_bar(quiet=False) as told:
        assert told is None
    with progress_bar(quiet=True) as told:
        assert told is None


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminal there")
def test_the_bar_goes_to_the_screen_and_the_account_to_the_output(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(SHEET)
    start = "from pipelines.cli import main; import sys; main(sys.argv[1:])"
    words = [sys.executable, "-c", start]
    place = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "100"}
    subprocess.run([*words, "new", str(tmp_path / "w")], env=place, check=True, capture_output=True)
    ours, theirs = os.openpty()
    done = subprocess.run(
        [*words, "load", "--home", str(tmp_path / "w"), str(tmp_path / "a.csv")],
        env=place,
        stdout=subprocess.PIPE,
        stderr=theirs,
        text=True,
        check=False,
    )
    os.close(theirs)
    screen = b""
    while True:
        try:
            piece = os.read(ours, 65536)
        except OSError:  # the other end is closed
            break
        if not piece:
            break
        screen += piece
    os.close(ours)
    assert "a.csv" in done.stdout
    assert "\x1b" not in done.stdout
    assert "%" in screen.decode()
    assert "a.csv" in screen.decode()

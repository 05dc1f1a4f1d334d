"""How fast forecasts are made: all dates, odometers and chances of 125,000 parts, and the pace of 25,000 vehicles.

Run with `make bench`; each measurement is a process of its own. The aims on two cores: the forecasts under 20 s, the
paces under 4 s. Beside the forecasts stands one bare evaluation of as many inverse Gaussian laws by scipy.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
PARTS, VEHICLES = 125_000, 25_000

Figures = dict[str, Any]
Tell = Callable[[str], None]


@pytest.fixture
def tell(capsys: pytest.CaptureFixture[str], benchmark: Any) -> Tell:
    """Show a table with the results, and keep it with the benchmark's own figures."""

    def say(table: str) -> None:
        benchmark.extra_info["told"] = table
        with capsys.disabled():
            sys.stdout.write(f"\n{table}\n")

    return say


def _run(*words: object) -> Figures:
    done = subprocess.run(
        [sys.executable, str(HERE / "measure_forecast.py"), *map(str, words)],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": f"{ROOT}{os.pathsep}{HERE}"},
        capture_output=True,
        text=True,
        check=True,
    )
    figures: Figures = json.loads(done.stdout)
    return figures


def test_forecasts_of_many_parts(tell: Tell, benchmark: Any) -> None:
    done = benchmark.pedantic(_run, ("calendar", PARTS), rounds=1)
    assert done["dated"] > PARTS / 2
    tell(
        f"{done['parts']:,} parts on three scales: {done['seconds']:.1f} s (aim: 20 s), "
        f"laws alone {done['tabled']:.1f} s\n"
        f"one bare evaluation of as many laws by scipy: {done['bare']:.2f} s, "
        f"ratio {done['seconds'] / done['bare']:.0f}\n"
        f"peak memory {done['peak_mb']:,.0f} MB"
    )


def test_paces_of_many_vehicles(tell: Tell, benchmark: Any) -> None:
    done = benchmark.pedantic(_run, ("usage", VEHICLES), rounds=1)
    assert done["told"] == VEHICLES
    tell(
        f"{done['vehicles']:,} vehicles, {done['readings']:,} odometer readings: {done['seconds']:.2f} s (aim: 4 s), "
        f"peak memory {done['peak_mb']:,.0f} MB"
    )

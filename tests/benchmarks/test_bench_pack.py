"""How long a learned fleet's monthly pack takes, its PDF beside WeasyPrint alone on the same pages in the same run.

Run with `make bench`; each job is a process of its own. The aims on two cores: the demo's pack of 60 vehicles in 20 s,
that of 2,000 vehicles with twelve visits each in two minutes, PDF and workbook included, and never long without a word.
"""

from __future__ import annotations

from ctypes.util import find_library
from pathlib import Path
from typing import Any

import pytest

from benchmarks.measured import Figures, Tell, measured

VEHICLES = 2_000


def _run(*words: object) -> Figures:
    return measured("measure_pack.py", *words)


def _figures(name: str, done: Figures, aim: int) -> str:
    stages = "\n".join(f"  {stage:<22} {seconds:>7.2f} s" for stage, seconds in done["stages"].items())
    return (
        f"{name}: {done['seconds']:.1f} s (aim: {aim} s), processor time {done['processor']:.1f} s, longest silence "
        f"{done['silence']:.1f} s\n{stages}\n"
        f"vehicles with a page: {done['written']}; pages in the PDF: {len(done['pages'])}\n"
        f"peak memory {done['peak_mb']:,.0f} MB, of a drawing process {done['peak_drawer_mb']:,.0f} MB"
    )


@pytest.mark.skipif(find_library("pango-1.0") is None, reason="Pango is not installed")
def test_pack_of_the_demo(tmp_path: Path, tell: Tell, benchmark: Any) -> None:
    _run("demo", tmp_path)
    home = tmp_path / "home"
    done = benchmark.pedantic(_run, ("pack", home), rounds=1)
    assert done["written"] == 60
    assert done["pdf"]
    plain = _run("plain", home, *done["pages"])
    paper = done["stages"]["write_month_pdf"]
    tell(
        f"{_figures('pack of the demo', done, 20)}\n"
        f"PDF {paper:.1f} s while pages are drawn; WeasyPrint alone on the same pages {plain['seconds']:.1f} s, "
        f"ratio {paper / plain['seconds']:.2f}"
    )


@pytest.mark.skipif(find_library("pango-1.0") is None, reason="Pango is not installed")
def test_pack_of_two_thousand_vehicles(tmp_path: Path, tell: Tell, benchmark: Any) -> None:
    readings = _run("fleet", tmp_path, VEHICLES)["readings"]
    done = benchmark.pedantic(_run, ("pack", tmp_path / "home"), rounds=1)
    assert 0 < done["written"] < VEHICLES
    assert done["pdf"]
    tell(_figures(f"pack of {VEHICLES:,} vehicles, {readings:,} readings", done, 120))

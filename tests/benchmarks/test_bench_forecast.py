"""How fast forecasts are made: all dates, odometers and chances of 125,000 parts, and the pace of 25,000 vehicles.

Run with `make bench`; each measurement is a process of its own. The aims on two cores: the forecasts under 20 s, the
paces under 4 s. Beside the forecasts stands one bare evaluation of as many inverse Gaussian laws by scipy.
"""

from __future__ import annotations

from typing import Any

from benchmarks.measured import Figures, Tell, measured

PARTS, VEHICLES = 125_000, 25_000


def _run(*words: object) -> Figures:
    return measured("measure_forecast.py", *words)


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

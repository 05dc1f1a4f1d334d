"""How fast signals are told after the fit of a million readings, beside bare numpy and pandas in the same run.

Run with `make bench`; the measurement is a process of its own. The aim on two cores: under 20 s for innovations, the
chance of false signals, the causes of every vehicle, shared causes (rigs, tubes, months at a depot) and the plain
charts together. The bare work is one Cholesky factor and one solve of every vehicle's covariance, in stacks; pandas
draws one of the charts, the EWMA.
"""

from __future__ import annotations

from typing import Any

from scipy.stats import binom, norm

from benchmarks.measured import Figures, Tell, measured

VEHICLES, READINGS_A_VEHICLE = 25_000, 40


def _run(*words: object) -> Figures:
    return measured("measure_signals.py", *words)


def test_signals_of_a_million_readings(tell: Tell, benchmark: Any) -> None:
    done = benchmark.pedantic(_run, ("signals", VEHICLES), rounds=1)
    parts = "\n".join(f"  {name:<16} {seconds:>6.2f} s" for name, seconds in done["parts"].items())
    charts = done["parts"]["plain charts"]
    tell(
        f"{done['readings']:,} readings: {done['seconds']:.1f} s (aim: 20 s), "
        f"processor time {done['processor']:.1f} s\n{parts}\n"
        f"bare factor and solve of every block by numpy: {done['bare']:.2f} s, "
        f"ratio {done['seconds'] / done['bare']:.0f}\n"
        f"five charts of every series {charts:.2f} s; one of them by pandas {done['pandas']:.2f} s, "
        f"ratio {charts / done['pandas']:.2f}\n"
        f"limit {done['limit']:.2f}, {done['episodes']:,} episodes, {done['shared']:,} shared causes looked at\n"
        f"peak memory {done['peak_mb']:,.0f} MB, of the fit before it {done['fit_peak_mb']:,.0f} MB"
    )
    assert done["readings"] == VEHICLES * READINGS_A_VEHICLE
    assert done["apart"] < 1e-9  # pandas and the chart average alike
    # readings of a fleet that nothing befalls pass the limits of single readings as often as the normal law says
    low, high = binom.interval(0.9999, done["readings"], 2 * norm.sf(3.0))
    assert low < done["charted"]["individuals"] < high

"""Signals of a fitted fleet in a process of its own, so that time and peak memory are its own; prints JSON.

python measure_signals.py signals VEHICLES      seconds by part, and beside them bare numpy and pandas on the same fleet

VEHICLES with four parts and ten visits each, so forty readings a vehicle. A hundred depots with a rig each, calibrated
every two years; each part is read in its own tube. Nothing befalls the fleet: what signals is chance.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from measure_wear import TRUTH, peak_mb

SEED = 42
PARTS, VISITS = 4, 10
DEPOTS, CALIBRATED, DAYS_APART, MONTH = 100, 700, 180, 30
#: One false signal in so many visits.
RARE = 50


def _fitted(vehicles: int) -> Any:
    from wearlab.records import NoAnswer
    from wearlab.wear import fit_group
    from wearlab.wear.fleet import simulated_fleet
    from wearlab.wear.scale import STRAIGHT

    truth = TRUTH | {"parts": PARTS, "visits": VISITS, "correlation": 0.3, "path": 0.7, "families": 4, "periods": 6}
    found = fit_group(simulated_fleet(SEED, vehicles=vehicles, **truth).data, scales=(STRAIGHT,), average=False)
    assert not isinstance(found, NoAnswer)
    return found.best


def _bare(fit: Any) -> float:
    """Cholesky of every block's covariance and a solve for its readings and fixed columns, in stacks, by numpy."""
    from wearlab.control.innovations import whitened

    seconds = 0.0
    for white in whitened(fit):
        at = np.arange(white.lower.shape[1])
        lower = white.lower.copy()
        lower[:, at, at] += white.visit < 0
        k = lower @ lower.swapaxes(1, 2)
        right = lower @ np.concatenate([white.wx, white.w[:, :, None]], axis=2)
        started = time.perf_counter()
        np.linalg.solve(np.linalg.cholesky(k), right)
        seconds += time.perf_counter() - started
    return seconds


def _pandas(values: Any, series: Any, turn: Any, weight: float) -> tuple[float, Any]:
    """One EWMA of every part's series by pandas, in the order of the readings."""
    import pandas as pd

    order = np.lexsort((turn, series))
    started = time.perf_counter()
    frame = pd.DataFrame({"series": series[order], "z": values[order]})
    # a reading before the first of each series, which is the mean that the chart starts from
    heads = pd.DataFrame({"series": np.unique(series), "z": 0.0})
    both = pd.concat([heads, frame]).sort_values("series", kind="stable")
    average = both.groupby("series")["z"].ewm(alpha=weight, adjust=False, ignore_na=True).mean().to_numpy()
    seconds = time.perf_counter() - started
    out = np.empty(values.size)
    out[order] = np.delete(average, np.flatnonzero(np.diff(both["series"].to_numpy(), prepend=-1)))
    return seconds, out


def signals(vehicles: int) -> dict[str, Any]:
    """All that is told of signals after the fit, part by part."""
    from wearlab.control.budget import false_signals, limit_for
    from wearlab.control.episodes import episodes
    from wearlab.control.fleet_charts import ChartRules, fleet_charts
    from wearlab.control.innovations import innovations
    from wearlab.control.shared import lasting, passing

    fit = _fitted(vehicles)
    data, life = fit.design.data, fit.design.blocks.life
    day = data.turn * DAYS_APART + data.vehicle * 37 % DAYS_APART
    depot = data.vehicle % DEPOTS
    rig = depot * 10 + day // CALIBRATED
    tube, month = rig * PARTS + data.part % PARTS, depot * 1000 + day // MONTH
    rules = ChartRules(width=3.0, weight=0.2, ewma_width=2.86, reference=0.5, decision=5.0, alpha=0.0027)
    before, processor = peak_mb(), time.process_time()
    seconds: dict[str, float] = {}

    def timed(name: str, work: Callable[[], Any]) -> Any:
        started = time.perf_counter()
        found = work()
        seconds[name] = time.perf_counter() - started
        return found

    found = timed("innovations", lambda: innovations(fit))
    chance = timed("false signals", lambda: false_signals(fit))
    limit = limit_for(vehicles / RARE, [(chance, float(vehicles))])
    told = timed("causes", lambda: episodes(fit, limit))
    shared = [
        *timed("shared: rigs", lambda: lasting(fit, rig, day)),
        *timed("shared: tubes", lambda: lasting(fit, tube, day)),
        *timed("shared: months", lambda: passing(fit, month, day)),
    ]
    charts = timed("plain charts", lambda: fleet_charts(found, life, data.turn, rules))
    peak, processor = peak_mb(), time.process_time() - processor
    pandas_seconds, average = _pandas(found.given_past, life, data.turn, rules.weight)
    (ours,) = (one.statistic for one in charts if one.name == "EWMA")
    return {
        "readings": data.y.size,
        "parts": seconds,
        "seconds": sum(seconds.values()),
        "processor": processor,
        "bare": _bare(fit),
        "pandas": pandas_seconds,
        "apart": float(np.nanmax(np.abs(ours - average))),
        "limit": limit,
        "episodes": len(told),
        "shared": len(shared),
        "charted": {one.name: int(one.signal.sum()) for one in charts},
        "fit_peak_mb": before,
        "peak_mb": peak,
    }


if __name__ == "__main__":
    job, count = sys.argv[1:]
    sys.stdout.write(json.dumps({"signals": signals}[job](int(count))) + "\n")

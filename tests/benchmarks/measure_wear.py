"""One measured fit in a process of its own, so that its time and peak memory are its own; prints JSON.

python measure_wear.py fit VEHICLES MODEL TIMES      this library, the same fit so many times
python measure_wear.py choose VEHICLES               this library with its choice of scale: first month, and the next
python measure_wear.py mixedlm VEHICLES              statsmodels on the readings of MODEL "uncorrelated"
python measure_wear.py write VEHICLES MODEL FILE     the readings as CSV, for lme4

VEHICLES with five parts and eight visits each, so forty readings a vehicle. MODEL is "everything", "nested" (no path,
as lme4 can fit it) or "uncorrelated" (level and rate of a part apart, as MixedLM can fit it); the truth behind the
readings is the same model.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from typing import Any

import numpy as np

SEED = 40
#: Exposure in 10,000 km, so that every program is given numbers of ordinary size.
TRUTH: dict[str, Any] = {
    "parts": 5,
    "visits": 8,
    "level": 30.0,
    "rate": 1.2,
    "vehicle_level": 3.0,
    "vehicle_rate": 0.3,
    "part_level": 4.0,
    "part_rate": 0.4,
    "visit": 0.8,
    "repeat": 0.0,
    "error": 2.0,
    "gap": 2.0,
    "exposure_unit": "10,000 km",
}
MODELS: dict[str, tuple[dict[str, float], tuple[str, ...]]] = {
    "everything": ({"correlation": 0.3, "path": 0.7}, ()),
    "nested": ({"correlation": 0.3, "path": 0.0}, ("path",)),
    "uncorrelated": ({"correlation": 0.0, "path": 0.0}, ("path", "correlation")),
}


def _readings(vehicles: int, model: str) -> Any:
    from wearlab.wear.fleet import simulated_fleet

    return simulated_fleet(SEED, vehicles=vehicles, **TRUTH, **MODELS[model][0]).data


def fit(vehicles: int, model: str, times: int) -> dict[str, Any]:
    """Restricted maximum likelihood on the straight scale, without penalty and weights."""
    from wearlab.records import NoAnswer
    from wearlab.wear import fit_group
    from wearlab.wear.scale import STRAIGHT

    data, seconds, found = _readings(vehicles, model), [], None
    for _ in range(times):
        started = time.perf_counter()
        found = fit_group(
            data, scales=(STRAIGHT,), penalty=False, robust=False, average=False, without=MODELS[model][1]
        )
        seconds.append(time.perf_counter() - started)
    assert found is not None
    assert not isinstance(found, NoAnswer)
    best = found.best
    return {
        "readings": len(data),
        "seconds": float(np.median(seconds)),
        "slowest": max(seconds),
        "criterion": best.criterion,
        "status": best.status,
        "steps": len(best.trace),
    }


def choose(vehicles: int) -> dict[str, Any]:
    """As a month is run: scale chosen from held-back forecasts, penalty and weights on; then with the kept choice."""
    from wearlab.records import NoAnswer
    from wearlab.wear import fit_group

    data = _readings(vehicles, "everything")
    started = time.perf_counter()
    first = fit_group(data)
    between = time.perf_counter()
    assert not isinstance(first, NoAnswer)
    second = fit_group(data, previous=first.choice)
    ended = time.perf_counter()
    assert not isinstance(second, NoAnswer)
    return {
        "readings": len(data),
        "seconds": between - started,
        "later": ended - between,
        "candidates": len(first.candidates),
        "status": first.best.status,
    }


def mixedlm(vehicles: int) -> dict[str, Any]:
    """MixedLM by vehicle, the other effects as variance components; BFGS is its fastest search that arrives."""
    import pandas as pd
    import statsmodels.formula.api as smf

    data = _readings(vehicles, "uncorrelated")
    columns = {"vehicle": data.vehicle, "part": data.part, "visit": data.visit, "x": data.exposure, "y": data.y}
    components = {"rate": "0 + x", "part": "0 + C(part)", "part_rate": "0 + C(part):x", "visit": "0 + C(visit)"}
    started = time.perf_counter()
    model = smf.mixedlm("y ~ x", pd.DataFrame(columns), groups="vehicle", re_formula="1", vc_formula=components)
    found = model.fit(reml=True, method="bfgs", maxiter=500)
    seconds = time.perf_counter() - started
    return {
        "readings": len(data),
        "seconds": seconds,
        "criterion": float(found.llf),
        "converged": bool(found.converged),
    }


def write(vehicles: int, model: str, file: str) -> dict[str, Any]:
    """Write the readings with labels that are different in different vehicles."""
    data = _readings(vehicles, model)
    visit = data.vehicle * (int(data.visit.max()) + 1) + data.visit
    table = np.column_stack([data.vehicle, data.part, visit, data.exposure, data.y])
    header = "vehicle,part,visit,x,y"
    np.savetxt(file, table, delimiter=",", header=header, comments="", fmt=["%d", "%d", "%d", "%.17g", "%.17g"])
    return {"readings": len(data)}


def peak_mb() -> float:
    """Peak resident memory of this process and its largest child in MB (macOS counts bytes, Linux kilobytes)."""
    peak = sum(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6


if __name__ == "__main__":
    job, *words = sys.argv[1:]
    result = {"fit": fit, "choose": choose, "mixedlm": mixedlm, "write": write}[job](
        *(int(word) if word.isdigit() else word for word in words)  # type: ignore[arg-type]
    )
    sys.stdout.write(json.dumps(result | {"peak_mb": peak_mb()}) + "\n")

"""How long the rules on whole sets take: 25,000 vehicles of four injectors, four rules, three working scales.

The aim: from the fit to the rows of the forecast table in 60 s on two cores.
"""

from __future__ import annotations

import time
from collections import Counter
from datetime import date
from typing import Any

from benchmarks.measured import Tell
from learned_fleet import fleet_today, learned_from
from pipelines.steps.set_forecasts import set_forecasts
from wearlab.config import Settings
from wearlab.wear.fleet import simulated_fleet
from wearlab.wear.group import fit_group
from wearlab.wear.results import WearFit
from wearlab.wear.scale import STRAIGHT, WorkingScale

AS_OF = date(2026, 6, 30)
VEHICLES = 25_000
SECONDS = 60.0
COMMON = {"measure": "return_flow", "protocol": "warm idle", "source": "made for this test"}
LIMITS: dict[str, dict[str, Any]] = {
    "lowest": {"kind": "times lowest", "value": 1.5},
    "median": {"kind": "times median", "value": 1.3},
    "mean": {"kind": "percent from mean", "value": 20},
    "total": {"kind": "set total most", "value": 170, "unit": "ml/min"},
}


def test_rules_on_the_sets_of_a_national_fleet(tell: Tell, benchmark: Any) -> None:
    data = simulated_fleet(3, vehicles=VEHICLES, parts=4, visits=4).data
    fit = fit_group(data, scales=(STRAIGHT, WorkingScale(0.0), WorkingScale(1.0, 1.5)))
    assert isinstance(fit, WearFit)
    found = learned_from(data, fit, as_of=AS_OF)
    settings = Settings.model_validate(
        {
            "protocols": {"warm idle": {"measure": "return_flow", "driven": "idle"}},
            "families": {"van": {"cylinders": 4}},
            "limits": [
                {"name": name, "measure": "return_flow", "protocol": "warm idle", "source": "made for this test"}
                | limit
                for name, limit in LIMITS.items()
            ],
        }
    )
    fleet = fleet_today(found, AS_OF, settings)

    def run() -> tuple[float, float, list[dict[str, Any]]]:
        wall, cpu = time.perf_counter(), time.process_time()
        rows = set_forecasts(found, fleet)
        return time.perf_counter() - wall, time.process_time() - cpu, rows

    wall, cpu, rows = benchmark.pedantic(run, rounds=1, iterations=1)
    tell(f"{VEHICLES} vehicles, {len(LIMITS)} rules, {len(rows)} rows: {wall:.1f} s, {cpu:.1f} s of processor")
    assert Counter(row["rule"] for row in rows) == {
        "lowest": 4 * VEHICLES,
        "median": 4 * VEHICLES,
        "mean": 4 * VEHICLES,
        "total": VEHICLES,
    }
    assert wall < SECONDS

"""One measured forecast in a process of its own, so that its time and peak memory are its own; prints JSON.

python measure_forecast.py calendar PARTS       laws, dates, odometers and chances of so many parts on three scales
python measure_forecast.py usage VEHICLES       the pace of so many vehicles from their odometer logs
"""

from __future__ import annotations

import json
import sys
import time
from datetime import date, timedelta
from typing import Any

import numpy as np
from measure_wear import peak_mb

SEED = 41
AS_OF = date(2026, 10, 1)
PARTS_A_VEHICLE = 5


class _Component:
    """One working scale's view of the parts, as the wear model hands it over."""

    def __init__(self, weight: float, scale: Any, level: Any, rate: Any, variances: tuple[float, ...], at: Any) -> None:
        self.weight, self.scale, self.level, self.rate = weight, scale, level, rate
        sd, rate_sd, correlation, path, noise = variances
        size = level.size
        self.var_level, self.var_rate = np.full(size, sd**2), np.full(size, rate_sd**2)
        self.cov = np.full(size, correlation * sd * rate_sd)
        self.path_variance, self.noise = path, np.full(size, noise)
        self.unit_exposure, self.gamma = np.full(size, 2e5), np.full(size, scale.gamma)
        self.position = scale.exposure(at / self.unit_exposure)


class _Mixture:
    def __init__(self, components: list[_Component]) -> None:
        self.components = components


def _mixture(parts: int) -> tuple[Any, Any]:
    """Levels of 20 to 60 with rates towards a limit of 70, told alike by three scales."""
    from wearlab.wear.scale import WorkingScale

    rng = np.random.default_rng(SEED)
    level, rate, at = rng.uniform(20, 65, parts), rng.normal(20, 8, parts), rng.uniform(0.5e5, 3e5, parts)
    straight, log, bent = WorkingScale(1.0), WorkingScale(0.0), WorkingScale(1.0, 1.5)
    xi = at / 2e5
    return _Mixture(
        [
            _Component(0.6, straight, level, rate, (2.5, 5.0, 0.3, 9.0, 6.0), at),
            _Component(0.3, log, np.log(level), rate / level, (0.06, 0.12, 0.3, 0.01, 0.01), at),
            _Component(0.1, bent, level, rate / (1.5 * np.sqrt(xi)), (2.5, 5.0, 0.3, 9.0, 6.0), at),
        ]
    ), at


def calendar(parts: int) -> dict[str, Any]:
    """All of it, beside one bare evaluation of as many inverse Gaussian laws by scipy."""
    from scipy.stats import invgauss

    from wearlab.config import Horizons
    from wearlab.forecast.calendar import Standing, calendar_forecasts, day_law
    from wearlab.forecast.grid_law import passage_law
    from wearlab.forecast.next_reading import reading_chance
    from wearlab.lives.outlook import Outlook
    from wearlab.lives.usage import Usage

    mixture, at = _mixture(parts)
    rng = np.random.default_rng(SEED + 1)
    paces = []
    for _ in range(-(-parts // PARTS_A_VEHICLE)):
        pace, gap = float(rng.uniform(60, 250)), int(rng.integers(0, 40))
        outlook = Outlook(
            pace, 0.02 * pace, (0.08 * pace) ** 2, 0.0, (0.1 * pace) ** 2, (0.12 * pace) ** 2, 300.0, 0.8 * pace**2,
            0.05, 0.05, 200.0,
        )  # fmt: skip
        now = 2e5 + pace * gap
        paces.append(
            Usage(AS_OF, pace, 0.85 * pace, 1.15 * pace, now, AS_OF - timedelta(days=gap), 2e5, False, 50, "", outlook)
        )
    usage = [paces[k // PARTS_A_VEHICLE] for k in range(parts)]
    age = rng.integers(20, 300, parts).astype(np.float64)
    pace_of = np.array([one.km_per_day for one in usage])
    now = at + pace_of * age
    index, limit, side = np.arange(parts), np.full(parts, 70.0), np.ones(parts)
    visit = [AS_OF + timedelta(days=int(days)) for days in rng.integers(10, 300, parts)]
    started = time.perf_counter()
    law = passage_law(mixture, index, limit, side)
    tabled = time.perf_counter()
    standing = Standing(now, now + 1e4, usage, age, visit)
    by_day = day_law(law, standing)
    driven, spread = by_day.travel.driven(np.array([(day - AS_OF).days for day in visit], dtype=np.float64), index)
    reads = reading_chance(mixture, index, limit, side, by_day.travel.at_last, driven=driven, spread=spread)
    found = calendar_forecasts(law, Standing(now, now + 1e4, usage, age, visit, None, reads), AS_OF, Horizons())
    ended = time.perf_counter()
    laws = parts * len(mixture.components)
    times, shape = rng.uniform(0.1, 5.0, laws), rng.uniform(5.0, 500.0, laws)
    bare = time.perf_counter()
    invgauss(2.0 / shape, scale=shape).cdf(times)
    bare = time.perf_counter() - bare
    return {
        "parts": parts,
        "seconds": ended - started,
        "tabled": tabled - started,
        "bare": bare,
        "dated": sum(one.date_p50 is not None for one in found),
    }


def usage(vehicles: int) -> dict[str, Any]:
    """Four years of weekly readings each."""
    from wearlab.lives.fleet_usage import fleet_usage
    from wearlab.lives.odometer import day_number

    rng = np.random.default_rng(SEED)
    today, weeks = day_number(AS_OF), 208
    days = [today - 7 * np.arange(weeks)[::-1] - int(rng.integers(0, 7)) for _ in range(vehicles)]
    paces = np.exp(rng.normal(np.log(120), 0.3, vehicles))
    distance = [np.cumsum(7 * pace * np.maximum(1 + rng.normal(0, 0.3, weeks), 0)) for pace in paces]
    depot = [str(k % 40) for k in range(vehicles)]
    names = [str(k) for k in range(vehicles)]
    started = time.perf_counter()
    found = fleet_usage(names, days, distance, AS_OF, depot=depot)
    return {
        "vehicles": vehicles,
        "readings": vehicles * weeks,
        "seconds": time.perf_counter() - started,
        "told": len(found),
    }


if __name__ == "__main__":
    job, count = sys.argv[1:]
    result = {"calendar": calendar, "usage": usage}[job](int(count))
    sys.stdout.write(json.dumps(result | {"peak_mb": peak_mb()}) + "\n")

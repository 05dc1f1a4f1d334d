"""Fleets for back-tests of crossings: one part a unit, readings up to an origin, then the true level to its crossing.

The wear model itself (a straight line of its own a unit, a Wiener path, reading errors), the same on its other scales,
and three mechanisms that are not ours. After the origin the table holds the true level on a fine grid, so that the
crossing that a forecast is scored by is the true one and no lucky reading.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearlab.wear.scale import CANDIDATES
from wearlab.wear.variances import Variances

Floats = NDArray[np.float64]

#: Every fleet's readings run to this exposure; its limit lies so that the units cross about one and a half to three
#: times as far out.
ORIGIN = 1000.0
#: Steps of the true level: fine enough for its crossing, and how far it is followed.
STEP, END = 2.0, 10_000.0


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A fleet as a table of unit, time and value, with its limit; `variances` are the true ones of our own model."""

    unit: list[str]
    time: Floats
    value: Floats
    limit: float
    variances: Variances | None


def _steps() -> Floats:
    return np.arange(STEP, END + STEP, STEP)


@dataclass(frozen=True, slots=True, eq=False)
class Wear:
    """True levels (units, steps); `variances` of our own straight model, without the reading error."""

    level: Floats
    variances: Variances | None = None


def own(rng: np.random.Generator, units: int) -> Wear:
    """Straight lines of their own with a Wiener path; path and spread of rates differ from fleet to fleet."""
    rate_sd, level_sd, path = 0.01 * rng.uniform(0.1, 0.35), rng.uniform(0.2, 1.0), rng.uniform(0.0, 0.04)
    rate, level = 0.01 + rate_sd * rng.standard_normal(units), 10.0 + level_sd * rng.standard_normal(units)
    t = _steps()
    walk = np.cumsum(rng.standard_normal((units, t.size)), axis=1) * path * np.sqrt(STEP)
    return Wear(
        level[:, None] + rate[:, None] * t + walk,
        Variances(part_level=level_sd, part_rate=rate_sd, path=path),
    )


def gamma_process(rng: np.random.Generator, units: int) -> Wear:
    """Wear in jumps that only ever add, few and large or many and small; a rate of its own a unit."""
    rate = 0.01 * np.exp(rng.uniform(0.1, 0.4) * rng.standard_normal(units))
    jump = rng.choice([0.3, 1.0, 3.0])
    grown = rng.gamma(STEP * rate[:, None] / jump, jump, (units, _steps().size))
    return Wear(10.0 + rng.uniform(0.2, 1.0) * rng.standard_normal(units)[:, None] + np.cumsum(grown, axis=1))


def cubic_clearance(rng: np.random.Generator, units: int) -> Wear:
    """Leakage through a gap that wear widens: with the cube of the clearance, which grows straight."""
    first = 1.0 + 0.03 * rng.standard_normal(units)
    faster = rng.uniform(0.3, 0.8) * np.exp(rng.uniform(0.1, 0.35) * rng.standard_normal(units)) / ORIGIN
    return Wear(10.0 * (first[:, None] + faster[:, None] * _steps()) ** 3)


def contamination(rng: np.random.Generator, units: int) -> Wear:
    """Straight wear until dirt comes in, at any time alike (so before the origin for most); then a step, and faster."""
    rate = 0.006 * np.exp(0.25 * rng.standard_normal(units))
    when = ORIGIN * rng.uniform(0.6, 1.5) * rng.exponential(1.0, units)
    step, times = rng.uniform(1.0, 4.0), rng.uniform(1.5, 4.0)
    t = _steps()
    after = np.maximum(t - when[:, None], 0.0)
    level = 10.0 + 0.4 * rng.standard_normal(units)[:, None] + rate[:, None] * (t + (times - 1) * after)
    return Wear(level + step * (after > 0))


def own_curved(rng: np.random.Generator, units: int) -> Wear:
    """The wear model on one of its other scales: straight there, curved as measured."""
    scale = CANDIDATES[int(rng.integers(1, len(CANDIDATES)))]
    tau = (_steps() / ORIGIN) ** scale.gamma
    first, rise = scale.forward(10.0), scale.forward(18.0) - scale.forward(10.0)
    rate = rise * (1 + rng.uniform(0.1, 0.35) * rng.standard_normal(units))
    start = first + rng.uniform(0.02, 0.1) * rise * rng.standard_normal(units)
    walk = np.cumsum(rng.standard_normal((units, tau.size)) * np.sqrt(np.diff(tau, prepend=0.0)), axis=1)
    worked = start[:, None] + rate[:, None] * tau + rng.uniform(0.0, 0.12) * rise * walk
    return Wear(np.minimum(scale.inverse(worked), 1e6))


MECHANISMS: dict[str, Callable[[np.random.Generator, int], Wear]] = {
    "own model": own,
    "own model, curved": own_curved,
    "gamma process": gamma_process,
    "cubic clearance": cubic_clearance,
    "contamination": contamination,
}


def table(mechanism: str, seed: int) -> Table:
    """Draw one fleet: 20 to 70 units, 6 to 12 readings each up to the origin, errors up to a tenth of the wear."""
    rng = np.random.default_rng([seed, list(MECHANISMS).index(mechanism)])
    units, readings = int(rng.integers(20, 71)), int(rng.integers(6, 13))
    wear = MECHANISMS[mechanism](rng, units)
    level = wear.level
    t = _steps()
    at = np.linspace(0.0, ORIGIN, readings + 1)[1:]
    place = np.round(at / STEP).astype(np.int64) - 1
    risen = np.median(level[:, place[-1]] - level[:, 0])
    error = rng.uniform(0.01, 0.1) * risen
    read = level[:, place] + error * rng.standard_normal((units, readings))
    # the level that half the units have reached at so many times the origin; curved wear soon leaves every measure
    near, far = (1.2, 1.8) if MECHANISMS[mechanism] is own_curved else (1.5, 3.0)
    limit = float(np.median(level[:, int(rng.uniform(near, far) * ORIGIN / STEP)]))
    unit, time, value = [], [], []
    for k in range(units):
        past = np.flatnonzero((level[k] >= limit) & (t > ORIGIN))
        shown = slice(place[-1], (int(past[0]) if past.size else t.size - 1) + 1)
        # the level as it was at the origin stands for the reading there, but not twice
        later_t, later = t[shown][1:], level[k][shown][1:]
        unit += [f"U{k:02d}"] * (readings + later.size)
        time.append(np.concatenate([t[place], later_t]))
        value.append(np.concatenate([read[k], later]))
    known = None if wear.variances is None else replace(wear.variances, error=float(error))
    return Table(unit, np.concatenate(time), np.concatenate(value), limit, known)

"""Fleets drawn from the wear model, with the truth behind every reading: for tests, studies and planning a design.

The readings follow, on the working scale and with all numbers given on that scale,

    y = level + rate x + (A_v + sum over vehicles R_v g_v) + (a_i + r_i x) + path W_i(x) + V_t + u_it + e

with x the working exposure of the life, g_v what it gathered on vehicle v, A_v and R_v of the vehicle, (a, r) of
the part and correlated, W a Wiener process, V shared by a visit, u by one part's repeats at one visit, e of the
reading. Factors (conditions, season, rig periods) multiply the reading on its measured scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearlab.errors import InputError
from wearlab.wear.data import WearData
from wearlab.wear.histories import draw_histories
from wearlab.wear.scale import STRAIGHT, WorkingScale
from wearlab.wear.visit_factors import draw_factors

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
#: A whole number for all, or the fewest and the most.
Count = int | tuple[int, int]


@dataclass(frozen=True, slots=True, eq=False)
class Fleet:
    """Readings and what they were drawn from; n readings, L lives, V vehicles, F families.

    Attributes
    ----------
    data : the readings; labels of vehicle, part and family are numbers, a visit's is its turn on the vehicle.
    level : (n,) true level at each reading under reference conditions, measured scale.
    part : (L,) the lives that have readings; the other arrays over lives run alongside.
    last_exposure, last_level, rate : (L,) at a life's last reading: exposure, true level, and slope of its straight
        line (path left out) per 1 of exposure on the measured scale.
    working_level, working_rate : (L,) the same on the working scale, the rate per 1 of working exposure.
    part_effects, vehicle_effects, family_effects : (L, 2), (V, 2), (F, 2) the level and the rate of each.
    coefficients : (c,) true coefficients of the covariates.
    period_offsets : offset of each rig period as a factor's logarithm; the base comes first with 0.
    gross : places of the readings that were spoiled.
    working_unit : exposure x counts as working_unit * (x / working_unit)^gamma.
    """

    data: WearData
    level: Floats
    part: Ints
    last_exposure: Floats
    last_level: Floats
    rate: Floats
    working_level: Floats
    working_rate: Floats
    part_effects: Floats
    vehicle_effects: Floats
    family_effects: Floats
    coefficients: Floats
    period_offsets: Floats
    gross: Ints
    scale: WorkingScale
    working_unit: float

    def of_parts(self, labels: Sequence[Any] | NDArray[Any]) -> Ints:
        """Return the place of each of these lives, (m,), in the arrays over lives."""
        place = np.searchsorted(self.part, np.asarray(labels, dtype=np.int64))
        if not np.array_equal(self.part[np.minimum(place, self.part.size - 1)], labels):
            raise InputError("a part is none of this fleet's")
        return place.astype(np.int64)


def simulated_fleet(
    seed: int | np.random.Generator,
    *,
    vehicles: int,
    parts: int = 4,
    visits: Count = 6,
    repeats: Count = 1,
    families: int = 1,
    level: float = 30.0,
    rate: float = 1.2e-4,
    family_spread: float = 0.15,
    vehicle_level: float = 3.0,
    vehicle_rate: float = 3e-5,
    part_level: float = 4.0,
    part_rate: float = 4e-5,
    correlation: float = 0.3,
    path: float = 7e-3,
    visit: float = 0.8,
    repeat: float = 0.6,
    error: float = 2.0,
    start: float = 6.0,
    start_level: float = 0.0,
    gap: float = 20_000.0,
    gap_spread: float = 0.3,
    missing: float = 0.0,
    replaced: float = 0.0,
    moved: float = 0.0,
    unknown: float = 0.0,
    scale: WorkingScale = STRAIGHT,
    resolution: float = 0.0,
    beyond: float = 0.0,
    scale_end: float | None = None,
    conditions: bool = False,
    exponents: tuple[float, float] = (1.0, 0.7),
    viscosity_missing: float = 0.0,
    season: float | None = None,
    last_in_season: bool = False,
    per_year: float = 40_000.0,
    periods: int = 0,
    period_sd: float = 0.05,
    gross: float | int = 0,
    gross_size: float = 10.0,
    shared_visits: bool = True,
    exposure_unit: str = "km",
    unit: str = "ml/min",
) -> Fleet:
    """Draw a fleet. Defaults: return flow in ml/min at idle, exposure in km, two tests a year.

    Parameters
    ----------
    vehicles, parts, visits, repeats : parts a vehicle, visits a vehicle, readings a part and visit. A pair is the
        fewest and the most, drawn evenly.
    families : vehicles are spread evenly; levels and rates of families differ by `family_spread` (relative sd).
    level, rate : mean of the families at exposure 0, and per 1 of exposure.
    vehicle_level ... error : standard deviations, `path` per square root of 1 exposure; `correlation` of a and r.
    start, start_level : further sd and mean of the level of lives whose start is unknown.
    gap, gap_spread : mean exposure from visit to visit (and before the first) and its relative sd.
    missing : share of readings not taken. `replaced` : share of places whose part is renewed between two visits.
    moved : share of vehicles that exchange one part with another vehicle. `unknown` : share of lives whose exposure
        counts from their first visit.
    resolution : graduation; readings are rounded to it and a zero becomes "at most half a graduation".
    beyond : share of readings beyond the end of the scale, told as "at least"; `scale_end` gives the end itself.
    conditions : adds the columns "pressure" and "viscosity" (logarithms of the ratio to the reference, relative sd
        0.08 and 0.15 from visit to visit) with the true `exponents`; `viscosity_missing` : share of visits without
        the second, whose spread then goes to `visit_sd`.
    season : half the yearly swing of the readings' logarithm, highest at mid-year; adds the columns "season cosine"
        and "season sine". None: no season. `last_in_season` : each vehicle's last visit falls at mid-year.
    per_year : exposure gathered in a year. `periods` : rig periods besides the base, each of all visits alike.
    gross : share (or, an integer, number) of readings off by `gross_size` error sds, up or down.
    shared_visits : False labels every reading's visit differently, for models without visit effects.
    """
    rng = np.random.default_rng(seed)
    h = draw_histories(
        rng,
        vehicles=vehicles,
        parts=parts,
        visits=_counts(rng, visits, vehicles),
        gap=gap,
        gap_spread=gap_spread,
        replaced=replaced,
        moved=moved,
        unknown=unknown,
    )
    family = np.arange(vehicles) % families
    spread = 1 + (family_spread if families > 1 else 0.0) * rng.standard_normal((families, 2))
    family_effects = np.array([level, rate]) * spread
    vehicle_effects = rng.standard_normal((vehicles, 2)) * [vehicle_level, vehicle_rate]
    pair = rng.standard_normal((h.lives, 2))
    pair[:, 1] = correlation * pair[:, 0] + np.sqrt(1 - correlation**2) * pair[:, 1]
    part_effects = pair * [part_level, part_rate]
    late = h.unknown * (start_level + start * rng.standard_normal(h.lives))

    span = gap * float(np.mean(visits))
    # a life whose beginning is unknown gathers wear evenly, whatever the power of exposure
    xi = np.where(h.unknown[h.life], h.exposure, span * scale.exposure(h.exposure / span))
    gathered = xi * np.divide(h.gathered, h.exposure, out=np.ones_like(xi), where=h.exposure > 0)
    of_life = family[h.first_vehicle]
    straight_rate = family_effects[of_life[h.life], 1] + part_effects[h.life, 1] + vehicle_effects[h.vehicle, 1]
    true = (
        family_effects[of_life[h.life], 0]
        + vehicle_effects[h.vehicle, 0]
        + part_effects[h.life, 0]
        + late[h.life]
        + straight_rate * xi
        + (vehicle_effects[h.former, 1] - vehicle_effects[h.vehicle, 1]) * (xi - gathered)
        + path * _wiener(rng, h.life, xi)
    )
    shared = visit * rng.standard_normal(h.visit_vehicle.size)
    own = repeat * rng.standard_normal(true.size)

    factors = draw_factors(
        rng,
        h,
        exponents=exponents if conditions else None,
        viscosity_missing=viscosity_missing,
        season=season,
        last_in_season=last_in_season,
        per_year=per_year,
    )
    labels = rng.integers(0, periods + 1, size=h.visit_vehicle.size)
    offsets = np.concatenate([[0.0], period_sd * rng.standard_normal(periods)])

    # from cells (a part at a visit) to readings
    row = np.repeat(np.arange(true.size), _counts(rng, repeats, true.size))
    if missing > 0:
        kept = rng.random(row.size) >= missing
        row = row[kept] if kept.any() else row[:1]
    at = h.visit[row]
    noise = error * rng.standard_normal(row.size)
    spoiled = _spoil(rng, noise, gross, gross_size * error)
    multiplied = np.exp(factors.effect[at] + offsets[labels[at]])
    q = scale.inverse(true[row] + shared[at] + own[row] + noise) * multiplied
    q, bound = _told(q, resolution, beyond, scale_end)
    c = len(factors.names)
    data = WearData(
        y=q,
        exposure=h.exposure[row],
        vehicle=h.vehicle[row],
        part=h.life[row],
        visit=h.index[at] if shared_visits else np.argsort(np.argsort(h.index[at], kind="stable"), kind="stable"),
        bound=bound,
        resolution=np.full(row.size, resolution) if resolution > 0 else None,
        covariates=factors.values[at] if c else None,
        covariate_names=factors.names,
        covariate_kind=factors.kinds,
        prior_mean=factors.prior_mean if c else None,
        prior_sd=factors.prior_sd if c else None,
        family=of_life[h.life[row]] if families > 1 else None,
        gathered=h.gathered[row] if moved > 0 else None,
        unknown_start=h.unknown[h.life[row]] if unknown > 0 else None,
        period=np.where(labels > 0, np.char.add("period ", labels.astype(str)), "")[at] if periods else None,
        period_sd=period_sd,
        visit_sd=factors.unrecorded[at] if factors.unrecorded.any() else None,
        exposure_unit=exposure_unit,
        unit=unit,
    )
    measured = np.asarray(scale.inverse(true), dtype=np.float64)
    last = _last(h.life[row], h.exposure[row], row)
    bend = np.where(h.unknown[h.life[last]], 1.0, scale.gamma * (h.exposure[last] / span) ** (scale.gamma - 1))
    return Fleet(
        data=data,
        level=measured[row],
        part=h.life[last],
        last_exposure=h.exposure[last],
        last_level=measured[last],
        rate=straight_rate[last] * bend / scale.slope(measured[last]),
        working_level=true[last],
        working_rate=straight_rate[last],
        part_effects=part_effects[h.life[last]],
        vehicle_effects=vehicle_effects,
        family_effects=family_effects,
        coefficients=factors.coefficients,
        period_offsets=offsets,
        gross=spoiled,
        scale=scale,
        working_unit=span,
    )


def _counts(rng: np.random.Generator, count: Count, size: int) -> Ints:
    """Return `size` whole numbers, all alike or drawn evenly from the fewest to the most."""
    if isinstance(count, int):
        return np.full(size, count, dtype=np.int64)
    return rng.integers(count[0], count[1] + 1, size=size).astype(np.int64)


def _wiener(rng: np.random.Generator, life: Ints, x: Floats) -> Floats:
    """Return a standard Wiener path of each life at its exposures, zero at exposure 0."""
    order = np.lexsort((x, life))
    first = np.diff(life[order], prepend=-1) != 0
    step = np.where(first, x[order], np.diff(x[order], prepend=0.0))
    total = np.cumsum(np.sqrt(np.maximum(step, 0.0)) * rng.standard_normal(x.size))
    start = np.flatnonzero(first)
    before = np.concatenate([[0.0], total])[start]
    made = np.empty(x.size)
    made[order] = total - np.repeat(before, np.diff(start, append=x.size))
    return made


def _spoil(rng: np.random.Generator, noise: Floats, gross: float | int, size: float) -> Ints:
    """Add gross errors to the noise in place and return where."""
    count = gross if isinstance(gross, int) else round(gross * noise.size)
    where = np.sort(rng.choice(noise.size, size=min(count, noise.size), replace=False)).astype(np.int64)
    noise[where] += size * rng.choice([-1.0, 1.0], size=where.size)
    return where


def _told(
    q: Floats, resolution: float, beyond: float, scale_end: float | None
) -> tuple[Floats, NDArray[np.int8] | None]:
    """Return the readings as a person writes them down: rounded, and with bounds at both ends of the scale."""
    bound = np.zeros(q.size, dtype=np.int8)
    if resolution > 0:
        q = resolution * np.round(q / resolution)
        bound[q <= 0] = -1
        q = np.where(q <= 0, resolution / 2, q)
    end = float(np.quantile(q, 1 - beyond)) if scale_end is None and beyond > 0 else scale_end
    if end is not None:
        bound[q >= end] = 1
        q = np.minimum(q, end)
    return q, bound if bound.any() else None


def _last(life: Ints, exposure: Floats, row: Ints) -> Ints:
    """Return the cell of each life's last reading, lives in rising order."""
    order = np.lexsort((exposure, life))
    return row[order[np.flatnonzero(np.diff(life[order], append=-1) != 0)]]

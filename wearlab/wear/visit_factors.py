"""What multiplies the readings of a simulated visit: pressure, fuel and the season, recorded or not."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearlab.wear.data import CovariateKind
from wearlab.wear.histories import Histories

Floats = NDArray[np.float64]

#: Relative sd of pressure and viscosity from visit to visit.
PRESSURE_SPREAD = 0.08
VISCOSITY_SPREAD = 0.15
#: Priors of the exponents of pressure and viscosity: mean and sd.
PRIOR_MEAN = (1.0, 0.7)
PRIOR_SD = (0.25, 0.2)
#: Prior sd of a season's cosine and sine: up to a third up or down.
SEASON_SD = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class VisitFactors:
    """Covariates of T visits: columns (T, c) with their true coefficients and priors (c,).

    `effect` : (T,) the logarithm of the true factor. `unrecorded` : (T,) relative sd of what was not recorded.
    """

    names: tuple[str, ...]
    kinds: tuple[CovariateKind, ...]
    values: Floats
    effect: Floats
    coefficients: Floats
    prior_mean: Floats
    prior_sd: Floats
    unrecorded: Floats


def draw_factors(
    rng: np.random.Generator,
    h: Histories,
    *,
    exponents: tuple[float, float] | None,
    viscosity_missing: float,
    season: float | None,
    last_in_season: bool,
    per_year: float,
) -> VisitFactors:
    """Draw the factors of every visit; arguments as in `simulated_fleet`, `exponents` None: no conditions."""
    count = h.visit_vehicle.size
    names: tuple[str, ...] = ()
    made = VisitFactors((), (), np.zeros((count, 0)), np.zeros(count), *(np.zeros(0),) * 3, np.zeros(count))
    if exponents is not None:
        ratio = rng.standard_normal((count, 2)) * [PRESSURE_SPREAD, VISCOSITY_SPREAD]
        lost = rng.random(count) < viscosity_missing
        names = ("pressure", "viscosity")
        made = replace(
            made,
            values=np.column_stack([ratio[:, 0], np.where(lost, 0.0, ratio[:, 1])]),
            effect=ratio @ np.array(exponents),
            coefficients=np.array(exponents),
            prior_mean=np.array(PRIOR_MEAN),
            prior_sd=np.array(PRIOR_SD),
            unrecorded=np.where(lost, PRIOR_MEAN[1] * VISCOSITY_SPREAD, 0.0),
        )
    if season is not None:
        year = h.odometer / per_year
        if last_in_season:
            last = np.flatnonzero(np.diff(h.visit_vehicle, append=-1) != 0)
            year = year - (year[last] - 0.5)[h.visit_vehicle]
        else:
            year = year + rng.random(h.visit_vehicle[-1] + 1)[h.visit_vehicle]
        turn = 2 * np.pi * year
        names = (*names, "season cosine", "season sine")
        made = replace(
            made,
            values=np.column_stack([made.values, np.cos(turn), np.sin(turn)]),
            effect=made.effect - season * np.cos(turn),
            coefficients=np.append(made.coefficients, [-season, 0.0]),
            prior_mean=np.append(made.prior_mean, [0.0, 0.0]),
            prior_sd=np.append(made.prior_sd, [SEASON_SD, SEASON_SD]),
        )
    return replace(made, names=names, kinds=tuple("factor" for _ in names))

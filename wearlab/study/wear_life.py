"""Life by wear: when a new part of a family passes its limit, as the wear model of the group tells it.

It rests on the levels of all parts, also of those that nobody had to take out, and not on what a test made somebody
decide. A new part of the family is one on any vehicle: its level at 0 km and its rate vary as vehicles and parts do,
its path wanders, and what the fit does not know of the family comes on top. The average part has none of these but the
last: its interval says how well the family is known. The law of the first passage is that of
`wearlab.forecast.passage`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from wearlab.errors import InputError
from wearlab.forecast.passage import chance_before, passage
from wearlab.study.kaplan_meier import COVERAGE
from wearlab.study.life_data import Floats
from wearlab.wear.mixture import Component, Mixture, families_of


@dataclass(frozen=True, slots=True, eq=False)
class WearLife:
    """Of the new parts of one family: by `quantiles` (Q,) a share `shares` has passed the limit.

    Exposures in the unit of the fit; infinite: never, as far as can be told. `average` (3,) is where the average part
    passes it: low end, middle and high end of its interval. `survival` (m,) is the share that has not
    passed by `exposure` (m,).
    """

    shares: tuple[float, ...]
    quantiles: Floats
    average: Floats
    exposure: Floats
    survival: Floats


def new_parts(component: Component) -> Component:
    """Return a new part of every family, on any vehicle, as a component of F parts."""
    made, own = families_of(component), component.variances
    lean = own.correlation * own.part_level * own.part_rate
    return replace(
        made,
        var_level=made.var_level + own.vehicle_level**2 + own.part_level**2,
        var_rate=made.var_rate + own.vehicle_rate**2 + own.part_rate**2,
        cov=made.cov + lean,
        path_variance=own.path**2,
    )


def wear_life(
    mixture: Mixture,
    family: int,
    limit: float,
    direction: int,
    *,
    exposure: ArrayLike = (),
    shares: Sequence[float] = (0.1, 0.5, 0.9),
    factor: float = 1.0,
) -> WearLife:
    """Return when new parts of a family first pass a limit.

    Parameters
    ----------
    mixture
        Of the group's fit, as fitted.
    family
        Place of the family among the fit's.
    limit, direction
        On the measured scale; +1 where readings above it fail, -1 below.
    exposure
        Where the share that has not passed is asked for too, (m,).
    factor
        On all standard deviations, as looking back on hidden tests taught it.

    Raises
    ------
    InputError
        There is no such family, or what `passage` refuses.
    """
    if not mixture.components or not 0 <= family < mixture.components[0].family_level.size:
        raise InputError(f"the fit has no family number {family}")
    fresh = Mixture(tuple(new_parts(one) for one in mixture.components)).scaled(factor)
    told = passage(fresh, [family], [limit], [direction], [0.0], tuple(shares))
    mean = Mixture(tuple(families_of(one) for one in mixture.components)).scaled(factor)
    ends = (0.5 - COVERAGE / 2, 0.5, 0.5 + COVERAGE / 2)
    average = passage(mean, [family], [limit], [direction], [0.0], ends).quantiles[:, 0]
    at = np.asarray(exposure, dtype=np.float64)
    same = np.ones(at.size)
    passed = chance_before(fresh, np.full(at.size, family), limit * same, direction * same, 0.0 * same, at)
    return WearLife(tuple(shares), told.quantiles[:, 0], average, at, 1.0 - passed)

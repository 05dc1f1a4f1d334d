"""What the model knows of every part, as a mixture of normal laws, and quantiles of it on the measured scale.

A component is one working scale; in small groups, one working scale at one draw of the variances. Within a component
level and rate are jointly normal on the working scale. Mixing is done on the measured scale, by the chance that each
component gives to a value.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from wearlab.errors import InputError
from wearlab.wear.blocks import Floats, Ints
from wearlab.wear.scale import WorkingScale
from wearlab.wear.variances import Variances

#: Halvings of the interval in which a quantile lies; enough for ten digits.
HALVINGS = 48
#: Levels between which a rate is told.
ENDS = (1e-30, 1e30)


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """What a component rests on: variances theta (10,), coefficients (p,), their covariance (p, p), which candidate."""

    theta: Floats
    beta: Floats
    covariance: Floats
    candidate: int


class LevelAndRate(Protocol):
    """Level and rate of every part on one working scale, arrays (P,); see `Component`."""

    @property
    def level(self) -> Floats: ...
    @property
    def rate(self) -> Floats: ...
    @property
    def var_level(self) -> Floats: ...
    @property
    def var_rate(self) -> Floats: ...
    @property
    def cov(self) -> Floats: ...
    @property
    def path_variance(self) -> float: ...
    @property
    def position(self) -> Floats: ...
    @property
    def unit_exposure(self) -> Floats: ...
    @property
    def gamma(self) -> Floats: ...


@dataclass(frozen=True, slots=True, eq=False)
class Component:
    """One working scale (and draw of the variances); arrays over parts (P,), vehicles (V,) and families (F,).

    `level` of the part is at `position`, in working exposure; x turns into (x / unit_exposure)^gamma. Rates are per
    working exposure 1. `fresh` is the level of a new part on the same vehicle, `noise` the variance of a reading about
    the level. `vehicle_rate` (V,) is that of the vehicle's family and its own together, `vehicle_level` its own alone.
    `family_level`, `family_rate` and the (F, 2, 2) `family_covariance` belong to the average part.
    `variances` count exposure in working units. `solution` leads back to the fit, for what the parts of one vehicle
    share.
    """

    weight: float
    scale: WorkingScale
    level: Floats
    rate: Floats
    var_level: Floats
    var_rate: Floats
    cov: Floats
    fresh: Floats
    var_fresh: Floats
    noise: Floats
    position: Floats
    unit_exposure: Floats
    gamma: Floats
    vehicle_rate: Floats
    var_vehicle_rate: Floats
    vehicle_level: Floats
    family_level: Floats
    family_rate: Floats
    family_covariance: Floats
    path_variance: float
    variances: Variances
    solution: Solution | None = None

    def working(self, exposure: Floats) -> Floats:
        """Return working exposure of exposures (P,)."""
        out: Floats = np.maximum(exposure, 0.0) / self.unit_exposure
        return out if self.scale.gamma == 1 else out**self.gamma

    def ahead(self, exposure: Floats | None) -> tuple[Floats, Floats]:
        """Return mean and variance (P,) of the working level at exposures (P,); None: where it was last read."""
        if exposure is None:
            return self.level, self.var_level
        return level_ahead(self, exposure)

    def measured_rate(self, exposure: Floats) -> tuple[Floats, Floats]:
        """Return mean and sd (P,) of the rate on the measured scale, per unit of exposure, at exposures (P,).

        By first-order propagation of level and rate through the scale.
        """
        level, variance = self.ahead(exposure)
        stretch = self._stretch(exposure)
        if self.scale.power == 1:
            return self.rate * stretch, np.sqrt(self.var_rate) * stretch
        q = np.clip(self.scale.inverse(level), *ENDS)  # a level without bounds has a rate that is no number
        back = 1.0 / self.scale.slope(q)
        bend = (1.0 - self.scale.power) / q * back * back  # d(dq/dy)/dy
        step = self.working(exposure) - self.position
        both = self.cov + step * self.var_rate
        by_level, by_rate = self.rate * bend, back
        total = by_level**2 * variance + 2 * by_level * by_rate * both + by_rate**2 * self.var_rate
        return self.rate * back * stretch, np.sqrt(np.maximum(total, 0.0)) * stretch

    def _stretch(self, exposure: Floats) -> Floats:
        """Return d(working exposure) / d(exposure); at the very start of a life, that after a tenth of a span."""
        share = np.maximum(exposure / self.unit_exposure, 0.1)
        out: Floats = self.gamma * share ** (self.gamma - 1.0) / self.unit_exposure
        return out


def level_ahead(one: LevelAndRate, exposure: Floats, parts: Ints | slice = slice(None)) -> tuple[Floats, Floats]:
    """Return mean and variance (n,) of the working level of parts (n,) at exposures (n,); NaN: where it was last read.

    What a reading adds is not in it.
    """
    worked = (np.maximum(exposure, 0.0) / one.unit_exposure[parts]) ** one.gamma[parts]
    step = np.where(np.isnan(exposure), 0.0, worked - one.position[parts])
    mean = one.level[parts] + one.rate[parts] * step
    variance = one.var_level[parts] + 2 * step * one.cov[parts] + step**2 * one.var_rate[parts]
    return mean, np.maximum(variance + one.path_variance * np.abs(step), 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Mixture:
    """Components whose weights sum to 1, over the same parts, vehicles and families."""

    components: tuple[Component, ...]

    @property
    def weights(self) -> Floats:
        """Weights (K,)."""
        return np.array([component.weight for component in self.components])

    def scaled(self, factor: float) -> Mixture:
        """Return the mixture with every standard deviation on the working scales multiplied; the middles stay.

        Raises
        ------
        InputError
            The factor is not a number above 0.
        """
        if not (np.isfinite(factor) and factor > 0):
            raise InputError(f"standard deviations are multiplied by a number above 0, not {factor}")
        if factor == 1.0:
            return self
        return Mixture(tuple(_scaled(component, factor**2) for component in self.components))


#: What a component holds that grows with the square of its standard deviations.
_SPREADS = (
    "var_level", "cov", "var_rate", "var_fresh", "noise", "path_variance", "family_covariance", "var_vehicle_rate",
)  # fmt: skip


def _scaled(component: Component, by: float) -> Component:
    return replace(component, **{name: getattr(component, name) * by for name in _SPREADS})


def quantiles(mixture: Mixture, means: Floats, variances: Floats, chances: ArrayLike) -> Floats:
    """Return quantiles (Q, P) on the measured scale of working values with means and variances (K, P)."""
    scales = [component.scale for component in mixture.components]
    return mixed_quantiles(mixture.weights, means, np.sqrt(variances), chances, scales)


def mixed_quantiles(
    weights: Floats,
    means: Floats,
    sds: Floats,
    chances: ArrayLike,
    scales: list[WorkingScale] | None = None,
) -> Floats:
    """Return quantiles (Q, P) of mixtures of K normal laws, each on its own scale; means and sds are (K, P).

    Without `scales` all components are on the measured scale. NaN where a mean is NaN.
    """
    wanted = np.asarray(chances, dtype=np.float64).reshape(-1)
    plain = scales is None or all(scale.power == 1 for scale in scales)
    one = None if scales is None else scales[0]
    if weights.size == 1:
        out = means[0][None, :] + ndtri(wanted)[:, None] * sds[0][None, :]
        return out if plain or one is None else one.inverse(out)
    ends = np.stack([means[:, None, :] + z * sds[:, None, :] for z in _reach(wanted)])  # (2, K, Q, P)
    if not plain and scales is not None:
        ends = np.stack([scale.inverse(ends[:, k]) for k, scale in enumerate(scales)], axis=1)

    def chance_at(value: Floats) -> Floats:
        total = np.zeros_like(value)
        for k, weight in enumerate(weights):
            y = value if scales is None else _forward(scales[k], value)
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                z = (y - means[k][None, :]) / sds[k][None, :]
            total += weight * ndtr(z)
        return total

    low = np.min(ends[0], axis=0)
    high = np.max(np.where(np.isfinite(ends[1]), ends[1], -np.inf), axis=0)
    if np.isposinf(ends[1]).any():  # some component's quantile is beyond every reading, that of all together may not be
        high = _raised(np.maximum(high, low), chance_at, wanted)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        below = chance_at(middle) < wanted[:, None]
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    lost = np.isnan(means.sum(axis=0))
    return np.where(lost[None, :], np.nan, 0.5 * (low + high))


def _raised(high: Floats, chance_at: Callable[[Floats], Floats], chances: Floats) -> Floats:
    """Return values (Q, P) at or above `high` below which the chance lies; infinite where none has it."""
    for _ in range(80):
        short = chance_at(high) < chances[:, None]
        if not short.any():
            return high
        high = np.where(short, 10 * np.maximum(high, ENDS[0]), high)
    return np.where(short, np.inf, high)


def _reach(chances: Floats) -> tuple[Floats, Floats]:
    """Normal quantiles (Q, 1) between which, component by component, the mixture's quantile must lie."""
    z = ndtri(chances)[:, None]
    return z - 1e-9, z + 1e-9


def _forward(scale: WorkingScale, q: Floats) -> Floats:
    """Return the working value, minus infinity for readings that the scale does not know."""
    if scale.power == 1:
        return q
    with np.errstate(divide="ignore", invalid="ignore"):
        out: Floats = np.where(q > 0, scale.forward(np.maximum(q, 1e-300)), -np.inf)
    return out


def interval(coverage: float) -> tuple[float, float, float]:
    """Return the chances of the middle and of both ends of a two-sided interval."""
    return 0.5, 0.5 - coverage / 2, 0.5 + coverage / 2


def families_of(component: Component) -> Component:
    """Return the average part of every family, new, as a component of F parts."""
    covariance = component.family_covariance
    families = component.family_level.size
    zero = np.zeros(families)
    unit = float(component.unit_exposure[0]) if component.unit_exposure.size else 1.0
    return replace(
        component,
        level=component.family_level,
        rate=component.family_rate,
        var_level=np.maximum(covariance[:, 0, 0], 0.0),
        var_rate=np.maximum(covariance[:, 1, 1], 0.0),
        cov=covariance[:, 0, 1],
        fresh=component.family_level,
        var_fresh=zero,
        noise=zero,
        position=zero,
        unit_exposure=np.full(families, unit),
        gamma=np.full(families, component.scale.gamma),
        path_variance=0.0,
    )


def vehicles_of(component: Component, family: Ints) -> Component:
    """Return the average part of every vehicle, new, as a component of V parts; `family` (V,) of each vehicle."""
    made = families_of(component)
    values = {name: getattr(made, name)[family] for name in ("unit_exposure", "gamma", "var_level", "cov", "position")}
    return replace(
        made,
        level=made.level[family] + component.vehicle_level,
        rate=component.vehicle_rate,
        var_rate=component.var_vehicle_rate,
        fresh=made.level[family],
        var_fresh=values["position"],
        noise=values["position"],
        **values,
    )


def new_part(component: Component, family: int, working: float) -> tuple[float, float]:
    """Return mean and variance of the working level of an average new part of a family at a working exposure."""
    v = component.variances
    side = np.array([1.0, working])
    fixed = float(side @ component.family_covariance[family] @ side)
    lean = v.correlation * v.part_level * v.part_rate
    own = (
        v.vehicle_level**2
        + v.part_level**2
        + 2 * lean * working
        + (v.vehicle_rate**2 + v.part_rate**2) * working**2
        + v.path**2 * abs(working)
    )
    mean = float(component.family_level[family] + component.family_rate[family] * working)
    return mean, max(fixed + own, 0.0)

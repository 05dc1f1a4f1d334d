"""Two levels that are jointly normal on a working scale, and the law of their difference and ratio as measured.

Over several working scales (or draws of the variances) the law is a mixture. Chances are integrals over the first level
by Gauss-Hermite nodes, the second given the first being normal; quantiles by halving. No random numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from wearlab.wear.line import Interval
from wearlab.wear.mixture import interval
from wearlab.wear.scale import WorkingScale

Floats = NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(64)
_HALVINGS = 60
#: Farther than so many sd no quantile is looked for.
_FAR = 12.0
_LEAST = 1e-30


@dataclass(frozen=True, slots=True, eq=False)
class PairLaw:
    """C components: `weights` (C,), `scales`, `mean` (C, 2) and `covariance` (C, 2, 2) of (before, after)."""

    weights: Floats
    scales: tuple[WorkingScale, ...]
    mean: Floats
    covariance: Floats

    def level(self, place: int, coverage: float = 0.9) -> Interval:
        """Return one of the two levels, as measured."""
        sd = np.sqrt(self.covariance[:, place, place])
        low, high = self._ends(lambda k, z: self.scales[k].inverse(self.mean[k, place] + z * sd[k]))

        def chance(t: float) -> float:
            with np.errstate(divide="ignore"):
                at = [_working(scale, np.array([t]))[0] for scale in self.scales]
            return float(self.weights @ ndtr((np.array(at) - self.mean[:, place]) / sd))

        return _told(chance, low, high, coverage)

    def difference(self, coverage: float = 0.9) -> Interval:
        """Return after less before, as measured."""
        low, high = self._span()
        return _told(lambda t: self._chance(lambda q: q + t), low, high, coverage)

    def ratio(self, coverage: float = 0.9) -> Interval:
        """Return after over before less 1; meant for levels above 0."""
        low, high = self._span()
        first = np.concatenate([self._first(k) for k in range(self.weights.size)])
        least = max(float(np.min(np.abs(first))), _LEAST)
        return _told(lambda t: self._chance(lambda q: q * (1 + t)), -1.0, max(-low, high) / least, coverage)

    def chance_of_fall(self) -> float:
        """Return the chance that after lies below before."""
        return self._chance(lambda q: q)

    def working_sd(self, component: int) -> float:
        """Return the sd of the difference on the working scale of one component."""
        v = self.covariance[component]
        return float(np.sqrt(max(v[0, 0] + v[1, 1] - 2 * v[0, 1], 0.0)))

    def _first(self, k: int) -> Floats:
        sd = np.sqrt(self.covariance[k, 0, 0])
        return np.asarray(self.scales[k].inverse(self.mean[k, 0] + sd * _NODES), dtype=np.float64)

    def _chance(self, moved: Callable[[Floats], Floats]) -> float:
        """Return the chance that the second level is at most `moved(first)`."""
        total = 0.0
        for k, weight in enumerate(self.weights):
            v = self.covariance[k]
            lean = v[0, 1] / v[0, 0]
            left = np.sqrt(max(v[1, 1] - lean * v[0, 1], 1e-18 * v[1, 1]))
            given = self.mean[k, 1] + lean * np.sqrt(v[0, 0]) * _NODES
            with np.errstate(divide="ignore"):
                edge = _working(self.scales[k], moved(self._first(k)))
            total += float(weight * (_WEIGHTS @ ndtr((edge - given) / left)) / _WEIGHTS.sum())
        return total

    def _ends(self, of: Callable[[int, float], Floats]) -> tuple[float, float]:
        ends = [float(of(k, z)) for k in range(self.weights.size) for z in (-_FAR, _FAR)]
        return min(ends), max(ends)

    def _span(self) -> tuple[float, float]:
        spans = []
        for place in (0, 1):
            sd = np.sqrt(self.covariance[:, place, place])
            spans.append(self._ends(lambda k, z, p=place, s=sd: self.scales[k].inverse(self.mean[k, p] + z * s[k])))  # type: ignore[misc]
        return spans[1][0] - spans[0][1], spans[1][1] - spans[0][0]


def _working(scale: WorkingScale, q: Floats) -> Floats:
    """Return working values; what lies below the scale has none and counts as far below."""
    if scale.power == 1:
        return np.asarray(scale.forward(q), dtype=np.float64)
    good = q > _LEAST
    return np.where(good, scale.forward(np.where(good, q, 1.0)), -np.inf)


def _told(chance: Callable[[float], float], low: float, high: float, coverage: float) -> Interval:
    found = []
    for wanted in interval(coverage):
        a, b = low, high
        for _ in range(_HALVINGS):
            middle = 0.5 * (a + b)
            a, b = (middle, b) if chance(middle) < wanted else (a, middle)
        found.append(0.5 * (a + b))
    return Interval(found[0], found[1], found[2], coverage)

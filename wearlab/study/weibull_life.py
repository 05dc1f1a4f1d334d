"""A Weibull law of lives by maximum likelihood, with right censoring and left truncation.

Survival is S(t) = exp(-(t / eta)^beta). A part watched from e on and seen to t adds -(t/eta)^beta + (e/eta)^beta to
the log-likelihood, and log of the hazard at t if it failed there. At a given beta the best eta is known,
eta^beta = sum(t^beta - e^beta) / failures, so that beta alone is searched. Intervals are those of the likelihood ratio
(profiled), which do not lean as normal ones do when few parts failed; standard errors come from the observed
information in log eta and log beta (Meeker & Escobar 1998, chapters 8 and 11).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, inf, log

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq, minimize_scalar
from scipy.special import chdtri, ndtri

from wearlab.errors import InputError
from wearlab.language import _
from wearlab.records import NoAnswer
from wearlab.study.kaplan_meier import COVERAGE
from wearlab.study.life_data import Floats, LifeData
from wearlab.wear.line import Interval

#: shapes that are looked at; lives of parts lie far inside
SHAPES = (0.05, 80.0)
_GRID = np.linspace(log(SHAPES[0]), log(SHAPES[1]), 160)


@dataclass(frozen=True, slots=True, eq=False)
class Weibull:
    """The fitted law: scale `eta` (by then 63 % have failed) and shape `beta`, with intervals.

    `covariance` (2, 2) belongs to log eta and log beta. `data` are the lives it was fitted to.
    """

    eta: float
    beta: float
    eta_interval: tuple[float, float]
    beta_interval: tuple[float, float]
    covariance: Floats
    log_likelihood: float
    data: LifeData
    coverage: float

    def survival(self, distance: ArrayLike, since: float = 0.0) -> Floats:
        """Return the share that gets beyond distances (m,), of the parts that got to `since`."""
        at = np.asarray(distance, dtype=np.float64)
        return np.asarray(np.exp((since / self.eta) ** self.beta - (at / self.eta) ** self.beta), dtype=np.float64)

    def survival_band(self, distance: ArrayLike) -> tuple[Floats, Floats]:
        """Return the interval (m,), (m,) of the share that gets beyond distances from new on, by log(-log S)."""
        lag = np.log(np.asarray(distance, dtype=np.float64) / self.eta)
        both = self.covariance
        variance = self.beta**2 * (both[0, 0] - 2 * lag * both[0, 1] + lag**2 * both[1, 1])
        reach = float(ndtri(0.5 + self.coverage / 2)) * np.sqrt(np.maximum(variance, 0.0))
        middle = self.beta * lag
        return np.exp(-np.exp(middle + reach)), np.exp(-np.exp(middle - reach))

    def quantile(self, failed: float) -> Interval:
        """Return the distance by which a share has failed, from new on, with its interval.

        Raises
        ------
        InputError
            The share is not between 0 and 1.
        """
        if not 0 < failed < 1:
            raise InputError(f"a share that has failed lies between 0 and 1, not at {failed}")
        c = -log(1 - failed)
        found = self.eta * c ** (1 / self.beta)
        low, high = _eta_ends(self.data, found, c, self.log_likelihood, self.coverage)
        return Interval(found, low, high, self.coverage)


def weibull_life(data: LifeData, coverage: float = COVERAGE) -> Weibull | NoAnswer:
    """Fit the law to n lives; no answer where their likelihood has no best shape.

    Raises
    ------
    InputError
        The coverage is not between 0 and 1.
    """
    if not 0 < coverage < 1:
        raise InputError(f"a coverage lies between 0 and 1, not at {coverage}")
    if data.failures == 0:
        return NoAnswer(_("nothing failed, so no law of lives can be told"))
    unit = float(data.time.max())
    scaled = LifeData(data.time / unit, data.event, data.entry / unit)
    height = np.array([_profile(scaled, v) for v in _GRID])
    best = int(np.argmax(height))
    if best in (0, _GRID.size - 1):
        return NoAnswer(_("the failures do not tell a shape: their likelihood has no top"))
    v = float(brentq(lambda one: _slope(scaled, one), _GRID[best - 1], _GRID[best + 1], xtol=1e-13))
    beta, top = exp(v), _profile(scaled, v)
    eta = _eta(scaled, beta)
    covariance = np.asarray(np.linalg.inv(_information(scaled, eta, beta)), dtype=np.float64)
    shape = _ends(lambda one: _profile(scaled, one), v, float(np.sqrt(covariance[1, 1])), top, coverage)
    scale = _eta_ends(scaled, eta, 1.0, top, coverage)
    return Weibull(
        eta=eta * unit,
        beta=beta,
        eta_interval=(scale[0] * unit, scale[1] * unit),
        beta_interval=(exp(shape[0]), exp(shape[1])),
        covariance=covariance,
        log_likelihood=top - data.failures * log(unit),
        data=data,
        coverage=coverage,
    )


def _powers(data: LifeData, beta: float, eta: float = 1.0) -> tuple[Floats, Floats, Floats, Floats]:
    """Return (t / eta)^beta and (e / eta)^beta, and their logarithms' values beta log(t / eta), 0 at a start of 0."""
    late = beta * np.log(data.time / eta)
    early = beta * np.log(np.where(data.entry > 0, data.entry, eta) / eta)
    return np.exp(late), np.where(data.entry > 0, np.exp(early), 0.0), late, early


def _eta(data: LifeData, beta: float) -> float:
    m, n, *_ = _powers(data, beta)
    return float(((m - n).sum() / data.failures) ** (1 / beta))


def _profile(data: LifeData, v: float) -> float:
    """Return the log-likelihood at log shape v and the best scale."""
    m, n, late = _powers(data, exp(v))[:3]
    d = data.failures
    logs = float(late[data.event].sum())
    times = float(np.log(data.time[data.event]).sum())
    return d * v + logs - times - d * log(float((m - n).sum()) / d) - d


def _slope(data: LifeData, v: float) -> float:
    """Return the derivative of the profile by v."""
    m, n, late, early = _powers(data, exp(v))
    d = data.failures
    return float(d + late[data.event].sum() - d * (m * late - n * early).sum() / (m - n).sum())


def _information(data: LifeData, eta: float, beta: float) -> Floats:
    """Return the observed information (2, 2) in log eta and log beta."""
    m, n, late, early = _powers(data, beta, eta)
    d = data.failures
    summed = float((m - n).sum())
    first = float((m * late - n * early).sum())
    second = float((m * late**2 - n * early**2).sum())
    scale = beta**2 * summed
    both = -beta * (summed - d) - beta * first
    shape = first + second - float(late[data.event].sum())
    return np.array([[scale, both], [both, shape]])


def _ends(
    height: Callable[[float], float], middle: float, se: float, top: float, coverage: float
) -> tuple[float, float]:
    """Return where a profile falls below its top by as much as the coverage asks; infinite where it never does."""
    floor = top - float(chdtri(1, 1 - coverage)) / 2
    found = []
    for side in (-1.0, 1.0):
        step = max(se, 1e-6)
        near, far = middle, middle + side * step
        for _turn in range(40):
            if height(far) < floor:
                found.append(float(brentq(lambda one: height(one) - floor, near, far, xtol=1e-10)))
                break
            step *= 1.5
            near, far = far, far + side * step
            if abs(far - middle) > 50:
                found.append(side * inf)
                break
        else:
            found.append(side * inf)
    return found[0], found[1]


def _eta_ends(data: LifeData, middle: float, c: float, top: float, coverage: float) -> tuple[float, float]:
    """Return the interval of the distance t with (t / eta)^beta = c, the shape profiled out."""
    low, high = log(SHAPES[0]), log(SHAPES[1])
    unit = middle
    scaled = LifeData(data.time / unit, data.event, data.entry / unit)
    raised = top + data.failures * log(unit)

    def height(u: float) -> float:
        def short(v: float) -> float:
            beta = exp(v)
            m, n, late = _powers(scaled, beta, exp(u) * c ** (-1 / beta))[:3]
            return -float(
                data.failures * v
                + late[data.event].sum()
                - np.log(scaled.time[data.event]).sum()
                - np.minimum(m - n, 1e200).sum()
            )

        with np.errstate(over="ignore", invalid="ignore"):
            grid = [short(float(v)) for v in _GRID[::8]]
            k = int(np.nanargmin(grid))
            ends = (float(_GRID[::8][max(k - 1, 0)]), float(_GRID[::8][min(k + 1, len(grid) - 1)]))
            found = minimize_scalar(short, bounds=(max(ends[0], low), min(ends[1], high)), method="bounded",
                                    options={"xatol": 1e-9})  # fmt: skip
        return -float(found.fun)

    ends = _ends(height, 0.0, 0.1, raised, coverage)
    return unit * exp(ends[0]) if ends[0] > -inf else 0.0, unit * exp(ends[1]) if ends[1] < inf else inf

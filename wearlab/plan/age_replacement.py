"""At which age to replace a part whatever its state, from a Weibull law of lives and two costs.

A part is replaced at age T for cp, or earlier when it fails, for cf; then all begins again. The cost a distance is
(cp R(T) + cf F(T)) / int_0^T R, least where h(T) int_0^T R - F(T) = cp / (cf - cp), and there it is (cf - cp) h(T)
(Barlow & Proschan 1965, chapter 4). With x = (T / eta)^beta, int_0^T R = eta Gamma(1 + 1/beta) P(1/beta, x), P the
regularised lower incomplete gamma function. A hazard that does not rise (beta <= 1) has no such age. Where a failure
is mended and leaves the part as old as it was, at cm each, the age is eta (cp / (cm (beta - 1)))^(1/beta).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gamma, gammainc, ndtr, ndtri

from wearlab.errors import InputError
from wearlab.language import _, msg
from wearlab.records import NoAnswer

Array = NDArray[np.float64]

#: an age beyond so many times eta is as good as never
FAR = 1e6
#: equally likely values of log beta that stand for its uncertainty
_POINTS = 400
_HALVINGS = 80
_NO_RISE = msg("the hazard does not rise with distance, so that replacing by age saves nothing")
_TOO_FAR = msg("the hazard hardly rises with distance, so that the best age lies beyond every life")
_FREE = msg("mending costs nothing, so that replacing by age saves nothing")


@dataclass(frozen=True, slots=True)
class AgeReplacement:
    """The best age, what it costs, and what running to failure costs; costs a distance, in the unit of `eta`.

    With `low`, `high` the interval of the age that the uncertainty of the law leaves, at `coverage`; infinite: so far
    as can be told there may be no such age. None where no uncertainty was given. Under minimal repair there is no
    running to failure: `run_to_failure` is infinite.
    """

    age: float
    cost_rate: float
    run_to_failure: float
    low: float | None = None
    high: float | None = None
    coverage: float | None = None


def age_replacement(
    eta: float,
    beta: float,
    planned: float,
    failure: float,
    *,
    covariance: ArrayLike | None = None,
    coverage: float = 0.9,
) -> AgeReplacement | NoAnswer:
    """Return the age at which replacing is cheapest, where a failure renews the part.

    Parameters
    ----------
    eta, beta
        Scale (any unit of distance) and shape of the law of lives.
    planned, failure
        Costs of replacing at the age, and of a failure with the part it takes.
    covariance
        (2, 2) of log eta and log beta, both taken as normal; the interval of the age comes from it.

    `NoAnswer`: beta is not above 1, or a failure costs no more than planned work.

    Raises
    ------
    InputError
        Scale, shape or cost of planned work not above 0, no covariance, a coverage outside 0 to 1.
    """
    _checked(eta, beta, planned, failure, coverage)
    if failure <= planned:
        return NoAnswer(_("a failure costs no more than planned work, so that replacing by age saves nothing"))
    if beta <= 1:
        return NoAnswer(_(_NO_RISE))
    ratio = planned / (failure - planned)
    scaled = float(_renewal_ages(np.array([beta]), ratio)[0])
    if not isfinite(scaled):
        return NoAnswer(_(_TOO_FAR))
    mean = eta * float(gamma(1.0 + 1.0 / beta))
    age, hazard = eta * scaled, beta / eta * scaled ** (beta - 1.0)
    low, high = _interval(lambda shape: _renewal_ages(shape, ratio), eta, beta, covariance, coverage)
    return AgeReplacement(
        age=age,
        cost_rate=(failure - planned) * hazard,
        run_to_failure=failure / mean,
        low=low,
        high=high,
        coverage=None if low is None else coverage,
    )


def minimal_repair(
    eta: float,
    beta: float,
    planned: float,
    repair: float,
    *,
    covariance: ArrayLike | None = None,
    coverage: float = 0.9,
) -> AgeReplacement | NoAnswer:
    """Return the age at which replacing is cheapest, where a failure is mended and leaves the part as old as it was.

    Arguments as in `age_replacement`, `repair` the cost of mending once.
    """
    _checked(eta, beta, planned, repair, coverage)
    if beta <= 1 or repair == 0:
        return NoAnswer(_(_NO_RISE if beta <= 1 else _FREE))
    scaled = float(_repair_ages(np.array([beta]), planned / repair)[0])
    if not isfinite(scaled):
        return NoAnswer(_(_TOO_FAR))
    age = eta * scaled
    low, high = _interval(lambda shape: _repair_ages(shape, planned / repair), eta, beta, covariance, coverage)
    rate = (planned + repair * scaled**beta) / age
    return AgeReplacement(age, rate, float("inf"), low, high, None if low is None else coverage)


def cost_rate(eta: float, beta: float, planned: float, failure: float, age: ArrayLike) -> Array:
    """Return the cost a distance of replacing at ages (n,), infinite ones for running to failure."""
    _checked(eta, beta, planned, failure, 0.5)
    with np.errstate(over="ignore"):
        x = (np.asarray(age, dtype=np.float64) / eta) ** beta
    failed = -np.expm1(-x)
    length = eta * gamma(1.0 + 1.0 / beta) * gammainc(1.0 / beta, x)
    with np.errstate(divide="ignore"):
        return np.asarray((planned * (1.0 - failed) + failure * failed) / length, dtype=np.float64)


def _checked(eta: float, beta: float, planned: float, other: float, coverage: float) -> None:
    if not (isfinite(eta) and isfinite(beta) and eta > 0 and beta > 0):
        raise InputError("scale and shape of a law of lives are numbers above 0")
    if not (isfinite(planned) and isfinite(other) and planned > 0 and other >= 0):
        raise InputError("planned work has a cost above 0, a failure one of 0 or more")
    if not 0 < coverage < 1:
        raise InputError(f"a coverage lies between 0 and 1, not at {coverage}")


def _renewal_ages(beta: Array, ratio: float) -> Array:
    """Return the best ages (n,) in units of eta; infinite beyond `FAR` and where the hazard does not rise.

    The left side of the condition rises with the age from 0, without end where beta > 1: halving finds the root.
    """
    rising = beta > 1
    shape = np.where(rising, beta, 2.0)
    # beyond x = 700 survival is below any number, and the condition has long been met unless beta is next to 1
    low = np.full(beta.shape, -200.0)
    high = np.minimum(np.log(FAR), np.log(700.0) / shape)
    high = np.where(_left(high, shape) < ratio, np.log(FAR), high)
    never = ~rising | (_left(high, shape) < ratio)
    for _turn in range(_HALVINGS):
        middle = (low + high) / 2
        short = _left(middle, shape) < ratio
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.asarray(np.where(never, np.inf, np.exp(high)), dtype=np.float64)


def _left(log_age: Array, beta: Array) -> Array:
    x = np.exp(np.minimum(beta * log_age, 690.0))
    length = gamma(1.0 + 1.0 / beta) * gammainc(1.0 / beta, x)
    return np.asarray(beta * np.exp((beta - 1.0) * log_age) * length + np.expm1(-x), dtype=np.float64)


def _repair_ages(beta: Array, ratio: float) -> Array:
    rising = beta > 1
    shape = np.where(rising, beta, 2.0)
    with np.errstate(over="ignore"):
        ages = (ratio / (shape - 1.0)) ** (1.0 / shape)
    return np.asarray(np.where(rising & (ages < FAR), ages, np.inf), dtype=np.float64)


def _interval(
    ages: Callable[[Array], Array], eta: float, beta: float, covariance: ArrayLike | None, coverage: float
) -> tuple[float | None, float | None]:
    """Return the ends of the interval of the best age: given log beta it is log-normal, as log eta is normal."""
    if covariance is None:
        return None, None
    both = np.asarray(covariance, dtype=np.float64)
    if both.shape != (2, 2) or not np.isfinite(both).all() or (np.linalg.eigvalsh((both + both.T) / 2) < -1e-12).any():
        raise InputError("the covariance of log eta and log beta is a symmetric (2, 2) array, none below 0")
    away = np.sqrt(both[1, 1]) * ndtri((np.arange(_POINTS) + 0.5) / _POINTS)
    slope = both[0, 1] / both[1, 1] if both[1, 1] > 0 else 0.0
    width = np.sqrt(max(both[0, 0] - slope * both[0, 1], 0.0))
    with np.errstate(divide="ignore"):
        middle = np.log(eta) + slope * away + np.log(ages(beta * np.exp(away)))
    return _end(middle, width, (1.0 - coverage) / 2), _end(middle, width, (1.0 + coverage) / 2)


def _end(middle: Array, width: float, chance: float) -> float:
    """Return the quantile of an equal mixture of log-normal laws of one width, some of them at infinity."""
    finite = middle[np.isfinite(middle)]
    if finite.size < chance * middle.size:
        return float("inf")
    if width < 1e-9:
        return float(np.exp(np.sort(middle)[min(int(chance * middle.size), middle.size - 1)]))
    low, high = float(finite.min()) - 9.0 * width, float(finite.max()) + 9.0 * width
    for _turn in range(_HALVINGS):
        at = (low + high) / 2
        below = float(ndtr((at - finite) / width).sum()) / middle.size
        low, high = (at, high) if below < chance else (low, at)
    return float(np.exp(high))

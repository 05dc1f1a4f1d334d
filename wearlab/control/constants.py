"""Factors of control charts for samples of n from a normal distribution, worked out by numerical integration.

With Phi the normal distribution and R the range of n standard normal values,

    d2 = E R = integral of 1 - Phi(x)^n - (1 - Phi(x))^n over x
    P(R <= r) = n integral of phi(x) (Phi(x + r) - Phi(x))^(n-1) over x
    d3 = sd of R,      E R^2 = integral of 2 r P(R > r) over r > 0
    c4 = E(s / sigma) = sqrt(2 / (n-1)) Gamma(n/2) / Gamma((n-1)/2)

and the factors of the limits follow: A2 = 3 / (d2 sqrt n), A3 = 3 / (c4 sqrt n), D3, D4 = 1 -+ 3 d3/d2,
B3, B4 = 1 -+ 3 sqrt(1 - c4^2) / c4, E2 = 3 / d2; a lower factor below 0 is 0. They are tabled in ISO 7870-2.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import exp, lgamma, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

from wearlab.errors import InputError

Array = NDArray[np.float64]

#: The normal distribution beyond this many sd counts as nothing (its tail is 1e-23).
_REACH = 10.0
_PANELS, _NODES = 10, 40


@dataclass(frozen=True, slots=True)
class Factors:
    """Factors for samples of `n`: divisors (`d2`, `d3`, `c4`) and those of the limits at three sigma."""

    n: int
    d2: float
    d3: float
    c4: float
    A2: float
    A3: float
    B3: float
    B4: float
    D3: float
    D4: float
    E2: float


@lru_cache(maxsize=64)
def factors(n: int) -> Factors:
    """Return all factors for samples of n >= 2."""
    wide, of_range, of_sd = d2(n), d3(n) / d2(n), sqrt(1 - c4(n) ** 2) / c4(n)
    return Factors(
        n=n,
        d2=wide,
        d3=d3(n),
        c4=c4(n),
        A2=3 / (wide * sqrt(n)),
        A3=3 / (c4(n) * sqrt(n)),
        B3=max(0.0, 1 - 3 * of_sd),
        B4=1 + 3 * of_sd,
        D3=max(0.0, 1 - 3 * of_range),
        D4=1 + 3 * of_range,
        E2=3 / wide,
    )


@lru_cache(maxsize=64)
def d2(n: int) -> float:
    """Return the mean of the range of n standard normal values."""
    _checked(n)
    x, weight = _line(-_REACH, _REACH)
    below = ndtr(x)
    return float(weight @ (1 - below**n - (1 - below) ** n))


@lru_cache(maxsize=64)
def d3(n: int) -> float:
    """Return the sd of the range of n standard normal values."""
    _checked(n)
    r, weight = _line(0.0, 2 * _REACH)
    return sqrt(float(weight @ (2 * r * (1 - range_chance(r, n)))) - d2(n) ** 2)


def d2_star(n: int, samples: int) -> float:
    """Return the divisor that makes the squared mean of so many ranges estimate the variance, sqrt(d2^2 + d3^2 / g)."""
    if samples < 1:
        raise InputError("a mean range needs at least one sample")
    return sqrt(d2(n) ** 2 + d3(n) ** 2 / samples)


@lru_cache(maxsize=64)
def c4(n: int) -> float:
    """Return the mean of the sd of n standard normal values (divisor n - 1)."""
    _checked(n)
    return sqrt(2 / (n - 1)) * exp(lgamma(n / 2) - lgamma((n - 1) / 2))


@lru_cache(maxsize=64)
def median_range(n: int) -> float:
    """Return the median of the range of n standard normal values."""
    _checked(n)
    return float(brentq(lambda r: float(range_chance(np.array([r]), n)[0]) - 0.5, 0.0, 2 * _REACH, xtol=1e-13))


def range_chance(r: ArrayLike, n: int) -> Array:
    """Return P(R <= r) of the range R of n standard normal values, in the shape of r."""
    _checked(n)
    x, weight = _line(-_REACH, _REACH)
    least = np.exp(-0.5 * x**2) / np.sqrt(2 * np.pi) * weight
    reach = np.maximum(np.asarray(r, dtype=np.float64), 0.0)
    return np.asarray(n * (ndtr(x + reach[..., None]) - ndtr(x)) ** (n - 1) @ least)


def _checked(n: int) -> None:
    if n < 2:
        raise InputError(f"chart factors are for samples of at least 2, not {n}")


@lru_cache(maxsize=8)
def _line(low: float, high: float) -> tuple[Array, Array]:
    """Return places and weights of Gauss-Legendre quadrature on panels: powers of Phi are steep for large samples."""
    place, weight = np.polynomial.legendre.leggauss(_NODES)
    half = (high - low) / (2 * _PANELS)
    begins = low + 2 * half * np.arange(_PANELS)
    return (begins[:, None] + half * (place + 1)).reshape(-1), np.tile(half * weight, _PANELS)

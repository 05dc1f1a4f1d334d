"""Density of fuel over temperature: ASTM D1250 (1980), tables 53B and 54B, generalised products.

    alpha = K0 / rho15^2 + K1 / rho15        (787.5 and 770.5 bound a blend zone with its own form)
    VCF   = exp(-alpha dt (1 + 0.8 alpha dt)),   dt = t - 15 degC,   rho(t) = rho15 * VCF

with rho in kg/m3 and t in degC. Source: API MPMS chapter 11.1 / ASTM D1250 of 1980; the revision of 2004 has slightly
other constants and bounds. Range: density at 15 degC from 653 to 1075 kg/m3 and, here, -18 to 150 degC. The
density observed is the liquid's own: no correction of a glass hydrometer for its temperature is applied.

The pieces do not quite meet at their bounds. Density at 15 degC therefore is found piece by piece, and near a bound
the lighter piece is taken where both would do, the bound itself where neither does.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: Range of density at 15 degC in kg/m3, and of temperature in degC.
DENSITY_RANGE = (653.0, 1075.0)
TEMPERATURE_RANGE = (-18.0, 150.0)

# lower bound of the piece, constant, factor of 1/rho, factor of 1/rho^2
_PIECES = (
    (653.0, 0.0, 0.4388, 346.4228),
    (770.5, -0.00336312, 0.0, 2680.3206),
    (787.5, 0.0, 0.0, 594.5418),
    (839.0, 0.0, 0.4862, 186.9696),
)
_BOUNDS = (*(piece[0] for piece in _PIECES), DENSITY_RANGE[1])

# the density at t is nearly straight in the density at 15 degC: three steps reach rounding
_STEPS = 8


def expansion(density_15: ArrayLike) -> Floats:
    """Return alpha, the coefficient of expansion at 15 degC in 1/K, of densities in kg/m3; NaN out of range."""
    rho = np.asarray(density_15, dtype=np.float64)
    at = np.clip(np.searchsorted(_BOUNDS[1:-1], rho, side="right"), 0, len(_PIECES) - 1)
    table = np.array(_PIECES)[at]
    alpha = table[..., 1] + table[..., 2] / rho + table[..., 3] / rho**2
    return np.where((rho >= DENSITY_RANGE[0]) & (rho <= DENSITY_RANGE[1]), alpha, np.nan)


def volume_factor(density_15: ArrayLike, temperature: ArrayLike) -> Floats:
    """Return VCF, volume at 15 degC over volume at `temperature` in degC; NaN out of range.

    The shapes are broadcast against each other.
    """
    return _factor(expansion(density_15), np.asarray(temperature, dtype=np.float64))


def density_at(density_15: ArrayLike, temperature: ArrayLike) -> Floats:
    """Return the density in kg/m3 at `temperature` in degC of fuel with this density at 15 degC; NaN out of range."""
    return np.asarray(density_15, dtype=np.float64) * volume_factor(density_15, temperature)


def density_15(observed: ArrayLike, temperature: ArrayLike) -> Floats:
    """Return the density at 15 degC in kg/m3 from one observed at `temperature` in degC; NaN out of range.

    The inverse of `density_at`, by Newton's steps within the piece whose densities at this temperature enclose the
    observed one.
    """
    seen, t = np.broadcast_arrays(np.asarray(observed, dtype=np.float64), np.asarray(temperature, dtype=np.float64))
    found = np.full(seen.shape, np.nan)
    reached = np.full(seen.shape, np.inf)
    for (low, *constants), high in zip(_PIECES, _BOUNDS[1:], strict=True):
        least, most = (end * _factor(_alpha(np.float64(end), *constants), t) for end in (low, high))
        rho = np.clip(seen, low, high)
        for _ in range(_STEPS):
            alpha = _alpha(rho, *constants)
            step = alpha * (t - 15.0)
            gap = rho * _factor(alpha, t) - seen
            # d ln VCF / d rho = -d alpha / d rho * dt (1 + 1.6 alpha dt); density at t rises with density at 15
            fall = constants[1] / rho + 2.0 * constants[2] / rho**2
            slope = _factor(alpha, t) * (1.0 + fall * (t - 15.0) * (1.0 + 1.6 * step))
            rho = np.clip(rho - gap / slope, low, high)
        empty = np.isnan(found)
        found = np.where(empty & (seen > reached) & (seen < least), low, found)
        found = np.where(empty & (seen >= least) & (seen <= most), rho, found)
        reached = most
    return found


def _alpha(rho: Floats | np.float64, constant: float, first: float, second: float) -> Floats:
    return np.asarray(constant + first / rho + second / rho**2, dtype=np.float64)


def _factor(alpha: Floats, t: Floats) -> Floats:
    step = alpha * (t - 15.0)
    factor = np.exp(-step * (1.0 + 0.8 * step))
    return np.where((t >= TEMPERATURE_RANGE[0]) & (t <= TEMPERATURE_RANGE[1]), factor, np.nan)

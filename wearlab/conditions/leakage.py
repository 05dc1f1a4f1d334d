"""Leakage through the annular clearance between a plunger, needle or piston and its bore.

    Q = pi d h^3 dp (1 + 1.5 e^2) / (12 mu L)

laminar flow of a liquid with dynamic viscosity mu through a gap of length L, radial clearance h and eccentricity
ratio e (offset of the axes over h, 0 to 1), under the pressure drop dp. d is the mean diameter of the gap, that is
bore less h: with it the formula agrees with the exact concentric annulus to about (h/d)^2 / 15; with the diameter of
the plunger it is low by h/d. Source: Merritt, Hydraulic Control Systems, 1967.

Three consequences decide what leakage can tell of wear: it grows with the cube of the clearance, by up to 2.5 times
with eccentricity alone, and falls as the viscosity rises with pressure (Barus), mu = mu0 exp(alpha p). Not
in the formula: the gap widens under pressure and the fuel heats as it is throttled, both towards more leakage.

Range: laminar flow (Reynolds number of the gap, rho v 2h / mu, under about 1000), clearance small against the
diameter, steady pressure, parallel gap.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError

Floats = NDArray[np.float64]

#: Largest radial clearance over diameter: beyond it the thin gap is no longer exact to one part in 10,000.
THIN = 0.03

# m3/s to ml/min, bar to Pa, and the trade's small lengths to m
_ML_PER_MIN = 6e7
_BAR = 1e5
_MM = 1e-3
_UM = 1e-6
_MPA_S = 1e-3


def annular_leakage(
    *,
    diameter_mm: ArrayLike,
    clearance_um: ArrayLike,
    length_mm: ArrayLike,
    drop_bar: ArrayLike,
    viscosity_mpas: ArrayLike,
    eccentricity: ArrayLike = 0.0,
    barus_per_pa: ArrayLike = 0.0,
    outlet_bar: ArrayLike = 0.0,
) -> Floats:
    """Return the leakage in ml/min; all arguments are broadcast against each other.

    Parameters
    ----------
    diameter_mm
        Mean diameter of the gap (bore less radial clearance).
    clearance_um
        Radial clearance h of the centred plunger.
    length_mm, drop_bar
        Length of the gap and pressure drop along it; a negative drop gives a negative leakage.
    viscosity_mpas
        Dynamic viscosity at ambient pressure and the temperature in the gap.
    eccentricity
        Ratio from 0 (centred) to 1 (touching): the factor is 1 + 1.5 e^2.
    barus_per_pa, outlet_bar
        Pressure coefficient of viscosity, 0 = none, and the pressure (gauge) after the gap.

    Raises
    ------
    InputError
        A length or viscosity is not above zero, the eccentricity is not within 0 to 1, or the gap is not thin.
    """
    d, h, length, mu = (np.asarray(a, dtype=np.float64) for a in (diameter_mm, clearance_um, length_mm, viscosity_mpas))
    drop, ratio = np.asarray(drop_bar, dtype=np.float64), np.asarray(eccentricity, dtype=np.float64)
    for name, array in (("diameter", d), ("clearance", h), ("length", length), ("viscosity", mu)):
        if (array <= 0).any():
            raise InputError(f"the {name} of a gap is above zero")
    if ((ratio < 0) | (ratio > 1)).any():
        raise InputError("an eccentricity ratio lies between 0 (centred) and 1 (touching)")
    if (h * _UM > THIN * d * _MM).any():
        raise InputError(f"the clearance must be under {THIN:g} of the diameter for a thin gap")
    flow = (
        np.pi
        * (d * _MM)
        * (h * _UM) ** 3
        * (drop * _BAR)
        * (1.0 + 1.5 * ratio**2)
        / (12.0 * mu * _MPA_S * length * _MM)
    )
    return flow * _ML_PER_MIN * barus_flow_factor(drop, barus_per_pa, outlet_bar=outlet_bar)


def barus_viscosity_factor(pressure_bar: ArrayLike, barus_per_pa: ArrayLike) -> Floats:
    """Return mu(p) / mu0 = exp(alpha p) for a pressure (gauge) in bar; Barus 1893, for some 1000 bar at most."""
    pascals = np.asarray(pressure_bar, dtype=np.float64) * _BAR
    return np.exp(np.asarray(barus_per_pa, dtype=np.float64) * pascals)


def barus_flow_factor(drop_bar: ArrayLike, barus_per_pa: ArrayLike, *, outlet_bar: ArrayLike = 0.0) -> Floats:
    """Return the leakage with Barus viscosity over the leakage at ambient viscosity.

    The pressure falls along the gap and the viscosity with it. The flow is the same at every place, so it goes with
    the integral of dp / mu(p): the factor is exp(-alpha p_out) (1 - exp(-alpha dp)) / (alpha dp), 1 at alpha 0.
    """
    alpha = np.asarray(barus_per_pa, dtype=np.float64)
    x = alpha * np.asarray(drop_bar, dtype=np.float64) * _BAR
    safe = np.where(x == 0, 1.0, x)
    along = np.where(x == 0, 1.0, -np.expm1(-safe) / safe)
    return along * np.exp(-alpha * np.asarray(outlet_bar, dtype=np.float64) * _BAR)

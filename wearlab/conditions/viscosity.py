"""Kinematic viscosity of a fuel over temperature, by ASTM D341 through two measured points.

log10 log10 Z = A - B log10 T, with T the absolute temperature and Z made of the viscosity v in mm2/s:

* short form, Z = v + 0.7, good from about 2 mm2/s upwards;
* full form, Z = v + 0.7 + exp(-1.47 - 1.84 v - 0.51 v^2), which below 2 mm2/s is needed (hot diesel fuel is
  thinner than that) and above it differs by less than 0.001 in Z.

The inverse that is printed with the full form, v = w - exp(-0.7487 - 3.295 w + 0.6119 w^2 - 0.3193 w^3) with
w = Z - 0.7, is a fit and misses by up to 0.0003 mm2/s between 0.3 and 2 mm2/s. Here it only starts Newton's steps on
Z(v), so that a viscosity put in comes out again to rounding.

Range: a liquid without wax crystals and without vapour, that is from the cloud point to the start of boiling;
between and a little beyond the two points the law is trustworthy, far outside them it is not. Viscosities
under `LOWEST` are not told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.config import Fuel
from wearlab.errors import InputError

#: Kelvin at 0 degC. Some printed worked examples round it to 273.
KELVIN = 273.15

#: Least viscosity in mm2/s that the full form and the short form are used for here.
LOWEST = 0.21
LOWEST_SHORT = 0.31

#: Newton's steps: the printed inverse starts within 0.1 and each step squares the error.
STEPS = 5

Floats = NDArray[np.float64]


def z_of(viscosity: ArrayLike, *, full: bool = True) -> Floats:
    """Return Z of viscosities in mm2/s, of any shape; `full` adds the exponential term."""
    v = np.asarray(viscosity, dtype=np.float64)
    if not full:
        return v + 0.7
    return v + 0.7 + np.exp(-1.47 - 1.84 * v - 0.51 * v**2)


def printed_inverse(z: ArrayLike) -> Floats:
    """Return the viscosity in mm2/s by the approximate inverse that is printed with the full form."""
    w = np.asarray(z, dtype=np.float64) - 0.7
    # the cubic would overflow for thick oils, where the term is nothing
    u = np.minimum(w, 20.0)
    return w - np.exp(-0.7487 - 3.295 * u + 0.6119 * u**2 - 0.3193 * u**3)


def viscosity_of(z: ArrayLike, *, full: bool = True) -> Floats:
    """Return the viscosity in mm2/s that has this Z: the exact inverse of `z_of`; NaN under the range."""
    zs = np.asarray(z, dtype=np.float64)
    if not full:
        v = zs - 0.7
        return np.where(v >= LOWEST_SHORT, v, np.nan)
    v = np.maximum(printed_inverse(zs), 0.0)
    for _ in range(STEPS):
        term = np.exp(-1.47 - 1.84 * v - 0.51 * v**2)
        # Z rises with v at every v >= 0: the slope is never under 0.57
        v = np.maximum(v - (v + 0.7 + term - zs) / (1.0 - term * (1.84 + 1.02 * v)), 0.0)
    return np.where(v >= LOWEST * (1.0 - 1e-12), v, np.nan)


@dataclass(frozen=True, slots=True)
class ViscosityLaw:
    """A fuel's D341 line: log10 log10 Z = a - b log10(t + kelvin), t in degC."""

    a: float
    b: float
    full: bool = True
    kelvin: float = KELVIN

    def at(self, temperature: ArrayLike) -> Floats:
        """Return the kinematic viscosity in mm2/s at temperatures in degC, of their shape.

        NaN where the temperature is NaN or below absolute zero, or the viscosity would be under the range.
        """
        kelvins = np.asarray(temperature, dtype=np.float64) + self.kelvin
        with np.errstate(over="ignore"):
            log_z = 10.0 ** (self.a - self.b * np.log10(np.where(kelvins > 0, kelvins, np.nan)))
            z = 10.0 ** np.where(log_z < 300.0, log_z, np.nan)
        return viscosity_of(z, full=self.full)

    def thicker(self, factor: float, temperature: float) -> ViscosityLaw:
        """Return the law of a fuel `factor` times as thick at `temperature` (degC), with the same slope b."""
        z = z_of(float(self.at(temperature)) * factor, full=self.full)
        a = float(np.log10(np.log10(z))) + self.b * float(np.log10(temperature + self.kelvin))
        return ViscosityLaw(a, self.b, self.full, self.kelvin)


def through(
    first: tuple[float, float], second: tuple[float, float], *, full: bool = True, kelvin: float = KELVIN
) -> ViscosityLaw:
    """Return the law through two points (temperature in degC, viscosity in mm2/s).

    Source: ASTM D341. `kelvin` is the absolute temperature of 0 degC; 273 reproduces printed examples that
    round it.

    Raises
    ------
    InputError
        The points are at one temperature, the hotter one is not the thinner one, or a viscosity is out of range.
    """
    (t1, v1), (t2, v2) = sorted((first, second))
    least = LOWEST if full else LOWEST_SHORT
    if not (np.isfinite([t1, v1, t2, v2]).all() and t1 > -kelvin and t2 > t1):
        raise InputError(f"a viscosity law needs two points at two temperatures, not {first} and {second}")
    if not v1 > v2 >= least:
        raise InputError(
            f"viscosity falls with temperature and is at least {least} mm2/s here: {v1:g} at {t1:g} degC and "
            f"{v2:g} at {t2:g} degC do not fit"
        )
    y1, y2 = (float(np.log10(np.log10(z_of(v, full=full)))) for v in (v1, v2))
    x1, x2 = (float(np.log10(t + kelvin)) for t in (t1, t2))
    b = (y1 - y2) / (x2 - x1)
    return ViscosityLaw(y1 + b * x1, b, full, kelvin)


def law_of(fuel: Fuel) -> ViscosityLaw:
    """Return the law of the fuel in the settings."""
    first, second = fuel.viscosity
    return through(first, second)

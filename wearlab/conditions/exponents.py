"""Condition exponents: how strongly each condition acts on a measure, before a fleet's own tests are asked.

A reading is taken to follow `reading = reading under reference conditions * exp(sum of exponent * column)`.

* return_flow. Rail pressure: a laminar gap gives 1, a jet through an eroded seat 0.5, a stiffening and widening
  gap up to 1.5: N(1, 0.25). Viscosity: the laminar gap gives 1, a jet 0: N(0.7, 0.2).
* pump_peak. A worn pump's pressure on a closed volume stands where delivery, which goes with cranking speed, equals
  leakage, which goes with pressure over viscosity: so peak goes with speed and with viscosity, both to the power 1
  if the gap is laminar. That crude balance gives speed N(1, 0.5) and viscosity N(0.7, 0.3); common practice, no
  published figure.
* pump_rise. The time to fill a closed volume to a pressure goes with the inverse of delivery: speed N(-1, 0.5).
  Leakage lengthens it and thicker fuel fills the pump worse, so viscosity may act either way: N(0, 0.3). Crude
  model, no published figure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearlab.conditions.viscosity import law_of
from wearlab.config import Fuel
from wearlab.errors import InputError
from wearlab.language import msg
from wearlab.records import Measure

Floats = NDArray[np.float64]

#: The condition behind a column, as an attribute of `Reference`.
Acting = Literal["rail", "temperature", "speed"]


@dataclass(frozen=True, slots=True)
class Term:
    """One condition that acts on a measure: its column's name, the exponent's prior, and where that is from.

    `sign` turns the viscosity column: +1 for log(nu_ref / nu), -1 for log(nu / nu_ref).
    """

    acting: Acting
    name: str
    mean: float
    sd: float
    sign: float
    basis: str


_GAP = msg("laminar gap and jet as the two ends")
_CRUDE = msg("computed from a crude model; common practice, no published figure")

TERMS: dict[Measure, tuple[Term, ...]] = {
    Measure.RETURN_FLOW: (
        Term("rail", msg("rail pressure"), 1.0, 0.25, 1.0, _GAP),
        Term("temperature", msg("fuel viscosity"), 0.7, 0.2, 1.0, _GAP),
    ),
    Measure.PUMP_PEAK: (
        Term("speed", msg("cranking speed"), 1.0, 0.5, 1.0, _CRUDE),
        Term("temperature", msg("fuel viscosity"), 0.7, 0.3, -1.0, _CRUDE),
    ),
    Measure.PUMP_RISE: (
        Term("speed", msg("cranking speed"), -1.0, 0.5, 1.0, _CRUDE),
        Term("temperature", msg("fuel viscosity"), 0.0, 0.3, -1.0, _CRUDE),
    ),
    Measure.PUMP_HOLD: (),
    Measure.RIG_CHECK: (),
}


@dataclass(frozen=True, slots=True, eq=False)
class Exponents:
    """Exponents by column name: mean (c,) and covariance (c, c), a prior or what a fleet's own tests gave."""

    names: tuple[str, ...]
    mean: Floats
    covariance: Floats

    def chosen(self, names: tuple[str, ...]) -> Exponents:
        """Return the exponents of these columns, in this order.

        Raises
        ------
        InputError
            A column has no exponent.
        """
        missing = [name for name in names if name not in self.names]
        if missing:
            raise InputError(f'no exponent is given for "{missing[0]}"; there are {", ".join(self.names) or "none"}')
        at = [self.names.index(name) for name in names]
        return Exponents(names, self.mean[at], self.covariance[np.ix_(at, at)])


def prior_exponents(measure: Measure, fuel: Fuel) -> Exponents:
    """Return the exponents assumed before the fleet's own tests speak.

    The viscosity column is computed from the two points in the settings, and a fuel that is thicker than these is
    also steeper. That error is one factor on the whole column, the same for every reading, and cannot be told from
    the exponent; so it is carried in the exponent's standard deviation: sd^2 + (mean * `steepness_error`)^2.
    """
    terms = TERMS[measure]
    slope = steepness_error(fuel)
    sds = [t.sd if t.acting != "temperature" else float(np.hypot(t.sd, t.mean * slope)) for t in terms]
    return Exponents(
        names=tuple(t.name for t in terms),
        mean=np.array([t.mean for t in terms], dtype=np.float64),
        covariance=np.diag(np.square(np.array(sds, dtype=np.float64))),
    )


def steepness_error(fuel: Fuel) -> float:
    """Return the relative error of log(nu(T_ref) / nu(T)) that the fuel's uncertainty brings, about 0.07 for 15 %.

    A common factor on nu cancels in the ratio. What is left: a fuel thicker by the stated uncertainty, on a D341
    line of the same slope, changes the logarithm of the ratio by nearly the same percentage at every temperature.
    It is taken between the fuel's own two points, as the mean of thicker and thinner.
    """
    law = law_of(fuel)
    (cool, _), (hot, _) = sorted(fuel.viscosity)
    base = float(np.log(law.at(cool) / law.at(hot)))
    off = fuel.uncertainty_percent / 100.0
    changed = []
    for factor in (1.0 + off, 1.0 - off):
        other = law.thicker(factor, 0.5 * (cool + hot))
        ends = other.at([cool, hot])
        if np.isfinite(ends).all():
            changed.append(abs(float(np.log(ends[0] / ends[1])) / base - 1.0))
    # a very thin fuel leaves the range of the law when made thinner still; the thicker side then speaks alone
    return float(np.mean(changed)) if changed else off

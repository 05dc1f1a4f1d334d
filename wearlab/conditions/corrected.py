"""One reading brought to reference conditions, with the interval that the exponents' uncertainty gives it."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, isfinite, sqrt

from scipy.special import ndtri

from wearlab.conditions.columns import columns
from wearlab.conditions.exponents import Exponents, prior_exponents
from wearlab.conditions.reference import Reference
from wearlab.config import Fuel
from wearlab.errors import InputError
from wearlab.language import _, localised
from wearlab.records import Measure, NoAnswer


@dataclass(frozen=True, slots=True)
class Corrected:
    """A reading under reference conditions.

    The interval holds what the exponents and conditions that were not recorded leave open, and nothing of the
    reading's own error. `factor` is point over reading. `under` names the reference, `notes` what was assumed.
    """

    point: float
    low: float
    high: float
    coverage: float
    factor: float
    under: str
    notes: tuple[str, ...]


def corrected(
    measure: Measure,
    value: float,
    reference: Reference,
    *,
    fuel: Fuel,
    rail_bar: float | None = None,
    fuel_temp_c: float | None = None,
    speed_rpm: float | None = None,
    temp_kind: str | None = None,
    exponents: Exponents | None = None,
    coverage: float = 0.9,
) -> Corrected | NoAnswer:
    """Return one reading under reference conditions: q (p_ref/p)^n (nu(T)/nu(T_ref))^m, and its kin for pumps.

    Parameters
    ----------
    value
        The reading in any unit; a bound is corrected as a reading is.
    rail_bar, fuel_temp_c, speed_rpm, temp_kind
        Its own conditions, None where not recorded.
    exponents
        A fleet's own exponents with covariance; None: the priors.

    Returns
    -------
    Corrected, or NoAnswer outside the range of correction, without any reference, or for a value below zero.

    Raises
    ------
    InputError
        The coverage is not between 0 and 1, or an exponent is missing.
    """
    if not 0 < coverage < 1:
        raise InputError(f"a coverage lies between 0 and 1, not {coverage}")
    if not isfinite(value) or value < 0:
        return NoAnswer(_("a reading of {value} cannot be corrected", value=localised(f"{value:g}")))
    made = columns(
        measure,
        reference,
        fuel=fuel,
        rail_bar=[rail_bar],
        fuel_temp_c=[fuel_temp_c],
        speed_rpm=[speed_rpm],
        temp_kind=[temp_kind],
    )
    if made.outside[0]:
        return NoAnswer(_("not corrected: {why}", why=made.why[0]))
    if not made.names and not made.visit_sd[0]:
        return NoAnswer(
            _("not corrected: the group has no reference conditions for this measure, it is told as measured")
        )
    taken = (exponents or prior_exponents(measure, fuel)).chosen(made.names)
    row = made.matrix[0]
    shift = -float(row @ taken.mean)
    sd = sqrt(float(row @ taken.covariance @ row) + float(made.visit_sd[0]) ** 2)
    reach = float(ndtri(0.5 + coverage / 2)) * sd
    return Corrected(
        point=value * exp(shift),
        low=value * exp(shift - reach),
        high=value * exp(shift + reach),
        coverage=coverage,
        factor=exp(shift),
        under=reference.words(),
        notes=made.notes,
    )

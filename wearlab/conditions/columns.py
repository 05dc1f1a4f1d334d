"""The wear model's condition columns: one row a reading, one column a condition that acts on the measure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.conditions.exponents import TERMS, Exponents, Term, prior_exponents
from wearlab.conditions.given import Floats, Given, GivenWords, condition_array, kind_array, one_length
from wearlab.conditions.reference import COOLANT, Reference, ReferenceCondition, temperature_name
from wearlab.conditions.viscosity import ViscosityLaw, law_of
from wearlab.config import Fuel
from wearlab.errors import InputError
from wearlab.language import _, localised, number
from wearlab.records import Measure

#: Pressure and cranking speed are corrected between these multiples of the reference (common practice, no source).
RATIO_RANGE = (0.7, 1.4)

#: Temperature is corrected up to this many K from the reference (common practice, no source).
TEMPERATURE_RANGE = 25.0

# a test exactly on the edge is inside, whatever the rounding
_EDGE = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class ConditionColumns:
    """Columns of covariates for n readings, c conditions; every column is a "factor" of the wear model.

    A reading's level under reference conditions is reading * exp(-matrix @ exponent).

    Attributes
    ----------
    matrix : (n, c)
        log(p / p_ref), log(nu(T_ref) / nu(T)) (turned for pumps), log(speed / speed_ref). 0 in the row of a reading
        outside the range of correction.
    names, kind, prior_mean, prior_sd : (c,)
        Name, "factor", and the exponent's normal prior.
    outside : (n,) bool
        Outside the range: kept and shown, not corrected, and to be left out of the model.
    why : (n,) object
        One sentence for a reading outside, else None.
    missing : (n,) bool
        A condition was not recorded, and the group's median test stands for it.
    visit_sd : (n,)
        Known relative standard deviation of the visit's shared effect for what was not recorded; assumed, not
        estimated.
    notes
        What was assumed, in sentences.
    """

    matrix: Floats
    names: tuple[str, ...]
    kind: tuple[str, ...]
    prior_mean: Floats
    prior_sd: Floats
    outside: NDArray[np.bool_]
    why: NDArray[np.object_]
    missing: NDArray[np.bool_]
    visit_sd: Floats
    notes: tuple[str, ...]

    def factor(self, exponents: Exponents) -> Floats:
        """Return the factor (n,) that brings readings to reference conditions; NaN for readings outside."""
        taken = exponents.chosen(self.names)
        return np.where(self.outside, np.nan, np.exp(-self.matrix @ taken.mean))


def columns(
    measure: Measure,
    reference: Reference,
    *,
    fuel: Fuel,
    rail_bar: Given | None = None,
    fuel_temp_c: Given | None = None,
    speed_rpm: Given | None = None,
    temp_kind: GivenWords | None = None,
    readings: int | None = None,
) -> ConditionColumns:
    """Return the condition columns of n readings against the group's reference.

    Parameters
    ----------
    rail_bar, fuel_temp_c, speed_rpm
        Shape (n,), NaN or None where not recorded; None for the array: no reading has it.
    temp_kind
        Shape (n,), "tank", "return", "coolant" or None. A temperature of another kind than the reference's counts
        as not recorded.
    readings
        n, needed only where no condition is handed over.

    Notes
    -----
    A condition that was not recorded is put at the group's median test: column 0 where the reference is that median,
    else the column of that median. Its spread times the exponent goes to `visit_sd`, with the exponent's own
    uncertainty: sqrt(mean^2 + sd^2) * spread. A condition that no test of the group recorded has no column; if it
    was stated with the limit, the assumed spread is still added, else the model's own visit effect holds it.

    The uncertainty of the fuel's viscosity is the same for all readings: it nearly cancels in nu(T_ref) / nu(T),
    and the rest is carried by the exponent's prior (`prior_exponents`). That one visit's fuel is thicker than
    another's is not corrected; it belongs to the visit's shared effect.

    Raises
    ------
    InputError
        The arrays are not of one length.
    """
    rails, temps, speeds = (condition_array(a) for a in (rail_bar, fuel_temp_c, speed_rpm))
    n = one_length(rails, temps, speeds)
    if readings is not None and n not in (0, readings):
        raise InputError(f"conditions of {n} readings were given for {readings} readings")
    n = n if readings is None else readings
    if temps is not None:
        kinds = kind_array(temp_kind, n)
        alike = kinds != COOLANT if reference.temp_kind is None else kinds == reference.temp_kind
        temps = np.where(alike, temps, np.nan)
    given = {"rail": rails, "temperature": temps, "speed": speeds}
    gather = _Gather(n, reference, law_of(fuel), prior_exponents(measure, fuel))
    for term in TERMS[measure]:
        gather.take(term, given[term.acting])
    return gather.result()


class _Gather:
    """Gathers one column after the other."""

    def __init__(self, n: int, reference: Reference, law: ViscosityLaw, prior: Exponents) -> None:
        self.n, self.reference, self.law, self.prior = n, reference, law, prior
        self.parts: list[Floats] = []
        self.names: list[str] = []
        self.outside = np.zeros(n, dtype=np.bool_)
        self.why = np.full(n, None, dtype=object)
        self.missing = np.zeros(n, dtype=np.bool_)
        self.visit_variance = np.zeros(n)
        self.notes: list[str] = []

    def take(self, term: Term, values: Floats | None) -> None:
        condition: ReferenceCondition | None = getattr(self.reference, term.acting)
        if condition is None:
            return
        if term.acting == "temperature" and not np.isfinite(self.law.at(condition.value)):
            value = _shown(condition.value)
            self.notes.append(_("the fuel's viscosity is not known at the reference of {value} degC", value=value))
            return
        filled = np.full(self.n, np.nan) if values is None else values
        if term.acting != "temperature":
            filled = np.where(filled > 0, filled, np.nan)
        known = np.isfinite(filled)
        at = self.prior.names.index(term.name)
        size = float(np.hypot(self.prior.mean[at], np.sqrt(self.prior.covariance[at, at])))
        self.missing |= ~known
        self.visit_variance += np.where(known, 0.0, (size * self._spread(term, condition)) ** 2)
        self._tell(condition, int((~known).sum()), size * self._spread(term, condition))
        stand_in = condition.typical if np.isfinite(condition.typical) else condition.value
        self._flag(term, condition, np.where(known, filled, stand_in), known)
        if condition.recorded or known.any():
            self.parts.append(self._column(term, condition, np.where(known, filled, stand_in)))
            self.names.append(term.name)

    def _column(self, term: Term, condition: ReferenceCondition, values: Floats) -> Floats:
        if term.acting != "temperature":
            return np.log(values / condition.value)
        return term.sign * np.log(self.law.at(condition.value) / self.law.at(values))

    def _spread(self, term: Term, condition: ReferenceCondition) -> float:
        """Return the standard deviation of the column among the group's tests."""
        if term.acting != "temperature":
            return condition.spread
        middle = condition.typical if np.isfinite(condition.typical) else condition.value
        # on the cool side, where viscosity is steeper, and no wider than correction reaches
        reach = min(condition.spread, TEMPERATURE_RANGE)
        cool, mid = self.law.at([middle - reach, middle])
        return float(np.log(cool / mid)) * condition.spread / reach if reach > 0 else 0.0

    def _flag(self, term: Term, condition: ReferenceCondition, values: Floats, known: NDArray[np.bool_]) -> None:
        if term.acting == "temperature":
            off = values - condition.value
            far = (np.abs(off) > TEMPERATURE_RANGE + _EDGE) | ~np.isfinite(self.law.at(values))
        else:
            off = values / condition.value
            far = (off < RATIO_RANGE[0] - _EDGE) | (off > RATIO_RANGE[1] + _EDGE)
        name = _(condition.name) if term.acting != "temperature" else temperature_name(self.reference.temp_kind)
        for i in np.flatnonzero(far):
            said = outside_sentence(name, float(values[i]), condition, bool(known[i]))
            self.why[i] = said if self.why[i] is None else f"{self.why[i]}; {said}"
        self.outside |= far

    def _tell(self, condition: ReferenceCondition, count: int, sd: float) -> None:
        if not count:
            return
        told = {
            "name": _(condition.name),
            "count": count,
            "n": self.n,
            "percent": number(100 * sd),
            "recorded": condition.recorded,
        }
        self.notes.append(
            _(
                "{name} is not known for {count} of {n} readings: {percent} % is added to the shared effect of their "
                "visits (spread assumed, as only {recorded} tests recorded it; exponent assumed)",
                **told,
            )
            if condition.spread_assumed
            else _(
                "{name} is not known for {count} of {n} readings: {percent} % is added to the shared effect of their "
                "visits (spread from the {recorded} tests that recorded it; exponent assumed)",
                **told,
            )
        )

    def result(self) -> ConditionColumns:
        matrix = np.column_stack(self.parts) if self.parts else np.zeros((self.n, 0))
        matrix[self.outside] = 0.0
        names = tuple(self.names)
        prior = self.prior.chosen(names)
        if self.outside.any():
            self.notes.append(
                _(
                    "{count} of {n} readings lie outside the range of correction: shown, not corrected",
                    count=int(self.outside.sum()),
                    n=self.n,
                )
            )
        return ConditionColumns(
            matrix=matrix,
            names=names,
            kind=("factor",) * len(names),
            prior_mean=prior.mean,
            prior_sd=np.sqrt(np.diag(prior.covariance)),
            outside=self.outside,
            why=self.why,
            missing=self.missing,
            visit_sd=np.where(self.outside, 0.0, np.sqrt(self.visit_variance)),
            notes=tuple(self.notes),
        )


def outside_sentence(name: str, value: float, condition: ReferenceCondition, recorded: bool) -> str:
    """Return why a reading is not corrected: which condition, on which side, and how far correction goes."""
    figure = f"{_shown(value)} {condition.unit}"
    who = f"{name} {figure}"
    if not recorded:
        who = _("{name} not recorded, and the group's median of {figure}", name=name, figure=figure)
    above = value > condition.value
    if condition.unit == "degC":
        told = {
            "who": who,
            "off": localised(f"{abs(value - condition.value):.3g}"),
            "reference": _shown(condition.value),
            "reach": localised(f"{TEMPERATURE_RANGE:g}"),
        }
        if above:
            return _("{who} is {off} K above the reference of {reference} degC; correction reaches {reach} K", **told)
        return _("{who} is {off} K below the reference of {reference} degC; correction reaches {reach} K", **told)
    times = RATIO_RANGE[1] if above else RATIO_RANGE[0]
    told = {
        "who": who,
        "times": localised(f"{times:g}"),
        "reference": f"{_shown(condition.value)} {condition.unit}",
        "edge": f"{_shown(times * condition.value)} {condition.unit}",
    }
    if above:
        return _("{who} is above {times} times the reference of {reference} ({edge}), where correction ends", **told)
    return _("{who} is below {times} times the reference of {reference} ({edge}), where correction ends", **told)


def _shown(value: float) -> str:
    return localised(f"{value:.4g}")

"""The reference conditions of a group: what the limit was stated for, else the group's median test.

There is no built-in reference. 30 ml/min measured with fuel at 70 degC would become about 21 at 40 degC and would
then pass a limit of 25 that was stated for warm fuel.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wearlab.conditions.exponents import TERMS, Acting
from wearlab.conditions.given import Floats, Given, GivenWords, condition_array, kind_array, one_length
from wearlab.language import _, localised, msg
from wearlab.limit_settings import Conditions
from wearlab.records import Measure

#: Where a reference value comes from.
Origin = Literal["limit", "median test"]

#: Fewest tests that must have recorded a condition before their spread is believed.
FEWEST_FOR_SPREAD = 5

#: Spread assumed until then (common practice, no source): 10 % of pressure and of cranking speed, 10 K of fuel.
ASSUMED_SPREAD = {msg("rail pressure"): 0.10, msg("fuel temperature"): 10.0, msg("cranking speed"): 0.10}

#: A coolant temperature is no fuel temperature: a limit stated for fuel cannot be met by it.
COOLANT = "coolant"

_ORIGINS: dict[Origin, str] = {"limit": msg("limit"), "median test": msg("median test")}

_TEMPERATURES = {
    "tank": msg("tank temperature"),
    "return": msg("return temperature"),
    COOLANT: msg("coolant temperature"),
    "": msg("temperature"),
}

_ACTING: tuple[Acting, ...] = ("rail", "temperature", "speed")

# of two kinds recorded equally often, the one nearer to the leak gap is taken
_KIND_ORDER = ("return", "tank", "", COOLANT)


@dataclass(frozen=True, slots=True)
class ReferenceCondition:
    """One condition of a group.

    `value` is the reference and `typical` the median of the `recorded` tests that noted the condition (NaN where
    none did). `spread` is how tests differ: standard deviation of the logarithm for pressure and speed, in K for
    temperature; `spread_assumed` where too few tests noted the condition to tell.
    """

    name: str
    value: float
    unit: str
    origin: Origin
    recorded: int
    typical: float
    spread: float
    spread_assumed: bool


@dataclass(frozen=True, slots=True)
class Reference:
    """Reference conditions of a group; None: neither stated nor recorded, so nothing is corrected for it.

    `temp_kind` is the kind of temperature ("tank", "return", "coolant"; "" = not said) that the reference stands
    for: a temperature of another kind is not compared with it. None: stated with a limit and recorded by no test, so
    any fuel temperature (not coolant) is taken. `duration_s` is told, never corrected for.
    """

    rail: ReferenceCondition | None = None
    temperature: ReferenceCondition | None = None
    speed: ReferenceCondition | None = None
    temp_kind: str | None = None
    duration_s: float | None = None
    tests: int = 0
    notes: tuple[str, ...] = ()

    @property
    def rail_bar(self) -> float | None:
        """Reference rail pressure in bar."""
        return self.rail.value if self.rail else None

    @property
    def fuel_temp_c(self) -> float | None:
        """Reference temperature in degC, of the kind `temp_kind`."""
        return self.temperature.value if self.temperature else None

    @property
    def speed_rpm(self) -> float | None:
        """Reference cranking speed in rpm."""
        return self.speed.value if self.speed else None

    def words(self) -> str:
        """Return the reference as one line: "280 bar (limit), return temperature 45 degC (median test)"."""
        parts = []
        for condition in (self.rail, self.speed):
            if condition is not None:
                value = localised(f"{condition.value:.4g}")
                parts.append(f"{value} {condition.unit} ({_(_ORIGINS[condition.origin])})")
        if self.temperature is not None:
            kind, value = temperature_name(self.temp_kind), localised(f"{self.temperature.value:.3g}")
            parts.append(f"{kind} {value} degC ({_(_ORIGINS[self.temperature.origin])})")
        if self.duration_s is not None:
            parts.append(localised(f"{self.duration_s:g}") + " s")
        return ", ".join(parts) if parts else _("as measured, no conditions known")


def reference_of(
    limit: Conditions | None,
    *,
    rail_bar: Given | None = None,
    fuel_temp_c: Given | None = None,
    speed_rpm: Given | None = None,
    temp_kind: GivenWords | None = None,
    duration_s: Given | None = None,
    measure: Measure | None = None,
) -> Reference:
    """Return the reference of a group from its limit's conditions (`LimitRule.conditions`) and its tests.

    Parameters
    ----------
    limit
        The conditions stated with the group's limit; the middle of a stated range is the reference. None: no limit.
    rail_bar, fuel_temp_c, speed_rpm, duration_s
        One value a test, shape (n,); NaN or None where the test did not record it. None: nobody recorded it.
        A pressure or speed that is not above zero counts as not recorded.
    temp_kind
        One word a test, shape (n,): "tank", "return", "coolant"; None or "" where the sheet did not say.
    measure
        Only the conditions that act on this measure are taken; None: all.

    Raises
    ------
    InputError
        The arrays are not of one length.
    """
    rails, temps, speeds, durations = (condition_array(a) for a in (rail_bar, fuel_temp_c, speed_rpm, duration_s))
    n = one_length(rails, temps, speeds, durations)
    kinds = kind_array(temp_kind, n)
    stated = limit or Conditions()
    notes: list[str] = []
    acting = {term.acting for term in TERMS[measure]} if measure is not None else set(_ACTING)

    rail = _ratio_condition("rail pressure", "bar", stated.rail_bar, rails, notes) if "rail" in acting else None
    speed = _ratio_condition("cranking speed", "rpm", stated.speed_rpm, speeds, notes) if "speed" in acting else None
    temperature, kind = None, None
    if "temperature" in acting:
        kind, counted = _group_kind(temps, kinds, n, stated.fuel_temp_c is not None, notes)
        temperature = _condition("fuel temperature", "degC", stated.fuel_temp_c, counted, counted, notes)
    duration = stated.duration_s
    if duration is None and durations is not None and np.isfinite(durations).any():
        duration = float(np.nanmedian(durations))
    return Reference(
        rail=rail,
        temperature=temperature,
        speed=speed,
        temp_kind=kind,
        duration_s=duration,
        tests=n,
        notes=tuple(notes),
    )


def temperature_name(kind: str | None) -> str:
    """Return a kind of temperature in words: "tank temperature", "temperature" where not said, None any fuel's."""
    if kind is None:
        return _("fuel temperature")
    return _(_TEMPERATURES[kind]) if kind in _TEMPERATURES else _("{kind} temperature", kind=kind)


def _group_kind(
    temps: Floats | None, kinds: NDArray[np.str_], n: int, for_limit: bool, notes: list[str]
) -> tuple[str | None, Floats | None]:
    """Return the group's kind of temperature and the temperatures of that kind (NaN elsewhere)."""
    if temps is None or not np.isfinite(temps).any():
        return None, None
    known = np.isfinite(temps)
    usable = known & (kinds != COOLANT) if for_limit else known
    if for_limit and (known & (kinds == COOLANT)).any():
        notes.append(_("the limit is stated for a fuel temperature: coolant temperatures count as not recorded"))
    if not usable.any():
        return None, None
    count = Counter(kinds[usable].tolist())
    most = max(count.values())
    kind = min((k for k, c in count.items() if c == most), key=lambda k: (_rank(k), k))
    others = int(known.sum()) - most
    if others:
        name = temperature_name(kind) if kind else _("temperature of no stated kind")
        notes.append(
            _(
                "the reference is a {temperature}; {others} of {n} tests recorded another kind of temperature, which "
                "counts as not recorded",
                temperature=name,
                others=others,
                n=n,
            )
        )
    return kind, np.where(known & (kinds == kind), temps, np.nan)


def _rank(kind: str) -> int:
    return _KIND_ORDER.index(kind) if kind in _KIND_ORDER else len(_KIND_ORDER)


def _ratio_condition(
    name: str, unit: str, span: tuple[float, float] | None, values: Floats | None, notes: list[str]
) -> ReferenceCondition | None:
    if values is None:
        return _condition(name, unit, span, None, None, notes)
    positive = np.where(values > 0, values, np.nan)
    return _condition(name, unit, span, positive, np.log(positive), notes)


def _condition(
    name: str,
    unit: str,
    span: tuple[float, float] | None,
    values: Floats | None,
    scaled: Floats | None,
    notes: list[str],
) -> ReferenceCondition | None:
    known = np.isfinite(values) if values is not None else np.zeros(0, dtype=np.bool_)
    recorded = int(known.sum())
    typical = float(np.median(values[known])) if values is not None and recorded else float("nan")
    if span is None and not recorded:
        notes.append(
            _(
                "{name}: neither stated with a limit nor recorded by any test, so nothing is corrected for it",
                name=_(name),
            )
        )
        return None
    origin: Origin = "median test" if span is None else "limit"
    value = typical if span is None else 0.5 * (span[0] + span[1])
    believed = scaled is not None and recorded >= FEWEST_FOR_SPREAD
    spread = float(np.std(scaled[known], ddof=1)) if believed and scaled is not None else ASSUMED_SPREAD[name]
    return ReferenceCondition(
        name=name,
        value=value,
        unit=unit,
        origin=origin,
        recorded=recorded,
        typical=typical,
        spread=spread,
        spread_assumed=not believed,
    )

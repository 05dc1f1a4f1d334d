"""What the judgement of one visit is told: readings, the conditions as tested, the vehicle, the limits.

None means "not recorded" everywhere; nothing is filled in for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import reduce

from wearlab.language import ENGLISH, _, listed, localised, msg, spoken
from wearlab.limit_settings import LimitRule
from wearlab.records import PUMP, SET, Bound, Measure

#: First word of a position that stands for one bank of cylinders: "bank 1".
BANK = "bank"

#: Words of measures and of ways of driving, told as they are spelled with spaces.
MEASURES = (msg("return flow"), msg("pump peak"), msg("pump rise"), msg("pump hold"), msg("rig check"))
DRIVES = (msg("crank"), msg("idle"), msg("raised"), msg("bench"))

#: Baselines by (measure, protocol, position).
BaselineKey = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class SetReading:
    """One number for one position of one test.

    `value` and `resolution` (the graduation) are in `unit` (ml, ml/min, bar, s, bar/s); `level` is in the level
    unit of the measure, None where a volume has no duration. For a reading beyond the scale `bound` is "at_least"
    or "at_most" and `value` the bound. `just_replaced`: the part was fitted since the last test;
    `younger_since`: the day it was fitted, new or rebuilt, when that was well after its neighbours.
    """

    position: str
    value: float
    unit: str
    level: float | None = None
    bound: str | None = None
    resolution: float | None = None
    repeat: int = 1
    quality: str = "good"
    part: str | None = None
    part_number: str | None = None
    channel: str | None = None
    just_replaced: bool = False
    younger_since: date | None = None


@dataclass(frozen=True, slots=True)
class AsTested:
    """The conditions of one test as the sheet recorded them (the condition columns of table `test`).

    Two more come from the settings: `set_point_bar`, the rail pressure of the protocol, and `limiter_bar`, the
    limiter of the rig's closed volume.
    """

    measure: str
    protocol: str
    driven: str | None = None
    duration_s: float | None = None
    rail_bar: float | None = None
    speed_rpm: float | None = None
    fuel_temp_c: float | None = None
    temp_kind: str | None = None
    injectors_connected: bool | None = None
    back_pressure_bar: float | None = None
    metering_valve: str | None = None
    volume_ml: float | None = None
    rise_to_bar: float | None = None
    battery_v: float | None = None
    supply_bar: float | None = None
    supply_note: str | None = None
    rig: str | None = None
    technician: str | None = None
    note: str | None = None
    set_point_bar: float | None = None
    limiter_bar: float | None = None

    @property
    def shares_only(self) -> bool:
        """Return flow while cranking without a rail pressure: the returns add up to what the pump
        delivers."""
        return self.measure == Measure.RETURN_FLOW and self.driven == "crank" and self.rail_bar is None


@dataclass(frozen=True, slots=True)
class MeasuredSet:
    """One test: its conditions and its readings, in any order."""

    conditions: AsTested
    readings: tuple[SetReading, ...]
    test_id: str = ""


@dataclass(frozen=True, slots=True)
class FamilyFacts:
    """What is known of the vehicle's engine; `cylinders` from the register, else from the family, `banks` its own."""

    family: str | None = None
    cylinders: int | None = None
    injector: str | None = None
    banks: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class LimitInForce:
    """A limit rule with the version under which its wording is kept."""

    rule: LimitRule
    version: int


@dataclass(frozen=True, slots=True)
class Baseline:
    """The first level of the part that now sits at a position, in the level unit, with its date."""

    level: float
    tested_on: date
    bound: str | None = None
    resolution: float | None = None
    repeats: int = 1


@dataclass(frozen=True, slots=True)
class VisitFacts:
    """One visit of one vehicle with all its tests; `last_*` belong to the visit before."""

    vehicle: str
    tested_on: date
    tests: tuple[MeasuredSet, ...]
    odometer_km: float | None = None
    engine_hours: float | None = None
    last_tested_on: date | None = None
    last_odometer_km: float | None = None
    reason: str | None = None
    complaint: str | None = None
    fault_codes: str | None = None
    baselines: Mapping[BaselineKey, Baseline] = field(default_factory=dict)


def position_name(position: str) -> str:
    """Return a position in words: "cylinder 3", "pump", "bank 1", "whole set"."""
    if position == SET:
        return _("whole set")
    if position.startswith(f"{BANK} "):
        return _("bank {number}", number=position.removeprefix(f"{BANK} "))
    return _("pump") if position == PUMP else _("cylinder {number}", number=position)


def names(positions: tuple[str, ...] | list[str]) -> str:
    """Return several cylinder positions in words: "cylinder 3", "cylinders 1, 2 and 4"."""
    if len(positions) > 1 and all(at.isdigit() for at in positions):
        return _("cylinders {numbers}", numbers=listed(positions))
    return listed([position_name(at) for at in positions])


def all_of(texts: Sequence[str]) -> str:
    """Return texts that all count, each set off from the next by an "and"."""
    return reduce(lambda first, last: _("{first} and {last}", first=first, last=last), texts) if texts else ""


def figure(value: float) -> str:
    """Return a number as a workshop writes it: three digits that count, whole numbers above 100."""
    return localised(f"{value:.0f}" if abs(value) >= 99.95 else f"{value:.3g}")


def bounded(reading: str, bound: str | None) -> str:
    """Return a reading that may lie beyond the scale: "at least 120 ml/min"."""
    if bound is None:
        return reading
    return _("at least {amount}", amount=reading) if bound == Bound.AT_LEAST else _("at most {amount}", amount=reading)


def capital(text: str) -> str:
    """Return the text with its first letter as a capital, the rest untouched."""
    return text[:1].upper() + text[1:]


def going_on(sentence: str) -> str:
    """Return a sentence as it goes on after a colon: small in English, where nouns are; as it is in other languages."""
    return sentence[:1].lower() + sentence[1:] if spoken().name == ENGLISH else sentence


def measure_name(measure: str) -> str:
    """Return a measure in words: "return flow"."""
    return _(measure.replace("_", " "))


def drive_name(conditions: AsTested) -> str:
    """Return measure and protocol in words: "return flow, warm idle"."""
    measure = measure_name(conditions.measure)
    same = conditions.protocol == conditions.measure.replace("_", " ")
    return measure if same else f"{measure}, {conditions.protocol}"

"""Which limit rules look at a whole set, for which sets they speak, and what they ask of them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from pipelines.steps.group_rows import Flags, Floats
from pipelines.steps.rules import rules_in_force
from pipelines.steps.vehicle_sets import VehicleSets
from pipelines.steps.wear_data import GroupData
from wearlab.config import Settings
from wearlab.forecast.set_figures import SetRule
from wearlab.language import _
from wearlab.limit_settings import Conditions, LimitRule
from wearlab.records import LEVEL_UNIT, SET, Measure
from wearlab.study.facts import AsTested
from wearlab.study.limit_conditions import (
    CYLINDERS,
    DURATION,
    ENGINE_SPEED,
    FAMILY,
    missing,
    outside_conditions,
    outside_span,
    stated_value,
)
from wearlab.study.limits import FALLS
from wearlab.units import to_base, unit

#: Kinds that need the set, or the part's own history, rather than one level.
SET_KINDS = frozenset(
    {
        "times lowest",
        "times median",
        "percent from mean",
        "set total most",
        "bank total most",
        "line over speed",
        "percent from first",
    }
)
#: those that compare a cylinder with the others of its set
RATIOS = frozenset({"times lowest", "times median", "percent from mean"})

#: conditions of a test that a rule may ask for, as the group's rows name them
_ASKED = ("rail_bar", "fuel_temp_c", "speed_rpm", "battery_v", "supply_bar", "duration_s", "volume_ml")


@dataclass(frozen=True, slots=True, eq=False)
class Asked:
    """One rule on M sets: what its figure is, at K positions.

    `speaks` (M, K) tells for which positions; `reason` (M,) why a set cannot be judged, else None; `limit` in `unit`.
    """

    rule: LimitRule
    version: int
    positions: tuple[str, ...]
    figure: SetRule
    limit: float
    unit: str
    speaks: Flags
    reason: tuple[str | None, ...]


def set_rules_of(settings: Settings, measure: str, protocol: str, as_of: date) -> list[LimitRule]:
    """The rules on sets in force on a day that speak for a group."""
    return [
        rule
        for rule in rules_in_force(settings, as_of)
        if rule.kind in SET_KINDS and rule.measure == measure and rule.protocol in (None, protocol)
    ]


def asked(rule: LimitRule, version: int, sets: VehicleSets, group: GroupData, settings: Settings) -> Asked | None:
    """What a rule asks of these sets; None where it speaks for none of them."""
    count, width = sets.life.shape
    if rule.family is not None and sets.family not in ("", rule.family):
        return None
    if rule.cylinders is not None and sets.counted and rule.cylinders != width:
        return None
    common = _common_reasons(rule, sets, settings)
    limit, why = _limit(rule, group, settings)
    common += why
    tests = [_as_tested(group, sets, k, settings) for k in range(count)]
    speaking = np.array([_lasts_right(rule, test) for test in tests], dtype=np.bool_)
    if not speaking.any():
        return None
    stated = _stated(rule, group, sets.family)
    reasons: list[str | None] = []
    for test in tests:
        own = common + ([] if stated else outside_conditions(rule, test))
        if rule.over_s is not None:
            own = own + stated_value(DURATION, test.duration_s, rule.over_s, "s")
        reasons.append("; ".join(dict.fromkeys(own)) or None)
    positions, figure = _figure(rule, sets, group.measure, np.full(count, limit), settings)
    speaks = np.broadcast_to(speaking[:, None], (count, len(positions))).copy()
    if len(positions) == width and figure.kind != "total":
        speaks &= sets.known
        if rule.part_number is not None:
            number = group.lives.part_number[sets.life]
            speaks &= (number == rule.part_number) | (number == "")
    times = _("times")
    told = {"times lowest": times, "times median": times, "percent from mean": "%", "percent from first": "%"}
    return Asked(
        rule=rule,
        version=version,
        positions=positions,
        figure=figure,
        limit=limit,
        unit=told.get(rule.kind, LEVEL_UNIT[Measure(group.measure)]),
        speaks=speaks,
        reason=tuple(reasons),
    )


def _figure(
    rule: LimitRule, sets: VehicleSets, measure: str, limit: Floats, settings: Settings
) -> tuple[tuple[str, ...], SetRule]:
    width = len(sets.positions)
    if rule.kind == "set total most" or (rule.kind == "line over speed" and rule.cylinders is not None):
        return (SET,), SetRule("total", limit, totals=(tuple(range(width)),))
    if rule.kind == "bank total most":
        banks = _banks(sets, settings) or (tuple(range(width)),)
        return tuple(f"bank {k + 1}" for k in range(len(banks))), SetRule("total", limit, totals=banks)
    if rule.kind == "line over speed":
        return sets.positions, SetRule("most", limit)
    return sets.positions, SetRule(rule.kind, limit, falls=Measure(measure) in FALLS)


def _banks(sets: VehicleSets, settings: Settings) -> tuple[tuple[int, ...], ...]:
    """Columns of the cylinders of each bank; nothing where the family lists none."""
    family = settings.families.get(sets.family)
    if family is None or family.cylinders != len(sets.positions):
        return ()
    return tuple(tuple(int(cylinder) - 1 for cylinder in bank) for bank in family.banks)


def _common_reasons(rule: LimitRule, sets: VehicleSets, settings: Settings) -> list[str]:
    reasons = []
    if rule.family is not None and not sets.family:
        reasons.append(missing(FAMILY))
    if rule.cylinders is not None and not sets.counted:
        reasons.append(missing(CYLINDERS))
    if rule.kind == "bank total most" and not _banks(sets, settings):
        reasons.append(_("no banks are listed for the family"))
    if rule.kind in RATIOS and len(sets.positions) < (3 if rule.kind == "times median" else 2):
        reasons.append(_("the rule compares cylinders, and the set has too few"))
    return reasons


def _limit(rule: LimitRule, group: GroupData, settings: Settings) -> tuple[float, list[str]]:
    """The limit in the unit of its figure; a line over speed at the group's speed."""
    value = rule.value
    if rule.kind == "line over speed":
        protocol = settings.protocols.get(group.protocol)
        usual = usual_speed(group)
        speed = protocol.speed_rpm if protocol is not None and protocol.speed_rpm is not None else usual
        if speed is None:
            return 1.0, [missing(ENGINE_SPEED)]
        low, high = rule.speeds[0][0], rule.speeds[-1][0]
        if not low <= speed <= high:
            return 1.0, [outside_span(ENGINE_SPEED, speed, "rpm", (low, high))]
        value = float(np.interp(speed, [pair[0] for pair in rule.speeds], [pair[1] for pair in rule.speeds]))
    if value is None:
        return 1.0, [_("the rule states no value")]
    if rule.unit is None:
        return value, []
    if rule.over_s is None:
        return to_base(value, rule.unit, unit(LEVEL_UNIT[Measure(group.measure)]).quantity), []
    return to_base(value, rule.unit, "volume") * 60.0 / rule.over_s, []


def usual_speed(group: GroupData) -> float | None:
    """The median engine speed of a group's tests; None where none was recorded."""
    if group.usual_speed is not None:
        return group.usual_speed
    tests = group.rows.conditions["speed_rpm"][group.rows.test_first]
    known = tests[np.isfinite(tests)]
    return float(np.median(known)) if known.size else None


def _as_tested(group: GroupData, sets: VehicleSets, k: int, settings: Settings) -> AsTested:
    """The conditions of a set's latest test; what the sheet left open as its protocol says."""
    places = sets.newest[k][sets.known[k]]
    place = int(places[np.argmax(group.rows.day[places])])
    told: dict[str, Any] = {name: float(group.rows.conditions[name][place]) for name in _ASKED}
    protocol = settings.protocols.get(group.protocol)
    for name, value in told.items():
        if np.isnan(value):
            told[name] = getattr(protocol, name, None)
    return AsTested(measure=group.measure, protocol=group.protocol, **told)


def _lasts_right(rule: LimitRule, test: AsTested) -> bool:
    """Whether a limit stated over a time may speak for a test: one that names no protocol looks at its own duration."""
    if rule.over_s is None or rule.protocol is not None:
        return True
    return not stated_value(DURATION, test.duration_s, rule.over_s, "s")


def _stated(rule: LimitRule, group: GroupData, family: str) -> bool:
    """Whether the levels of a family are told under the very conditions that the rule states, or it states none."""
    nothing = Conditions()
    if rule.conditions == nothing:
        return True
    own = [one for one in group.rules if one.family in (None, family) and one.conditions != nothing]
    own.sort(key=lambda one: one.family is None)
    return bool(own) and own[0].conditions == rule.conditions

"""Whether a limit rule speaks for a test, and whether the test met the rule's own conditions."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from wearlab.config import LimitRule
from wearlab.study.facts import AsTested, FamilyFacts, LimitInForce, figure

#: A duration or closed volume counts as the stated one within this fraction (common practice, no source).
SAME_WITHIN = 0.10


def in_force(limits: Sequence[LimitInForce], on: date) -> list[LimitInForce]:
    """Return the rules valid on a date: of those that share a name, the one that began last."""
    latest: dict[str, LimitInForce] = {}
    for limit in sorted(limits, key=lambda limit: limit.rule.valid_from or date.min):
        if limit.rule.valid_from is None or limit.rule.valid_from <= on:
            latest[limit.rule.name] = limit
    return [limit for limit in limits if latest.get(limit.rule.name) is limit]


def speaks_for(rule: LimitRule, conditions: AsTested, family: FamilyFacts) -> bool:
    """Whether measure, protocol, family and number of cylinders of the rule allow this test.

    A rule for a family or a number of cylinders still speaks when the vehicle's own is unknown; it then
    cannot be judged, and says so (`missing_facts`).
    """
    return (
        rule.measure == conditions.measure
        and (rule.protocol is None or rule.protocol == conditions.protocol)
        and (rule.family is None or family.family is None or rule.family == family.family)
        and (rule.cylinders is None or family.cylinders is None or rule.cylinders == family.cylinders)
    )


def missing_facts(rule: LimitRule, family: FamilyFacts) -> list[str]:
    """Return what must be known of the vehicle before the rule can be judged, as reasons."""
    reasons = []
    if rule.family is not None and family.family is None:
        reasons.append("family of the vehicle not recorded")
    if rule.cylinders is not None and family.cylinders is None:
        reasons.append("number of cylinders not recorded")
    if rule.kind == "bank total most":
        if not family.banks:
            reasons.append("no banks are listed for the family")
        elif family.cylinders != sum(map(len, family.banks)):
            reasons.append("the banks of the family do not hold this engine's number of cylinders")
    return reasons


def outside_conditions(rule: LimitRule, conditions: AsTested) -> list[str]:
    """Return every condition of the rule that the test left open or missed, one reason each."""
    asked = rule.conditions
    spans = (
        ("rail pressure", conditions.rail_bar, asked.rail_bar, "bar"),
        ("fuel temperature", conditions.fuel_temp_c, asked.fuel_temp_c, "degC"),
        ("engine speed", conditions.speed_rpm, asked.speed_rpm, "rpm"),
        ("battery voltage", conditions.battery_v, asked.battery_v, "V"),
        ("supply pressure", conditions.supply_bar, asked.supply_bar, "bar"),
    )
    reasons = []
    for name, value, span, unit in spans:
        if span is None:
            continue
        if value is None:
            reasons.append(f"{name} not recorded")
        elif not span[0] <= value <= span[1]:
            reasons.append(f"{name} {value:g} {unit} outside {span[0]:g} to {span[1]:g}")
    stated = (
        ("duration", conditions.duration_s, asked.duration_s, "s"),
        ("closed volume", conditions.volume_ml, asked.volume_ml, "ml"),
    )
    for name, value, wanted, unit in stated:
        if wanted is not None:
            reasons += stated_value(name, value, wanted, unit)
    return reasons


def stated_value(name: str, value: float | None, wanted: float, unit: str) -> list[str]:
    """Return a reason if `value` is not the one the limit was stated for (within `SAME_WITHIN`)."""
    if value is None:
        return [f"{name} not recorded"]
    if abs(value - wanted) > SAME_WITHIN * wanted * (1.0 + 1e-9):
        return [f"{name} {figure(value)} {unit}, the limit is stated for {figure(wanted)} {unit}"]
    return []

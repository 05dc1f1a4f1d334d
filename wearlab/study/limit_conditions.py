"""Whether a limit rule speaks for a test, and whether the test met the rule's own conditions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from wearlab.language import _, localised, msg
from wearlab.limit_settings import LimitRule
from wearlab.study.facts import AsTested, FamilyFacts, LimitInForce, figure

#: A duration or closed volume counts as the stated one within this fraction (common practice, no source).
SAME_WITHIN = 0.10

#: Conditions of a test, told with `_`.
RAIL_PRESSURE, FUEL_TEMPERATURE, ENGINE_SPEED = msg("rail pressure"), msg("fuel temperature"), msg("engine speed")
BATTERY, SUPPLY, DURATION = msg("battery voltage"), msg("supply pressure"), msg("duration")
CLOSED_VOLUME, FAMILY, CYLINDERS = msg("closed volume"), msg("family of the vehicle"), msg("number of cylinders")


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
        reasons.append(missing(FAMILY))
    if rule.cylinders is not None and family.cylinders is None:
        reasons.append(missing(CYLINDERS))
    if rule.kind == "bank total most":
        if not family.banks:
            reasons.append(_("no banks are listed for the family"))
        elif family.cylinders != sum(map(len, family.banks)):
            reasons.append(_("the banks of the family do not hold this engine's number of cylinders"))
    return reasons


def missing(name: str) -> str:
    """Return that a condition or fact, one of those above, is not recorded."""
    return _("{name} not recorded", name=_(name))


def outside_span(name: str, value: float, unit: str, span: tuple[float, float]) -> str:
    """Return that a condition, one of those above, lies outside a span."""
    shown, low, high = (localised(f"{one:g}") for one in (value, *span))
    return _("{name} {value} {unit} outside {low} to {high}", name=_(name), value=shown, unit=unit, low=low, high=high)


def misses(rule: LimitRule, conditions: AsTested) -> bool:
    """Whether a condition that the test recorded is not as the rule asks; what it left open does not count."""
    return any(recorded for recorded, reason in _not_met(rule, conditions))


def outside_conditions(rule: LimitRule, conditions: AsTested) -> list[str]:
    """Return every condition of the rule that the test left open or missed, one reason each."""
    return [reason for recorded, reason in _not_met(rule, conditions)]


def _not_met(rule: LimitRule, conditions: AsTested) -> Iterator[tuple[bool, str]]:
    """Whether the test recorded the condition, and the reason."""
    asked = rule.conditions
    spans = (
        (RAIL_PRESSURE, conditions.rail_bar, asked.rail_bar, "bar"),
        (FUEL_TEMPERATURE, conditions.fuel_temp_c, asked.fuel_temp_c, "degC"),
        (ENGINE_SPEED, conditions.speed_rpm, asked.speed_rpm, "rpm"),
        (BATTERY, conditions.battery_v, asked.battery_v, "V"),
        (SUPPLY, conditions.supply_bar, asked.supply_bar, "bar"),
    )
    for name, value, span, unit in spans:
        if span is None:
            continue
        if value is None:
            yield False, missing(name)
        elif not span[0] <= value <= span[1]:
            yield True, outside_span(name, value, unit, span)
    stated = (
        (DURATION, conditions.duration_s, asked.duration_s, "s"),
        (CLOSED_VOLUME, conditions.volume_ml, asked.volume_ml, "ml"),
    )
    for name, value, wanted, unit in stated:
        if wanted is not None:
            for reason in stated_value(name, value, wanted, unit):
                yield value is not None, reason


def stated_value(name: str, value: float | None, wanted: float, unit: str) -> list[str]:
    """Return a reason if `value` is not the one the limit was stated for (within `SAME_WITHIN`)."""
    if value is None:
        return [missing(name)]
    if abs(value - wanted) > SAME_WITHIN * wanted * (1.0 + 1e-9):
        return [
            _(
                "{name} {value} {unit}, the limit is stated for {wanted} {unit}",
                name=_(name),
                value=figure(value),
                wanted=figure(wanted),
                unit=unit,
            )
        ]
    return []

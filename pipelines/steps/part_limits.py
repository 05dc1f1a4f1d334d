"""Which limits a part's own level can cross, in the level unit of its measure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from pipelines.steps.rules import rules_in_force
from pipelines.steps.series import LifeSeries
from wearlab.config import Settings
from wearlab.limit_settings import LimitRule
from wearlab.records import LEVEL_UNIT, Measure
from wearlab.study.limit_conditions import stated_value
from wearlab.units import to_base, unit
from wearlab.wear.line import Direction


@dataclass(frozen=True, slots=True)
class PartLimit:
    """A limit of one part; all None where no rule speaks for it."""

    rule: LimitRule | None
    version: int | None
    level: float | None
    direction: Direction


NONE = PartLimit(None, None, None, "above")


def part_limits(
    settings: Settings,
    versions: Mapping[tuple[str, date | None], int],
    series: LifeSeries,
    family: str | None,
    as_of: date,
) -> list[PartLimit]:
    """The rules "most" and "least" that speak for a series, each with its limit; `NONE` when there is none.

    Rules on a whole set (ratios, totals) and lines over speed judge single tests; they are not crossed by one
    part's level and are left to the judgement of a test.
    """
    found = []
    for rule in rules_in_force(settings, as_of):
        if rule.kind not in ("most", "least") or rule.measure != series.measure:
            continue
        if rule.protocol not in (None, series.protocol) or rule.family not in (None, family):
            continue
        level = _level(rule, series)
        if level is not None:
            found.append(PartLimit(rule, versions[rule.name, rule.valid_from], level, rule.direction))
    return found or [NONE]


def limit_level(rule: LimitRule, measure: str) -> float | None:
    """A rule's limit in the level unit of its measure; None for a rule on more than one part's own level."""
    if rule.value is None or rule.unit is None:
        return None
    if rule.over_s is None:
        return to_base(rule.value, rule.unit, unit(LEVEL_UNIT[Measure(measure)]).quantity)
    return to_base(rule.value, rule.unit, "volume") * 60.0 / rule.over_s


def _level(rule: LimitRule, series: LifeSeries) -> float | None:
    """The limit of a series; a volume only where the tests ran for the limit's own duration."""
    if rule.over_s is not None:
        duration = series.points[-1].conditions.duration_s
        if stated_value("duration", duration, rule.over_s, "s"):
            return None
    return limit_level(rule, series.measure)

"""Which rules speak for the lives of one group, each with its limit in the level unit of the measure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipelines.steps.group_rows import Flags
from pipelines.steps.part_limits import limit_level
from pipelines.steps.wear_data import GroupData
from wearlab.config import Settings
from wearlab.limit_settings import LimitRule
from wearlab.study.limit_conditions import SAME_WITHIN


class LifeLimit(NamedTuple):
    """A rule on the level of one part, its limit, and the lives (P,) that it speaks for."""

    rule: LimitRule
    level: float
    speaks: Flags


def life_limits(group: GroupData, settings: Settings) -> Iterator[LifeLimit]:
    """Yield the group's rules that one part's level can cross, in their order."""
    lives = group.lives
    duration = group.rows.conditions["duration_s"][lives.last]
    cylinders = {name: entry.cylinders for name, entry in settings.families.items()}
    for rule in group.rules:
        level = limit_level(rule, group.measure)
        if level is None:
            continue
        speaks: NDArray[np.bool_] = np.ones(len(lives), dtype=np.bool_)
        if rule.family is not None:
            speaks &= group.family == rule.family
        if rule.part_number is not None:
            speaks &= (lives.part_number == rule.part_number) | (lives.part_number == "")
        if rule.cylinders is not None:
            own = [cylinders.get(str(name)) in (None, rule.cylinders) for name in group.family]
            speaks &= np.array(own, dtype=np.bool_)
        if rule.over_s is not None:
            speaks &= np.abs(duration - rule.over_s) <= SAME_WITHIN * rule.over_s * (1.0 + 1e-9)
        yield LifeLimit(rule, level, speaks)

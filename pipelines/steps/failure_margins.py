"""How far the levels of a life lay past the limits that speak for it, over the distance that it went."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from math import isfinite
from typing import NamedTuple

from pipelines.steps.part_limits import limit_level
from pipelines.steps.rules import rules_in_force
from wearlab.config import Settings
from wearlab.limit_settings import LimitRule
from wearlab.plan.road_failures import PER_KM
from wearlab.records import Bound
from wearlab.store.database import Database
from wearlab.study.limit_conditions import stated_value

#: a part and one of its lives
LifeKey = tuple[str, int]


class Split(NamedTuple):
    """Kilometres short of the limit, and past it."""

    below: float
    beyond: float


class Margin(NamedTuple):
    """How far a level lies past one limit, over the distance `km` of the life; 0 or more is past it.

    `slope` is what it gains a kilometre before the first and after the last of its points.
    """

    km: tuple[float, ...]
    past: tuple[float, ...]
    slope: float

    def at(self, km: float) -> float:
        """Return it at a distance."""
        if km <= self.km[0]:
            return self.past[0] + self.slope * (km - self.km[0])
        if km >= self.km[-1]:
            return self.past[-1] + self.slope * (km - self.km[-1])
        right = bisect_right(self.km, km)
        share = (km - self.km[right - 1]) / (self.km[right] - self.km[right - 1])
        return self.past[right - 1] + share * (self.past[right] - self.past[right - 1])

    def cuts(self, start: float, end: float) -> list[float]:
        """Return its points between two distances, and where it crosses the limit there."""
        inner = [start, *(km for km in self.km if start < km < end), end]
        values = [self.at(km) for km in inner]
        crossed = [
            a + (b - a) * left / (left - right)
            for (a, b), (left, right) in zip(pairwise(inner), pairwise(values), strict=True)
            if (left < 0) != (right < 0)
        ]
        return inner + crossed


def split(margins: Sequence[Margin], start: float, end: float) -> Split:
    """Return how much of a stretch lies short of all limits, and past any of them; (0, 0) without a limit."""
    if not margins or not end > start:
        return Split(0.0, 0.0)
    cuts = sorted({cut for one in margins for cut in one.cuts(start, end)})
    beyond = sum(b - a for a, b in pairwise(cuts) if any(m.at((a + b) / 2) >= 0 for m in margins))
    return Split(end - start - beyond, beyond)


class Level(NamedTuple):
    """A level on the day of a test; `bound` where it is only known to be at least or at most that."""

    day: date
    level: float
    bound: str | None = None


@dataclass(frozen=True, slots=True)
class Series:
    """The levels of one life in one measure and protocol, in the order of days; `rate` a 10,000 km, 0 if unknown."""

    measure: str
    protocol: str
    levels: tuple[Level, ...]
    rate: float
    duration_s: float | None


def own_rules(settings: Settings, as_of: date) -> list[LimitRule]:
    """Return the rules in force on a day that one part's own level can cross."""
    return [rule for rule in rules_in_force(settings, as_of) if rule.kind in ("most", "least")]


def level_series(db: Database, run: int, as_of: date, rules: Sequence[LimitRule]) -> Mapping[LifeKey, list[Series]]:
    """Return the levels of every life that one of the rules looks at.

    They are those that the run smoothed; a life that the run's model left out has the means of its tests, which hold
    until the next one.
    """
    measures = sorted({str(rule.measure) for rule in rules})
    rates = {
        tuple(key): float(rate)
        for *key, rate in db.rows(
            "SELECT part, life, measure, protocol, rate FROM part_state WHERE run_id = ? AND rate IS NOT NULL", [run]
        )
        if isfinite(rate)
    }
    durations = {
        tuple(key): duration
        for *key, duration in db.rows(
            """
            SELECT c.part, c.life, c.measure, c.protocol, arg_max(t.duration_s, c.tested_on)
            FROM comparable c JOIN test t USING (test_id)
            WHERE c.tested_on <= ? AND list_contains(?, c.measure) GROUP BY ALL
            """,
            [as_of, sorted({str(rule.measure) for rule in rules if rule.over_s is not None})],
        )
    }
    levels: dict[tuple[str, int, str, str], list[Level]] = defaultdict(list)
    for part, life, measure, protocol, *found in db.rows(_LEVELS, [run, run, as_of, measures, measures]):
        levels[part, life, measure, protocol].append(Level(*found))
    lives: dict[LifeKey, list[Series]] = defaultdict(list)
    for key, told in levels.items():
        part, life, measure, protocol = key
        lives[part, life].append(Series(measure, protocol, tuple(told), rates.get(key, 0.0), durations.get(key)))
    return lives


#: the smoothed levels of a run, and the means of the tests of lives that it has none of
_LEVELS = """
WITH smooth AS (
    SELECT part, life, measure, protocol, tested_on, level FROM part_path WHERE run_id = ? AND level IS NOT NULL
), alone AS (
    SELECT c.part, c.life, c.measure, c.protocol, c.tested_on, avg(c.level) AS level, max(c.bound) AS bound
    FROM comparable c
    LEFT JOIN (SELECT DISTINCT part, life, measure, protocol FROM part_path WHERE run_id = ? AND level IS NOT NULL) s
        ON s.part = c.part AND s.life = c.life AND s.measure = c.measure AND s.protocol = c.protocol
    WHERE s.part IS NULL AND c.tested_on <= ? AND list_contains(?, c.measure)
    GROUP BY ALL
)
SELECT part, life, measure, protocol, tested_on, level, NULL AS bound FROM smooth WHERE list_contains(?, measure)
UNION ALL SELECT * FROM alone ORDER BY part, life, measure, protocol, tested_on
"""


def margins(
    series: Series,
    km_on: Callable[[date], float],
    rules: Sequence[LimitRule],
    *,
    family: str | None,
    cylinders: int | None,
    part_number: str | None,
) -> Iterator[Margin]:
    """Yield the margin past every rule that speaks for a series; `km_on` tells the distance of the life on a day."""
    for rule in rules:
        if rule.measure != series.measure or rule.protocol not in (None, series.protocol):
            continue
        if rule.family not in (None, family) or (rule.part_number and part_number not in (None, rule.part_number)):
            continue
        if rule.cylinders is not None and cylinders not in (None, rule.cylinders):
            continue
        if rule.over_s is not None and stated_value("duration", series.duration_s, rule.over_s, "s"):
            continue
        limit = limit_level(rule, series.measure)
        if limit is None:
            continue
        sign = 1.0 if rule.direction == "above" else -1.0
        # two tests without a kilometre between them: the later one holds
        points: dict[float, float] = {}
        for one in series.levels:
            km = km_on(one.day)
            if isfinite(km) and _tells(one, limit):
                points[km] = sign * (one.level - limit)
        if points:
            yield Margin(tuple(points), tuple(points.values()), sign * series.rate / PER_KM)


def _tells(one: Level, limit: float) -> bool:
    """Whether a level says on which side of a limit it lies."""
    if one.bound == Bound.AT_LEAST:
        return one.level >= limit
    return one.bound != Bound.AT_MOST or one.level <= limit

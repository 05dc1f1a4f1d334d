"""Why parts were taken out, as far as work and tests tell it: one word a removal.

Work rarely says why. What its row states comes first, then what the part's last test read, what the driver complained
of, and whether others were replaced with it; a reason that nobody wrote down and no test shows stays unknown.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from enum import StrEnum
from typing import Any, NamedTuple

from pipelines.steps.part_limits import limit_level
from pipelines.steps.rules import rules_in_force
from wearlab.config import Settings
from wearlab.language import msg
from wearlab.limit_settings import LimitRule
from wearlab.records import PUMP, SET, WorkKind
from wearlab.store.database import Database
from wearlab.study.limit_conditions import stated_value

#: a test speaks for a removal that follows within so many days: two usual intervals (common practice, no source)
TEST_DAYS = 365
#: a complaint or a road failure leads to work within so many days (common practice, no source)
COMPLAINT_DAYS = 90


class Why(StrEnum):
    """Reasons of removal, in the words that are shown."""

    ROAD = msg("road failure")
    WARRANTY = msg("warranty or return")
    LIMIT = msg("past its limit at its last test")
    COMPLAINT = msg("complaint")
    WITH_OTHERS = msg("replaced with others")
    PLANNED = msg("planned")
    ENGINE = msg("engine swapped")
    UNRECORDED = msg("change that no work records")
    UNKNOWN = msg("no reason recorded")


#: reasons that say nothing against the part: it had lived at least that long
SPARED = frozenset({Why.WITH_OTHERS, Why.PLANNED, Why.ENGINE})


class Removal(NamedTuple):
    """A part and life that was taken out of a place of a vehicle on a day."""

    part: str
    life: int
    vehicle: str
    position: str
    day: date


class _Tested(NamedTuple):
    """What a life read on one day in one group; `past` tells whether that was past a limit of the part's own level."""

    day: date
    past: bool


def removal_reasons(
    db: Database, settings: Settings, removals: Sequence[Removal], families: Mapping[str, str], as_of: date
) -> dict[tuple[str, int], Why]:
    """Return the reason of every removal, by part and life; `families` holds the family of each vehicle."""
    works: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in db.records(
        "SELECT DISTINCT vehicle, done_on, kind, position, lower(trim(reason)) AS reason, trim(complaint) AS complaint "
        "FROM work WHERE vehicle IS NOT NULL AND done_on <= ? ORDER BY ALL",
        [as_of],
    ):
        works[row["vehicle"]].append(row)
    complaints: dict[str, list[date]] = defaultdict(list)
    for vehicle, day in db.rows(
        "SELECT DISTINCT vehicle, tested_on FROM test WHERE tested_on <= ? "
        "AND (lower(trim(reason)) = 'complaint' OR coalesce(trim(complaint), '') <> '')",
        [as_of],
    ):
        complaints[vehicle].append(day)
    tested = _tested(db, settings, removals, families, as_of)
    return {
        (one.part, one.life): _why(one, works[one.vehicle], complaints[one.vehicle], tested[one.part, one.life])
        for one in removals
    }


def _why(one: Removal, works: Sequence[dict[str, Any]], complaints: Sequence[date], tested: Sequence[_Tested]) -> Why:
    that_day = [row for row in works if row["done_on"] == one.day]
    if any(row["kind"] == WorkKind.ENGINE_SWAP for row in that_day):
        return Why.ENGINE
    done = [row for row in that_day if row["kind"] in (WorkKind.REPLACEMENT, WorkKind.REBUILD)]
    own = [row for row in done if _means(row["position"], one.position)]
    if not own:
        return Why.UNRECORDED
    since = one.day - timedelta(days=COMPLAINT_DAYS)
    for row in works:
        failed = row["kind"] == WorkKind.ROAD_FAILURE and since <= row["done_on"] <= one.day
        if failed and (row["position"] is None or _means(row["position"], one.position)):
            return Why.ROAD
    stated = {row["reason"] for row in own if row["reason"]}
    if stated & {"warranty", "return"}:
        return Why.WARRANTY
    last = max((test.day for test in tested if test.day <= one.day), default=None)
    if last is not None and (one.day - last).days <= TEST_DAYS and any(t.past for t in tested if t.day == last):
        return Why.LIMIT
    told = "complaint" in stated or any(row["complaint"] for row in own)
    if told or any(since <= day <= one.day for day in complaints):
        return Why.COMPLAINT
    others = {row["position"] for row in done if row["position"] not in (None, PUMP, one.position)}
    if one.position != PUMP and (others or any(row["position"] == SET for row in own)):
        return Why.WITH_OTHERS
    return Why.PLANNED if "planned" in stated else Why.UNKNOWN


def _means(position: str | None, place: str) -> bool:
    """Whether the position of a row of work covers a place."""
    return position == place or (position == SET and place != PUMP)


def _tested(
    db: Database, settings: Settings, removals: Sequence[Removal], families: Mapping[str, str], as_of: date
) -> dict[tuple[str, int], list[_Tested]]:
    """What every removed life read, by day."""
    wanted = {(one.part, one.life) for one in removals}
    found: dict[tuple[str, int], list[_Tested]] = defaultdict(list)
    rows = db.records(
        """
        SELECT c.part, c.life, c.vehicle, c.measure, c.protocol, c.tested_on, avg(c.level) AS level,
               min(c.bound) AS bound, any_value(t.duration_s) AS duration_s, any_value(f.part_number) AS part_number
        FROM comparable c JOIN test t USING (test_id)
        LEFT JOIN (SELECT part, life, max(part_number) AS part_number FROM fitment GROUP BY ALL) f
            ON f.part = c.part AND f.life = c.life
        WHERE c.tested_on <= ? AND list_contains(?, c.part)
        GROUP BY c.part, c.life, c.vehicle, c.measure, c.protocol, c.tested_on ORDER BY ALL
        """,
        [as_of, sorted({one.part for one in removals})],
    )
    for row in rows:
        key = (row["part"], row["life"])
        if key in wanted:
            rules = rules_in_force(settings, row["tested_on"])
            past = any(_past(rule, row, families.get(row["vehicle"])) for rule in rules)
            found[key].append(_Tested(row["tested_on"], past))
    return found


def _past(rule: LimitRule, row: dict[str, Any], family: str | None) -> bool:
    """Whether a mean of readings lies past a rule on one part's own level."""
    if rule.kind not in ("most", "least") or rule.measure != row["measure"]:
        return False
    if rule.protocol not in (None, row["protocol"]) or rule.family not in (None, family):
        return False
    if rule.part_number is not None and row["part_number"] not in (None, rule.part_number):
        return False
    if rule.over_s is not None and stated_value("duration", row["duration_s"], rule.over_s, "s"):
        return False
    limit = limit_level(rule, rule.measure)
    if limit is None:
        return False
    return bool(row["level"] > limit) if rule.direction == "above" else bool(row["level"] < limit)

"""Earlier forecasts of demand, as they were issued, beside the parts that were used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from pipelines.steps.learn import forecasts_of
from pipelines.steps.part_seats import Kind, seated_on
from wearlab.config import Settings
from wearlab.plan.demand import chances_by, demand, month_ends
from wearlab.store.database import Database

#: a forecast issued so many days before a month speaks for it
_ISSUED_DAYS = 31


@dataclass(frozen=True, slots=True)
class AskedUsed:
    """One part number in one month: what was forecast before the month began, and what was put in.

    `issued_on` is the day of that forecast, None where there was none (`mean`, `p90` likewise); `p90` is not exceeded
    with 9 chances in 10.
    """

    name: str
    number: str | None
    month_end: date
    issued_on: date | None
    mean: float | None
    p90: int | None
    used: int


def asked_and_used(
    db: Database,
    settings: Settings,
    as_of: date,
    months: int,
    register: Sequence[dict[str, Any]],
    used: Sequence[tuple[date, Kind]],
) -> tuple[AskedUsed, ...]:
    """The last whole months up to a day, oldest first; of a month without a forecast only what was used has rows."""
    found: list[AskedUsed] = []
    for first, last in months_before(as_of, months):
        put_in: dict[Kind, int] = {}
        for day, kind in used:
            if first <= day <= last:
                put_in[kind] = put_in.get(kind, 0) + 1
        issued_on, foretold = _foretold(db, settings, first, last, register)
        for kind in sorted({*put_in, *foretold}, key=lambda kind: kind.words):
            mean, p90 = foretold.get(kind, (0.0, 0) if issued_on is not None else (None, None))
            found.append(AskedUsed(kind.words, kind.number, last, issued_on, mean, p90, put_in.get(kind, 0)))
    return tuple(found)


def months_before(as_of: date, months: int) -> list[tuple[date, date]]:
    """The first and last day of the whole months that end by a day, oldest first."""
    end = as_of if (as_of + timedelta(days=1)).day == 1 else as_of.replace(day=1) - timedelta(days=1)
    found: list[tuple[date, date]] = []
    for _ in range(months):
        found.append((end.replace(day=1), end))
        end = end.replace(day=1) - timedelta(days=1)
    return found[::-1]


def _foretold(
    db: Database, settings: Settings, first: date, last: date, register: Sequence[dict[str, Any]]
) -> tuple[date | None, dict[Kind, tuple[float | None, int | None]]]:
    """The newest forecast issued by the first day of a month, for that month, as it would have been told that day."""
    runs = db.rows(
        "SELECT run_id, as_of FROM run WHERE step = 'learn' AND as_of BETWEEN ? AND ? "
        "ORDER BY as_of DESC, run_id DESC LIMIT 1",
        [first - timedelta(days=_ISSUED_DAYS), first],
    )
    if not runs:
        return None, {}
    run, issued_on = runs[0]
    ends = month_ends(issued_on, 3)
    at = ends.index(last)
    seats: dict[Kind, list[Any]] = {}
    for one in seated_on(db, settings, issued_on, register, forecasts_of(db, run)):
        seats.setdefault(one.kind, []).append(one.seat)
    told: dict[Kind, tuple[float | None, int | None]] = {}
    for kind, own in seats.items():
        law = demand(chances_by(own, ends)).spans[at]
        told[kind] = (law.mean, law.quantile(0.9))
    return issued_on, told

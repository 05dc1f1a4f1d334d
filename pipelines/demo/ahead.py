"""The office's sheets on what lies ahead: planned visits of half a year, and the parts on the shelf and on order."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from pipelines.demo import scenario as sc
from pipelines.demo.columns import STOCK, VISITS
from pipelines.demo.fleet import Fleet
from pipelines.demo.sheet_text import csv_bytes

#: days of the present that are planned
_AHEAD = 182
#: a vehicle comes about so many days after its last visit
_EVERY = 182
_LATE = 21


def planned_visits_bytes(fleet: Fleet) -> bytes:
    """Visits planned for the half year after the as-of day, ordered by day; what is overdue comes in the first month.

    The days are drawn on a stream of their own and know nothing of any reading.
    """
    found: list[tuple[date, int, list[str]]] = []
    for v in fleet.vehicles:
        rng = np.random.default_rng([fleet.seed, 12, v.index])
        due = v.visits[-1] + timedelta(days=_EVERY + int(rng.integers(-_LATE, _LATE + 1)))
        soonest = sc.AS_OF + timedelta(days=int(rng.integers(3, 31)))
        nth = 0
        while nth < 2:
            day = _weekday(max(due, soonest))
            if day > sc.AS_OF + timedelta(days=_AHEAD):
                break
            found.append((day, v.index, [v.key, day.isoformat(), "service and test", v.depot]))
            due = day + timedelta(days=_EVERY + int(rng.integers(-_LATE, _LATE + 1)))
            nth += 1
    return csv_bytes([VISITS.headers, *(cells for *_, cells in sorted(found))], ",", "utf-8", "\n")


def stock_bytes() -> bytes:
    """The shelf as it was counted on the day before the as-of day, and what is on order."""
    counted = (sc.AS_OF - timedelta(days=1)).isoformat()
    rows = [
        [
            number,
            str(shelf),
            str(ordered) if ordered else "",
            (sc.AS_OF + timedelta(days=due)).isoformat() if ordered else "",
            counted,
            remark,
        ]
        for number, shelf, ordered, due, remark in sc.SHELF
    ]
    return csv_bytes([STOCK.headers, *rows], ",", "utf-8", "\n")


def _weekday(day: date) -> date:
    """The day itself, or the Monday after a weekend; between Christmas and New Year nobody comes."""
    if (day.month, day.day) >= (12, 24) or (day.month, day.day) <= (1, 2):
        day += timedelta(days=12)
    return day + timedelta(days=(7 - day.weekday()) % 7 if day.weekday() > 4 else 0)

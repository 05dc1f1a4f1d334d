"""Forecasts as they were issued, beside what the tests since then read.

A run's forecasts are never changed. Each is met with the first test of the same part and life after its day: did the
reading lie inside the interval told for the next one, and did it pass the limit that was told a date? The interval
was told for the day of the run; it is carried on to the day of the test by the rate that was told with it, and widened
by that rate's own interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import hypot
from typing import Any

from wearlab.records import LEVEL_UNIT
from wearlab.store.database import Database

#: distance that rates are told over
RATE_KM = 10_000.0


@dataclass(frozen=True, slots=True)
class IssuedScore:
    """One run and group: `forecasts` issued, and of their parts' first tests since, what they read.

    `inside` of `met` readings lay within the 90 % interval of the next reading. Of `told`
    parts short of their limit `expected` were forecast to read past it (None where the run did not tell) and `past`
    did; `early` passed before their 90 % interval of dates began, `late` had not passed when it was over, `open` are
    not decided. `not_tested` parts had no test since.
    """

    run_id: int
    as_of: date
    measure: str
    protocol: str
    forecasts: int
    met: int
    inside: int
    told: int
    expected: float | None
    past: int
    early: int
    late: int
    open: int
    not_tested: int


def issued_scores(db: Database, as_of: date) -> list[IssuedScore]:
    """Meet the forecasts of every earlier day, of its last run each, with the tests up to a day; newest first."""
    units = [f"{measure}|{unit}" for measure, unit in LEVEL_UNIT.items()]
    rows = db.records(_MEETINGS, [as_of, units, as_of])
    found: dict[tuple[int, str, str], list[dict[str, Any]]] = {}
    for row in rows:
        found.setdefault((row["run_id"], row["measure"], row["protocol"]), []).append(row)
    return [_score(several) for several in found.values()]


def _score(rows: list[dict[str, Any]]) -> IssuedScore:
    met = [row for row in rows if row["read"] is not None]
    ranged = [(row["read"], *ends) for row in met if (ends := _interval(row)) is not None]
    limited = [row for row in met if row["limit"] is not None and row["known_past"] is False]
    past = [row for row in limited if row["is_past"]]
    chances = [row["next_reading_past"] for row in limited]
    short = [row for row in limited if not row["is_past"]]
    first = rows[0]
    late = [row for row in short if row["date_end"] is not None and row["date_end"] < row["tested_on"]]
    return IssuedScore(
        run_id=int(first["run_id"]),
        as_of=first["as_of"],
        measure=first["measure"],
        protocol=first["protocol"],
        forecasts=len(rows),
        met=len(ranged),
        inside=sum(low <= read <= high for read, low, high in ranged),
        told=len(limited),
        expected=None if not chances or None in chances else float(sum(chances)),
        past=len(past),
        early=sum(row["date_begin"] is None or row["date_begin"] > row["tested_on"] for row in past),
        late=len(late),
        open=len(short) - len(late),
        not_tested=sum(row["tested_on"] is None for row in rows),
    )


def _interval(row: dict[str, Any]) -> tuple[float, float] | None:
    """Return the interval of the next reading, carried from the day of the run to that of the test."""
    figures = [row[name] for name in ("next_low", "next_high", "rate", "rate_low", "rate_high", "last_km", "test_km")]
    if None in figures or row["tested_on"] == row["last_on"]:
        return None
    low, high, rate, slow, fast, last_km, test_km = map(float, figures)
    # between two tests a vehicle is taken to have driven evenly
    since = (row["tested_on"] - row["as_of"]).days / (row["tested_on"] - row["last_on"]).days
    ahead = since * (test_km - last_km) / RATE_KM
    middle = (low + high) / 2 + rate * ahead
    half = hypot((high - low) / 2, (fast - slow) / 2 * ahead)
    return middle - half, middle + half


#: of each earlier day the last run; of each forecast the first test of that part since, its readings averaged
_MEETINGS = """
WITH runs AS (
    SELECT max(run_id) AS run_id, as_of FROM run WHERE step = 'learn' AND as_of < ? GROUP BY as_of
), said AS (
    SELECT runs.as_of, f.* FROM forecast f JOIN runs USING (run_id)
    -- what a test reads says nothing of a limit on a ratio or a change
    WHERE list_contains(?, f.measure || '|' || f.unit)
), lives AS (  -- the life that each part was in; a part rebuilt since is another
    SELECT r.run_id, c.part, max(c.life) AS life FROM runs r JOIN comparable c ON c.tested_on <= r.as_of GROUP BY ALL
), before AS (
    SELECT r.run_id, c.part, c.measure, c.protocol, max(c.tested_on) AS last_on,
           max_by(c.distance_km, c.tested_on) AS last_km
    FROM runs r JOIN comparable c ON c.tested_on <= r.as_of GROUP BY ALL
), later AS (
    SELECT s.run_id, s.part, s.measure, s.protocol, min(c.tested_on) AS tested_on
    FROM (SELECT DISTINCT run_id, as_of, part, vehicle, position, measure, protocol FROM said) s
    JOIN comparable c ON c.part = s.part AND c.vehicle = s.vehicle AND c.position = s.position
         AND c.measure = s.measure AND c.protocol = s.protocol AND c.tested_on > s.as_of AND c.tested_on <= ?
    JOIN lives b ON b.run_id = s.run_id AND b.part = c.part AND b.life = c.life
    GROUP BY ALL
), taken AS (
    SELECT l.run_id, l.part, l.measure, l.protocol, l.tested_on, avg(c.level) FILTER (c.bound IS NULL) AS read,
           max(c.distance_km) AS test_km
    FROM later l JOIN comparable c USING (part, measure, protocol, tested_on)
    GROUP BY ALL
)
SELECT s.run_id, s.as_of, s.measure, s.protocol, s."limit", s.next_low, s.next_high, s.next_reading_past,
       coalesce(s.date_p05, s.date_p10) AS date_begin, coalesce(s.date_p95, s.date_p90) AS date_end,
       s.rate, s.rate_low, s.rate_high, t.tested_on, t.read, t.test_km, b.last_on, b.last_km,
       CASE WHEN s.direction = 'below' THEN t.read <= s."limit" ELSE t.read >= s."limit" END AS is_past,
       coalesce(CASE WHEN s.direction = 'below' THEN s.level <= s."limit" ELSE s.level >= s."limit" END,
                FALSE) AS known_past
FROM said s LEFT JOIN taken t USING (run_id, part, measure, protocol)
     LEFT JOIN before b USING (run_id, part, measure, protocol)
ORDER BY s.as_of DESC, s.run_id DESC, s.measure, s.protocol, s.part
"""

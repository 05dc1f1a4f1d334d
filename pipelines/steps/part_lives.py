"""The lives of all parts from the store: how far each went since new, from where on it was watched, how it ended."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import isfinite, nan
from typing import Any

from pipelines.steps.life_ends import SPARED, Removal, Why, removal_reasons
from pipelines.steps.lives import MeterHistory, meter_histories
from wearlab.config import Settings
from wearlab.language import msg
from wearlab.records import PUMP, SET, Start
from wearlab.store.database import Database
from wearlab.store.queries import vehicles

#: kinds of parts
INJECTOR = msg("injector")
KINDS = (INJECTOR, PUMP)

NO_START = msg("age unknown when first seen")
NO_METER = msg("distance unknown at the beginning or the end")
NO_WAY = msg("no distance since first seen")


@dataclass(frozen=True, slots=True)
class PartLife:
    """One life of one part of known age. `vehicle` and `position` are where it sat last.

    It was watched from `entry_km` on and went `end_km` since new; `removed_on` and `why` are None while it is fitted.
    """

    kind: str
    part: str
    life: int
    vehicle: str
    position: str
    family: str
    depot: str
    origin: str
    entry_km: float
    end_km: float
    removed_on: date | None = None
    why: Why | None = None

    @property
    def failed(self) -> bool:
        """Whether it was taken out for a reason that counts against the part."""
        return self.why is not None and self.why not in SPARED


@dataclass(frozen=True, slots=True)
class FleetLives:
    """All lives of known age, and by kind how many others there are and why they tell nothing."""

    lives: tuple[PartLife, ...]
    left_out: Mapping[str, Mapping[str, int]]


def fleet_lives(db: Database, settings: Settings, as_of: date) -> FleetLives:
    """Return the lives of all injectors and pumps as of a day."""
    register = {row["vehicle"]: row for row in vehicles(db, as_of)}
    families = {name: str(row["family"] or "") for name, row in register.items()}
    meters = meter_histories(db)
    watched = watched_from(db, as_of)
    chains: dict[tuple[str, int], list[dict[str, Any]]] = defaultdict(list)
    for row in db.records(
        "SELECT part, life, vehicle, position, from_date, to_date, start FROM fitment "
        "WHERE position <> ? AND from_date <= ? ORDER BY part, life, from_date, to_date NULLS LAST, from_order",
        [SET, as_of],
    ):
        chains[row["part"], row["life"]].append(row)
    found: list[PartLife] = []
    left: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
    for (part, life), chain in chains.items():
        last = chain[-1]
        kind = PUMP if last["position"] == PUMP else INJECTOR
        if chain[0]["start"] not in (Start.NEW, Start.REBUILT):
            left[kind][NO_START] += 1
            continue
        entry, end = _distances(chain, meters, watched, as_of)
        if not (isfinite(entry) and isfinite(end)):
            left[kind][NO_METER] += 1
            continue
        if not end > entry:
            left[kind][NO_WAY] += 1
            continue
        gone = last["to_date"] is not None and last["to_date"] <= as_of
        said = register.get(last["vehicle"], {})
        found.append(
            PartLife(
                kind=kind,
                part=part,
                life=life,
                vehicle=last["vehicle"],
                position=last["position"],
                family=families.get(last["vehicle"], ""),
                depot=str(said.get("depot") or ""),
                origin=chain[0]["start"],
                entry_km=entry,
                end_km=end,
                removed_on=last["to_date"] if gone else None,
            )
        )
    return FleetLives(_ended(db, settings, found, families, as_of), left)


def _ended(
    db: Database, settings: Settings, lives: Sequence[PartLife], families: Mapping[str, str], as_of: date
) -> tuple[PartLife, ...]:
    """The same lives with the reasons of those that were taken out."""
    removals = [
        Removal(one.part, one.life, one.vehicle, one.position, one.removed_on)
        for one in lives
        if one.removed_on is not None
    ]
    why = removal_reasons(db, settings, removals, families, as_of)
    return tuple(replace(one, why=why.get((one.part, one.life))) for one in lives)


def watched_from(db: Database, as_of: date) -> dict[str, date]:
    """The day from which on a vehicle's tests and work are known: what was replaced before left no trace."""
    return dict(
        db.rows(
            "SELECT vehicle, min(day) FROM (SELECT vehicle, tested_on AS day FROM test "
            "UNION ALL SELECT vehicle, done_on FROM work WHERE vehicle IS NOT NULL AND kind <> 'meter_change') "
            "WHERE day <= ? GROUP BY vehicle",
            [as_of],
        )
    )


def _distances(
    chain: Sequence[dict[str, Any]], meters: Mapping[str, MeterHistory], watched: Mapping[str, date], as_of: date
) -> tuple[float, float]:
    """Return how far a life had gone when it came under watch, and at its end; NaN where it cannot be told."""
    gathered, entry = 0.0, nan
    for number, fit in enumerate(chain):
        meter = meters.get(fit["vehicle"])
        begun = _at(meter, fit["from_date"])
        if number == 0:
            since = watched.get(fit["vehicle"])
            # fitted under watch: from its beginning on; else from the first record on
            late = since is not None and since > fit["from_date"]
            entry = max(_at(meter, since) - begun, 0.0) if late and since is not None else 0.0
        gone = fit["to_date"] is not None and fit["to_date"] <= as_of
        end = _at(meter, fit["to_date"]) if gone else _latest(meter, as_of)
        gathered += max(end - begun, 0.0) if isfinite(end - begun) else nan
    return entry, gathered


def _at(meter: MeterHistory | None, day: date) -> float:
    return nan if meter is None else meter.distance.at(day)


def _latest(meter: MeterHistory | None, as_of: date) -> float:
    """The true distance at the last reading up to a day: what may have come after is not known."""
    if meter is None:
        return nan
    # a reading that lies between readings is placed by them; after the last one, that one holds
    for day in sorted((day for day in meter.days if day <= as_of), reverse=True):
        found = meter.distance.at(day)
        if isfinite(found):
            return found
    return nan

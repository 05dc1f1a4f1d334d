"""Which part number sits in which place on a day, and what of a forecast would have it replaced."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from wearlab.config import Settings
from wearlab.forecast.date_law import DateLaw
from wearlab.language import _
from wearlab.plan.demand import Planned, Seat
from wearlab.records import PUMP, SET, WorkKind
from wearlab.store.database import Database

#: vehicle and position
Place = tuple[str, str]
#: places that a plan decides, and when it replaces their parts
Schedule = Mapping[Place, Planned]


@dataclass(frozen=True, slots=True)
class Kind:
    """What is ordered for a place: `number` as it is today, None where none is known.

    `families` are told where a number is not known, so that its parts are still counted family by family.
    """

    number: str | None
    family: str | None
    part: str

    @property
    def words(self) -> str:
        """The number, or whose it is."""
        family = self.family or _("family not known")
        return self.number or _("{family}, {part}, no number", family=family, part=_(self.part))


@dataclass(frozen=True, slots=True)
class Seated:
    """A place with the part that sits in it; `foretold`: a forecast, or a plan, says when it is replaced."""

    kind: Kind
    family: str | None
    seat: Seat
    foretold: bool


def kind_of(settings: Settings, number: str | None, family: str | None, position: str) -> Kind:
    """The kind of a part with a recorded number, or of one without it by what its family takes."""
    part = "pump" if position == PUMP else "injector"
    known = number or settings.parts.ordered_for(family, part)
    if known is None:
        return Kind(None, family, part)
    return Kind(settings.parts.current(known), None, part)


def seated_on(
    db: Database,
    settings: Settings,
    day: date,
    register: Sequence[dict[str, Any]],
    forecasts: Sequence[dict[str, Any]],
    schedule: Schedule | None = None,
) -> list[Seated]:
    """Every part that sat in a vehicle at the end of a day, with the forecasts made that day.

    Parts of vehicles that have left are none. A place in the schedule goes by the schedule alone.
    """
    known = {row["vehicle"]: row for row in register}
    laws: dict[Place, list[DateLaw]] = {}
    for row in forecasts:
        law = DateLaw.of(row.get, day)
        if law is not None:
            laws.setdefault((row["vehicle"], row["position"]), []).append(law)
    found = []
    for vehicle, position, number in _fitted(db, day):
        line = known.get(vehicle, {})
        leaves_on = line.get("leaves_on")
        if leaves_on is not None and leaves_on <= day:
            continue
        family = line.get("family")
        planned = (schedule or {}).get((vehicle, position))
        told = laws.get((vehicle, position), ()) if planned is None else (planned,)
        kind = kind_of(settings, number, family, position)
        found.append(Seated(kind, family, Seat(tuple(told), leaves_on), bool(told)))
    return found


def _fitted(db: Database, day: date) -> list[tuple[str, str, str | None]]:
    """Vehicle, position and part number of every part in its place at the end of a day."""
    return [
        (vehicle, position, number)
        for vehicle, position, number in db.rows(
            """
            SELECT vehicle, position, last(part_number ORDER BY from_order) FROM fitment
            WHERE from_date <= ? AND (to_date IS NULL OR to_date > ?) AND position <> ?
            GROUP BY vehicle, position ORDER BY vehicle, position
            """,
            [day, day, SET],
        )
    ]


def used_parts(
    db: Database, settings: Settings, first: date, last: date, register: Sequence[dict[str, Any]]
) -> list[tuple[date, Kind]]:
    """Day and kind of every part that was put in between two days, both included; a set counts its injectors."""
    known = {row["vehicle"]: row for row in register}
    found = []
    for day, vehicle, position, number in db.rows(
        """
        SELECT done_on, vehicle, position, part_number FROM work
        WHERE kind = ? AND vehicle IS NOT NULL AND done_on BETWEEN ? AND ? ORDER BY done_on, vehicle, position
        """,
        [str(WorkKind.REPLACEMENT), first, last],
    ):
        line = known.get(vehicle, {})
        pieces = int(line.get("cylinders") or 1) if position in (SET, None) else 1
        found += [(day, kind_of(settings, number, line.get("family"), position or SET))] * pieces
    return found

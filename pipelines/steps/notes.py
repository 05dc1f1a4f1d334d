"""Events entered by hand: checked like a row of a sheet, stored with a number of their own."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from datetime import date
from typing import Any

from wearlab.errors import InputError
from wearlab.records import PUMP, SET, Start, WorkKind
from wearlab.store.database import Database
from wearlab.store.names import quoted

_ORIGINS = {Start.NEW, Start.REBUILT, Start.USED}
_NEEDS_POSITION = {WorkKind.REPLACEMENT, WorkKind.SWAP, WorkKind.REBUILD}


@dataclass(frozen=True, slots=True)
class Note:
    """One event as a person enters it; the fields are columns of the table `work`."""

    vehicle: str
    vehicle_text: str
    kind: str
    done_on: date
    position: str | None = None
    position_to: str | None = None
    odometer_km: float | None = None
    serial_out: str | None = None
    serial_in: str | None = None
    part_number: str | None = None
    origin: str | None = None
    meter_before_km: float | None = None
    meter_after_km: float | None = None
    note: str | None = None


def add_note(db: Database, note: Note, *, as_of: date) -> dict[str, Any]:
    """Check and store one event; returns it with its number.

    Raises
    ------
    InputError
        A kind, position, origin or date that cannot be; the sentence says what was expected.
    """
    _check(note, as_of)
    with db.transaction():
        number = int(db.value("SELECT nextval('note_ids')"))
        given = {name: value for name, value in dataclasses.asdict(note).items() if value is not None}
        columns = ", ".join(quoted(name) for name in ("row_no", *given))
        marks = ", ".join("?" for _ in range(len(given) + 1))
        db.run(f"INSERT INTO work ({columns}) VALUES ({marks})", [number, *given.values()])  # noqa: S608
    return {"row_no": number, **given}


def _check(note: Note, as_of: date) -> None:
    kinds = [kind.value for kind in WorkKind]
    if note.kind not in kinds:
        raise InputError(f'"{note.kind}" is no kind of work: use one of {", ".join(kinds)}')
    if note.done_on > as_of:
        raise InputError(f"{note.done_on} lies after {as_of}: an event is noted once it has happened")
    if note.kind in _NEEDS_POSITION and note.position is None:
        raise InputError(f'a {note.kind} needs --position (a cylinder number or "pump")')
    if note.kind == WorkKind.SWAP and note.position_to is None:
        raise InputError("a swap needs --position and --to, the two cylinders")
    for word in (note.position, note.position_to):
        if word is not None and word not in (PUMP, SET) and not (word.isdigit() and 1 <= int(word) <= 24):
            raise InputError(f'"{word}" is no position: give a cylinder number from 1, or "pump"')
    if note.origin is not None and note.origin not in _ORIGINS:
        raise InputError(f'"{note.origin}" is no origin of a part: use new, rebuilt or used')
    if note.kind == WorkKind.METER_CHANGE and note.meter_after_km is None:
        raise InputError("a meter_change needs --meter-after, the km the new meter began with (0 if new)")

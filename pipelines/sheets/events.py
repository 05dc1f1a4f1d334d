"""From a sheet of events and work orders to the table `work`."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from pipelines.sheets.account import SheetResult
from pipelines.sheets.cells import Bools, Cells, coded
from pipelines.sheets.duplicates import mark_copies, mark_held
from pipelines.sheets.known import Known
from pipelines.sheets.table import SheetTable
from pipelines.sheets.vocabulary import origin_word, position_word, reason_word, work_word
from pipelines.sheets.words import fold, position_of
from wearlab.records import Start, WorkKind
from wearlab.store.database import Database

_KINDS = {fold(kind.value): kind.value for kind in WorkKind}
_ORIGINS = {"reman": Start.REBUILT, "remanufactured": Start.REBUILT, "exchange": Start.REBUILT}
_PAIR = re.compile(
    r"(\d{1,2})\s*(?:<?[-–=/]+>?|\b(?:and|with|to|und|mit|et|avec|y|con|e|en|met|i|z)\b)\s*"
    r"(?:[^\W\d_]{2,10}\.?\s*)?(\d{1,2})(?!\d)",
    re.I,
)
_ONE = re.compile(r"(?:\b(?:cyl|zyl|cil|inj|iny|inie|position|pos|wtr)\w*\.?|#)\s*(\d{1,2})\b", re.I)
_COMPARED = {
    "vehicle": "VARCHAR",
    "depot": "VARCHAR",
    "rig": "VARCHAR",
    "done_on": "DATE",
    "odometer_km": "DOUBLE",
    "kind": "VARCHAR",
    "position": "VARCHAR",
    "position_to": "VARCHAR",
    "part_number": "VARCHAR",
    "serial_out": "VARCHAR",
    "serial_in": "VARCHAR",
    "origin": "VARCHAR",
    "meter_before_km": "DOUBLE",
    "meter_after_km": "DOUBLE",
    "reason": "VARCHAR",
    "complaint": "VARCHAR",
    "fault_codes": "VARCHAR",
    "note": "VARCHAR",
}


def events_of(table: SheetTable, database: Database, known: Known) -> SheetResult:
    """Read a sheet of events. The kind may carry the position in its cell ("swap 1-3", "new inj cyl 3")."""
    day = table.row_dates()
    vehicle, written = table.vehicles(known, day, needed=False)
    depot, rig = table.text("depot"), table.text("rig")
    nowhere = table.live & vehicle.blank & depot.blank & rig.blank
    table.findings.add("no_vehicle", nowhere, column=table.one("vehicle") or table.one("depot"))
    mark_copies(table, vehicle)
    kind, packed_from, packed_to = _kinds(table)
    position = _position(table, "position", packed_from)
    position_to = _position(table, "position_to", packed_to)
    origin = table.text("origin").words(_origin)
    figures = {
        "odometer_km": table.quantity("odometer", least=0.0),
        "meter_before_km": table.quantity("meter_before", least=0.0),
        "meter_after_km": table.quantity("meter_after", least=0.0),
    }
    frame = pd.DataFrame({"row_index": np.arange(table.size), "row_no": table.numbers})
    for name, cells in (
        ("vehicle", vehicle),
        ("vehicle_text", written),
        ("depot", depot),
        ("rig", rig),
        ("kind", kind),
        ("position", position),
        ("position_to", position_to),
        ("part_number", table.text("part_number")),
        ("serial_out", table.text("serial_out")),
        ("serial_in", table.text("serial_in")),
        ("origin", origin),
        ("reason", table.text("reason").words(reason_word)),
        ("complaint", table.text("complaint")),
        ("fault_codes", table.text("fault_codes")),
        ("note", table.notes()),
    ):
        frame[name] = coded(cells)
    frame["done_on"] = day.astype("datetime64[s]")
    for name, values in figures.items():
        frame[name] = values
    mark_held(table, frame[table.live], "work", _COMPARED, database)
    stored: Bools = table.live
    return SheetResult([("work", frame[stored].drop(columns="row_index"))], stored)


def _origin(text: str) -> str | None:
    return _ORIGINS.get(fold(text)) or origin_word(text)


def _kinds(table: SheetTable) -> tuple[Cells, Cells, Cells]:
    """Kind of work of each row, with positions that stand in the same cell."""
    mapped = table.one("kind")
    if mapped is None:
        return table.text("kind"), table.text("position"), table.text("position_to")
    words = {fold(word): meaning for word, meaning in mapped.column.words.items()} | _KINDS
    phrases = sorted(words, key=len, reverse=True)
    cells = table.cells(mapped)
    fallback = table.layout.defaults.kind

    def kind(text: str) -> str | None:
        word = fold(text)
        if not word:
            return fallback
        if word in words:
            return words[word]
        said = next((words[phrase] for phrase in phrases if f" {phrase} " in f" {word} "), None)
        other = work_word(text) if said is None else None
        return said if other is None else other.value

    def first(text: str) -> str | None:
        if fold(text) in words:
            return None
        found = _PAIR.search(text) or _ONE.search(text)
        return None if found is None else position_of(found.group(1))

    def second(text: str) -> str | None:
        found = None if fold(text) in words else _PAIR.search(text)
        return None if found is None else position_of(found.group(2))

    made = cells.words(kind)
    unknown = table.live & made.blank
    table.findings.add(
        "no_kind",
        unknown,
        column=mapped,
        cells=cells.at(unknown),
        more=", ".join(one.value for one in WorkKind),
    )
    return made, cells.words(first), cells.words(second)


def _position(table: SheetTable, field: str, packed: Cells) -> Cells:
    mapped = table.one(field)
    if mapped is None:
        return packed
    written = table.text(field)
    read = written.words(position_word)
    unknown = table.live & read.blank & ~written.blank
    table.findings.add(
        "unknown_word", unknown, column=mapped, cells=table.cells(mapped).at(unknown), more=" as a position"
    )
    chosen = np.where(read.blank, packed.codes + len(read.texts), read.codes)
    return Cells(chosen, [*read.texts, *packed.texts]).words(str)

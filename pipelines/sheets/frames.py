"""Readings and tests as rows of the store's tables, with ids that a reload gives again."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.sheets.cells import (
    Bools,
    Cells,
    Floats,
    Ints,
    Objects,
    coded,
    combine,
    constant,
    first_rows,
    nullable_flags,
    objects,
)
from pipelines.sheets.converted import Converted
from pipelines.sheets.dates import Dates
from pipelines.sheets.packed import serials
from pipelines.sheets.readings import CODE, MEASURES, Readings
from pipelines.sheets.repeats import number_repeats
from pipelines.sheets.values import Status
from wearlab.records import Driven, Measure, Use
from wearlab.store.database import Database
from wearlab.units import BASE

DRIVEN = list(Driven)
_FLOW = CODE[Measure.RETURN_FLOW]


@dataclass(frozen=True, slots=True)
class Rows:
    """Row-wise columns of the sheet."""

    vehicle: Cells
    vehicle_text: Cells
    day: Dates
    figures: dict[str, Floats]
    texts: dict[str, Cells]
    connected: Ints  # 1 yes, 0 no, -1 unknown


@dataclass(frozen=True, slots=True)
class Setup:
    """Reading-wise protocol: name, drive (index into Driven, -1 unknown), and set-up of the pump test."""

    protocol: Cells
    driven: Ints
    volume: Floats
    rise_to: Floats


def frames_of(
    readings: Readings, made: Converted, rows: Rows, setup: Setup, database: Database, sha256: str
) -> tuple[list[tuple[str, pd.DataFrame]], Bools]:
    """Return the rows of `test` and `reading`, and which data rows of the sheet are stored.

    A row in which nothing was measured still makes a test without readings: somebody looked at the vehicle.
    """
    table, row = readings.table, readings.row
    kept = np.zeros(table.size, dtype=np.bool_)
    kept[row[readings.keep]] = True
    refused = np.zeros(table.size, dtype=np.bool_)
    tried = ~np.isin(readings.number.status, [Status.NOT_MEASURED, Status.SPOILED])
    refused[row[tried & ~readings.keep]] = True
    bare_rows = table.live & ~kept & ~refused
    bare = np.zeros(len(readings), dtype=np.bool_)
    usable = np.flatnonzero(bare_rows[row] & (readings.measure >= 0))
    bare[usable[np.unique(row[usable], return_index=True)[1]]] = True
    nothing = np.zeros(table.size, dtype=np.bool_)
    nothing[row[bare]] = True
    table.findings.add("nothing_measured", nothing)

    member = np.flatnonzero(readings.keep | bare)
    test, heads = _grouped(readings, made, rows, setup, member)
    ids = _test_ids(readings, setup, member[heads], sha256)
    tests = _test_frame(readings, made, rows, setup, member, test, heads, ids)
    real = readings.keep[member]
    frame = _reading_frame(readings, made, rows, setup, member[real], database)
    frame.insert(0, "test_id", ids[test[real]])
    return [("test", tests), ("reading", frame)], kept | nothing


def _grouped(readings: Readings, made: Converted, rows: Rows, setup: Setup, member: Ints) -> tuple[Ints, Ints]:
    """Code of the test of each member, and the first member of each test."""
    table = readings.table
    if table.one("position") is None:
        key = np.arange(table.size, dtype=np.int64)
    else:
        columns: list[Ints | Floats] = [rows.vehicle.codes, rows.day.astype(np.int64), rows.connected]
        columns += [*rows.figures.values(), *(cells.codes for cells in rows.texts.values()), made.rig.codes]
        for field in ("duration", "volume", "rise_to"):
            mapped = table.one(field)
            if mapped is not None:
                columns.append(table.cells(mapped).codes)
        key = combine(columns, table.size)
    row = readings.row[member]
    test = combine([key[row], readings.measure[member], setup.protocol.codes[member]], len(member))
    order = np.lexsort((member, row))
    firsts = np.full(int(test.max()) + 1 if len(test) else 0, -1, dtype=np.int64)
    firsts[test[order[::-1]]] = order[::-1]
    return test, firsts


def _test_ids(readings: Readings, setup: Setup, heads: Ints, sha256: str) -> Objects:
    sheet = readings.table.sheet.sheet or ""
    numbers = readings.table.numbers[readings.row[heads]].tolist()
    tails = [
        f"|{MEASURES[measure]}|{setup.protocol.texts[code]}"
        for measure, code in zip(readings.measure[heads].tolist(), setup.protocol.codes[heads].tolist(), strict=True)
    ]
    start = hashlib.sha1(f"{sha256}|{sheet}|".encode(), usedforsecurity=False)
    ids: list[str] = []
    for number, tail in zip(numbers, tails, strict=True):
        digest = start.copy()
        digest.update(f"{number}{tail}".encode())
        ids.append(digest.hexdigest()[:16])
    return objects(ids)


def _test_frame(
    readings: Readings,
    made: Converted,
    rows: Rows,
    setup: Setup,
    member: Ints,
    test: Ints,
    heads: Ints,
    ids: Objects,
) -> pd.DataFrame:
    table, head = readings.table, member[heads]
    row = readings.row[head]
    frame = pd.DataFrame({"test_id": ids, "row_no": table.numbers[row]})
    frame["vehicle"] = coded(rows.vehicle.at(row))
    frame["vehicle_text"] = coded(rows.vehicle_text.at(row))
    frame["tested_on"] = rows.day[row].astype("datetime64[s]")
    for name, figures in rows.figures.items():
        frame[name] = figures[row]
    frame["measure"] = coded(Cells(readings.measure[head], [one.value for one in MEASURES]))
    frame["protocol"] = coded(setup.protocol.at(head))
    frame["driven"] = coded(Cells(setup.driven[head] + 1, ["", *(one.value for one in DRIVEN)]))
    frame["duration_s"] = made.duration[head]
    frame["volume_ml"] = setup.volume[head]
    frame["rise_to_bar"] = setup.rise_to[head]
    frame["injectors_connected"] = nullable_flags(rows.connected[row])
    for name, cells in rows.texts.items():
        frame[name] = coded(cells.at(row))
    frame["rig"] = coded(made.rig.at(row))
    frame["note"] = _joined_notes(readings, made, member, test, len(heads))
    return frame


def _joined_notes(readings: Readings, made: Converted, member: Ints, test: Ints, count: int) -> pd.Series:
    """The notes of a test's rows, each once, joined by semicolons."""
    notes: list[str | None] = [None] * count
    row = readings.row[member]
    filled = np.flatnonzero(~made.notes.blank[row])
    if len(filled):
        pairs = combine([test[filled], made.notes.codes[row[filled]]], len(filled))
        for place in filled[np.unique(first_rows(pairs))]:
            text = made.notes.texts[made.notes.codes[row[place]]]
            before = notes[test[place]]
            notes[test[place]] = text if before is None else f"{before}; {text}"
    return pd.Series(objects(notes))


def _reading_frame(
    readings: Readings, made: Converted, rows: Rows, setup: Setup, place: Ints, database: Database
) -> pd.DataFrame:
    table, row = readings.table, readings.row[place]
    units = [BASE[name] for name in made.quantities]
    crank = setup.driven[place] == DRIVEN.index(Driven.CRANK)
    share = crank & (readings.measure[place] == _FLOW) & np.isnan(rows.figures["rail_bar"][row])
    use = np.where(readings.show[place], 2, np.where(share, 1, 0))
    column = np.array([one.index + 1 for one in readings.columns], dtype=np.int64)
    frame = pd.DataFrame({"row_no": table.numbers[row], "col_no": column[readings.column[place]]})
    frame["vehicle"] = coded(rows.vehicle.at(row))
    frame["tested_on"] = rows.day[row].astype("datetime64[s]")
    frame["measure"] = coded(Cells(readings.measure[place], [one.value for one in MEASURES]))
    frame["protocol"] = coded(setup.protocol.at(place))
    frame["position"] = coded(readings.position.at(place))
    frame["repeat"] = number_repeats(readings, setup.protocol, rows.vehicle, rows.day, place, database)
    if readings.stated_repeat[place].any():
        stated = readings.stated_repeat[place]
        frame["stated"] = pd.arrays.IntegerArray(stated, stated == 0)
    frame["value"] = made.value[place]
    frame["unit"] = coded(Cells(made.quantity[place], units))
    frame["level"] = made.level[place]
    frame["bound"] = coded(Cells(made.bound[place] + 1, ["at_most", "", "at_least"]))
    frame["resolution"] = made.resolution[place]
    frame["value_text"] = coded(readings.cells.at(place))
    frame["unit_text"] = coded(made.unit_text.at(place))
    frame["channel"] = coded(made.channel.at(place))
    frame["serial"] = _serials(readings, made, place)
    frame["quality"] = coded(Cells(readings.quality[place], readings.qualities))
    frame["use"] = coded(Cells(use, [Use.TREND.value, Use.SHARE.value, Use.SHOW.value]))
    return frame


def _serials(readings: Readings, made: Converted, place: Ints) -> pd.Categorical | pd.Series:
    table = readings.table
    if table.one("serial") is not None:
        return coded(table.text("serial").at(readings.row[place]))
    listed = made.notes.each(serials)
    if not any(listed):
        return coded(constant("", len(place)))
    note = made.notes.codes[readings.row[place]]
    position = readings.position.codes[place]
    texts = readings.position.texts
    return pd.Series(objects([listed[a].get(texts[b]) for a, b in zip(note, position, strict=True)]))

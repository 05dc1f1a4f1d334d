"""Copies: rows that say in every field what an earlier row says, in the same sheet or in the store.

Earlier are the rows above in the same file and all rows of files with a lower content hash, so that the same rows
are copies whichever file was loaded first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.sheets.cells import Cells, Floats, Ints, combine, first_rows
from pipelines.sheets.converted import Converted
from pipelines.sheets.dates import Dates
from pipelines.sheets.earlier import EARLIER
from pipelines.sheets.incoming import INCOMING, incoming
from pipelines.sheets.readings import MEASURES, Readings
from pipelines.sheets.table import SheetTable
from wearlab.records import vehicle_key
from wearlab.store.database import Database
from wearlab.store.names import quoted

Prints = NDArray[np.uint64]

_KEY_FIELD = {"stock": "part_number", "rigs": "rig"}
#: Odd constants that spread the parts of a print over 64 bits (any odd number would do).
_SPREAD = np.uint64(0x9E3779B97F4A7C15)
_READING = np.uint64(0xC2B2AE3D27D4EB4F)


@dataclass(frozen=True, slots=True)
class Visits:
    """Row by row: vehicle, date, the figures and texts that the row gives with the test, and the notes."""

    vehicle: Cells
    day: Dates
    figures: Mapping[str, Floats]
    texts: Mapping[str, Cells]
    notes: Cells


def mark_copies(table: SheetTable, vehicle: Cells | None = None) -> None:
    """Set aside live rows that equal an earlier live row of the sheet in every mapped field.

    `vehicle` : keys that stand for the vehicle column, so that "v 017" equals "V-017".
    """
    rows = np.flatnonzero(table.live)
    _touch(table, vehicle, rows)
    columns = []
    for mapped in table.match.columns:
        if mapped.column.field == "ignore":
            continue
        whole = vehicle if vehicle is not None and mapped.column.field == "vehicle" else table.cells(mapped)
        columns.append(whole.codes[rows])
    code = combine(columns, len(rows))
    if len(rows) and int(code.max()) + 1 == len(rows):  # as many codes as rows: no two are alike
        return
    first = first_rows(code)
    copies = np.flatnonzero(first != np.arange(len(rows)))
    if len(copies):
        table.findings.add("duplicate", rows[copies], more=table.place(rows[first[copies]]))


def _touch(table: SheetTable, vehicle: Cells | None, rows: Ints) -> None:
    """Note of which vehicles and days the sheet speaks, so that other files can be made again with it."""
    keys = vehicle if vehicle is not None else table.text(_KEY_FIELD.get(table.layout.kind, "vehicle"))
    day = table.days()
    both = combine([keys.codes[rows], day[rows].astype(np.int64)], len(rows))
    head = rows[np.unique(both, return_index=True)[1]]
    frame = pd.DataFrame({"vehicle": keys.at(head).objects(), "day": day[head].astype("datetime64[s]")})
    if vehicle is not None and table.layout.kind != "vehicles" and _aliased(table, vehicle):
        written = table.text("vehicle").words(vehicle_key)  # another key than the vehicle's own where it is an alias
        both = combine([written.codes[rows], day[rows].astype(np.int64)], len(rows))
        head = rows[np.unique(both, return_index=True)[1]]
        own = pd.DataFrame({"vehicle": written.at(head).objects(), "day": day[head].astype("datetime64[s]")})
        frame = pd.concat([frame, own], ignore_index=True)
    if table.one("alias") is not None:
        aliases = table.text("alias").words(vehicle_key)
        names = [aliases.texts[code] for code in np.unique(aliases.codes[rows]) if aliases.texts[code]]
        frame = pd.concat([frame, pd.DataFrame({"vehicle": names, "day": pd.NaT})], ignore_index=True)
        frame["day"] = frame["day"].astype("datetime64[s]")
    table.touched = frame.drop_duplicates(ignore_index=True)


def _aliased(table: SheetTable, vehicle: Cells) -> bool:
    written = table.text("vehicle").words(vehicle_key)
    return not (written.texts == vehicle.texts and np.array_equal(written.codes, vehicle.codes))


def mark_stored(
    readings: Readings, made: Converted, protocol: Cells, visits: Visits, database: Database
) -> pd.DataFrame:
    """Set aside rows of which an earlier one in the store says the same; return the prints of all live rows.

    Vehicle, date, all conditions, remark, and each reading with measure, protocol, position, value, unit, bound
    and stated repeat must agree. Two rows without any difference are one measurement written down twice.
    """
    table = readings.table
    rows = np.flatnonzero(table.live)
    frame = pd.DataFrame({"row_no": table.numbers[rows], "print": _prints(readings, made, protocol, visits)[rows]})
    if not len(rows) or not database.value("SELECT 1 FROM row_print LIMIT 1"):
        return frame
    known = frame.assign(row_index=rows)
    with incoming(database, known, {"row_index": "BIGINT", "print": "UBIGINT"}):
        found = database.rows(
            "SELECT i.row_index, first('row ' || p.row_no || ' of ' || e.name "  # noqa: S608
            "ORDER BY s.sha256 NULLS FIRST, p.row_no) "
            f"FROM {INCOMING} i JOIN row_print p USING (print) JOIN {EARLIER} e ON e.file_id = p.file_id "
            "LEFT JOIN source_file s ON s.file_id = p.file_id GROUP BY i.row_index ORDER BY i.row_index"
        )
    if found:
        copies = np.array([one[0] for one in found], dtype=np.int64)
        still = table.findings.unsettled("duplicate", copies, None)
        still = np.arange(len(copies)) if still is None else still
        table.findings.forget(copies[still])
        table.findings.add("duplicate", copies[still], more=[str(found[place][1]) for place in still])
        readings.keep[np.isin(readings.row, copies[still])] = False
    return frame


def mark_held(
    table: SheetTable, frame: pd.DataFrame, target: str, columns: Mapping[str, str], database: Database
) -> None:
    """Set aside rows of a register, log or list of events that an earlier file brought in the same words.

    `frame` holds the live rows with `row_index` and the columns that must all agree with the table `target`.
    """
    if frame.empty or not database.value(f"SELECT 1 FROM {quoted(target)} LIMIT 1"):  # noqa: S608
        return
    same = " AND ".join(f"t.{quoted(column)} IS NOT DISTINCT FROM i.{quoted(column)}" for column in columns)
    with incoming(database, frame, {"row_index": "BIGINT", **columns}):
        found = database.rows(
            "SELECT i.row_index, first('row ' || t.row_no || ' of ' || coalesce(e.name, 'the notes') "  # noqa: S608
            "ORDER BY s.sha256 NULLS FIRST, t.row_no) "
            f"FROM {INCOMING} i JOIN {quoted(target)} t ON {same} LEFT JOIN {EARLIER} e ON e.file_id = t.file_id "
            "LEFT JOIN source_file s ON s.file_id = t.file_id "
            "WHERE t.file_id IS NULL OR e.file_id IS NOT NULL GROUP BY i.row_index ORDER BY i.row_index"
        )
    if found:
        rows = np.array([one[0] for one in found], dtype=np.int64)
        table.findings.add("duplicate", rows, more=[str(one[1]) for one in found])


def _prints(readings: Readings, made: Converted, protocol: Cells, visits: Visits) -> Prints:
    """One number a row that is the same in every sheet exactly where the row says the same (but for chance: 2^-64)."""
    size = readings.table.size
    whole = _mixed(
        [
            _of_words(visits.vehicle),
            _of_numbers(visits.day.astype("datetime64[D]").astype(np.int64)),
            *(_of_numbers(visits.figures[name]) for name in sorted(visits.figures)),
            *(_of_words(visits.texts[name]) for name in sorted(visits.texts)),
            _of_words(visits.notes),
        ],
        size,
    )
    told = readings.keep | ~readings.cells.blank
    kept = np.where(readings.keep, made.value, np.nan)
    texts = _of_words(readings.cells)
    each = _mixed(
        [
            _of_words(Cells(readings.measure + 1, ["", *(one.value for one in MEASURES)])),
            _of_words(protocol),
            _of_words(readings.position),
            _of_numbers(kept),
            _of_numbers(np.where(readings.keep, made.bound, 0)),
            _of_words(Cells(np.where(readings.keep, made.quantity, -1) + 1, ["", *made.quantities])),
            np.where(readings.keep, np.uint64(0), texts),
            _of_numbers(made.duration),
            _of_numbers(readings.stated_repeat),
        ],
        len(readings),
    )
    with np.errstate(over="ignore"):
        for index in range(len(readings.columns)):  # a column has a row once at most
            here = told & (readings.column == index)
            whole[readings.row[here]] += each[here] * _READING
    return whole


def _mixed(columns: list[Prints], size: int) -> Prints:
    """Mix columns of one print a row; a column of one print stands for the same in every row."""
    made = np.zeros(1, dtype=np.uint64)
    with np.errstate(over="ignore"):
        for column in columns:
            made = (made ^ column) * _SPREAD
            made ^= made >> np.uint64(29)
    return made if len(made) == size else np.full(size, made[0], dtype=np.uint64)


def _of_words(cells: Cells) -> Prints:
    texts = np.empty(len(cells.texts), dtype=object)
    texts[:] = cells.texts
    found = pd.util.hash_array(texts, categorize=False)
    return found if len(found) == 1 else found[cells.codes]


def _of_numbers(values: NDArray[np.float64] | NDArray[np.int64]) -> Prints:
    plain = np.asarray(values, dtype=np.float64) + 0.0  # one zero, not two
    blank = np.isnan(plain)
    if blank.all():
        return pd.util.hash_array(np.array([np.nan]))
    plain[blank] = np.nan
    return pd.util.hash_array(plain)

"""Copies: rows that say in every field what an earlier row says, in the same sheet or in the store."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.sheets.cells import Cells, Floats, combine, first_rows
from pipelines.sheets.converted import Converted
from pipelines.sheets.dates import Dates
from pipelines.sheets.incoming import incoming
from pipelines.sheets.readings import MEASURES, Readings
from pipelines.sheets.table import SheetTable
from wearlab.store.database import Database


@dataclass(frozen=True, slots=True)
class Visits:
    """Row by row: vehicle, date, the figures and texts of the test (by column of `test`), and the notes."""

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
    columns = []
    for mapped in table.match.columns:
        if mapped.column.field == "ignore":
            continue
        whole = vehicle if vehicle is not None and mapped.column.field == "vehicle" else table.cells(mapped)
        columns.append(whole.codes[rows])
    code = combine(columns, len(rows))
    first = first_rows(code)
    copies = np.flatnonzero(first != np.arange(len(rows)))
    if len(copies):
        table.findings.add("duplicate", rows[copies], more=table.place(rows[first[copies]]))


def mark_stored(readings: Readings, made: Converted, protocol: Cells, visits: Visits, database: Database) -> None:
    """Set aside rows whose readings are all in the store already, from one row of another file.

    Vehicle, date, all conditions, measure, protocol, position, value, unit, bound and remark must agree, and the
    repeat number where the sheet states one. (A peak may have become a bound through its remark only.)
    Two rows without any difference are one measurement written down twice.
    """
    place = np.flatnonzero(readings.keep)
    if not len(place) or not database.value("SELECT 1 FROM reading LIMIT 1"):
        return
    row = readings.row[place]
    frame = pd.DataFrame({"row_index": row, "reading_index": place})
    frame["vehicle"] = visits.vehicle.at(row).objects()
    frame["tested_on"] = visits.day[row].astype("datetime64[s]")
    for name, figures in visits.figures.items():
        frame[name] = figures[row]
    for name, texts in visits.texts.items():
        frame[name] = texts.at(row).objects()
    frame["remark"] = visits.notes.at(row).objects()
    frame["duration_s"] = made.duration[place]
    frame["measure"] = [MEASURES[one].value for one in readings.measure[place]]
    frame["protocol"] = protocol.at(place).objects()
    frame["position"] = readings.position.at(place).objects()
    frame["value"] = made.value[place]
    frame["bound"] = made.bound[place]
    frame["stated"] = readings.stated_repeat[place]
    columns = {"row_index": "BIGINT", "reading_index": "BIGINT", "vehicle": "VARCHAR", "tested_on": "DATE"}
    columns |= {"measure": "VARCHAR", "protocol": "VARCHAR", "position": "VARCHAR", "remark": "VARCHAR"}
    columns |= dict.fromkeys((*visits.figures, "duration_s"), "DOUBLE") | dict.fromkeys(visits.texts, "VARCHAR")
    columns |= {"value": "DOUBLE", "bound": "INTEGER", "stated": "INTEGER"}
    same = " AND ".join(f"t.{one} IS NOT DISTINCT FROM i.{one}" for one in (*visits.figures, "duration_s"))
    same += "".join(f" AND coalesce(t.{one}, '') = i.{one}" for one in visits.texts)
    with incoming(database, frame, columns) as name:
        found = database.rows(
            f"""
            WITH long AS (  -- tests of several rows hold the remarks of all of them
                SELECT test_id FROM reading GROUP BY test_id HAVING count(DISTINCT row_no) > 1
            ), hit AS (
                SELECT i.row_index, r.file_id, t.sheet, r.row_no, count(DISTINCT i.reading_index) AS hits
                FROM {name} i
                JOIN reading r USING (vehicle, tested_on, measure, protocol, position)
                JOIN test t USING (test_id)
                LEFT JOIN long l USING (test_id)
                WHERE r.value = i.value AND {same}
                  AND (coalesce(t.note, '') = i.remark OR (l.test_id IS NOT NULL
                       AND (i.remark = '' OR contains('; ' || t.note || '; ', '; ' || i.remark || '; '))))
                  AND (CASE r.bound WHEN 'at_least' THEN 1 WHEN 'at_most' THEN -1 ELSE 0 END = i.bound
                       OR (r.measure = 'pump_peak' AND i.bound = 0))
                  AND (i.stated = 0 OR i.stated = r.repeat)
                GROUP BY ALL
            ), needed AS (SELECT row_index, count(*) AS n FROM {name} GROUP BY ALL),
            held AS (
                SELECT r.file_id, t.sheet, r.row_no, count(*) AS n FROM reading r JOIN test t USING (test_id)
                WHERE (r.file_id, r.row_no) IN (SELECT (file_id, row_no) FROM hit) GROUP BY ALL
            )
            SELECT h.row_index, min('row ' || h.row_no || ' of ' || s.name)
            FROM hit h JOIN needed n ON n.row_index = h.row_index AND n.n = h.hits
            JOIN held d ON d.file_id = h.file_id AND d.row_no = h.row_no AND d.n = h.hits
                 AND d.sheet IS NOT DISTINCT FROM h.sheet
            JOIN source_file s ON s.file_id = h.file_id
            GROUP BY h.row_index ORDER BY h.row_index
            """  # noqa: S608  (a name of our own)
        )
    if found:
        rows = np.array([one[0] for one in found], dtype=np.int64)
        readings.table.findings.add("duplicate", rows, more=[str(one[1]) for one in found])
        readings.keep[np.isin(readings.row, rows)] = False


def mark_held(
    table: SheetTable, frame: pd.DataFrame, target: str, columns: Mapping[str, str], database: Database
) -> None:
    """Set aside rows of a register, log or list of events that another file brought in the same words.

    `frame` holds the live rows with `row_index` and the columns that must all agree with the table `target`.
    """
    if frame.empty or not database.value(f"SELECT 1 FROM {target} LIMIT 1"):  # noqa: S608
        return
    same = " AND ".join(f"t.{column} IS NOT DISTINCT FROM i.{column}" for column in columns)
    with incoming(database, frame, {"row_index": "BIGINT", **columns}) as name:
        found = database.rows(  # the inserted names are our own
            "SELECT i.row_index, min('row ' || t.row_no || ' of ' || coalesce(s.name, 'the notes')) "  # noqa: S608
            f"FROM {name} i JOIN {target} t ON {same} LEFT JOIN source_file s ON s.file_id = t.file_id "
            "GROUP BY i.row_index ORDER BY i.row_index"
        )
    if found:
        rows = np.array([one[0] for one in found], dtype=np.int64)
        table.findings.add("duplicate", rows, more=[str(one[1]) for one in found])

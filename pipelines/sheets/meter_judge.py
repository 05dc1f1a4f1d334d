"""Meter readings judged in the store, after a file came in or went: the same outcome whichever order files come in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from pipelines.sheets.cells import Bools, Floats, Ints
from pipelines.sheets.checks import RULES
from pipelines.sheets.findings import sentence_of, shortened
from pipelines.sheets.incoming import INCOMING, incoming
from pipelines.sheets.meter import Meters, Odd, judge
from pipelines.sheets.questions import question_frame
from pipelines.sheets.table import SheetTable
from wearlab.records import Bucket, WorkKind
from wearlab.store.database import Database

METER_CODES = ("odometer_slip", "odometer_back", "odometer_stuck", "odometer_miles", "odometer_hours")
METER_QUESTIONS = ("meter", "odometer unit")

_ALL = """
    SELECT vehicle, tested_on AS day, odometer_km AS km, file_id, sheet, row_no FROM test WHERE odometer_km IS NOT NULL
    UNION ALL
    SELECT vehicle, read_on, odometer_km, file_id, sheet, row_no FROM odometer_log WHERE odometer_km IS NOT NULL
"""
_PLACE = {"file_id": "INTEGER", "sheet": "VARCHAR", "row_no": "INTEGER"}


def judge_meters(database: Database, vehicles: Sequence[str] | None = None) -> list[str]:
    """Judge the meter readings of vehicles anew: remarks, questions and buckets of their rows follow.

    Call it inside the transaction that stored or removed a file. `vehicles` : keys; None: every vehicle.
    Returns the questions that are open about their meters.
    """
    if vehicles is None:
        vehicles = [row[0] for row in database.rows(f"SELECT DISTINCT vehicle FROM ({_ALL})")]  # noqa: S608
    if not len(vehicles):
        return []
    database.run("CREATE OR REPLACE TEMP TABLE judged_vehicle (vehicle VARCHAR)")
    database.append("judged_vehicle", pd.DataFrame({"vehicle": list(vehicles)}))
    before = _clear(database)
    readings = database.frame(
        "SELECT vehicle, date_diff('day', DATE '1970-01-01', day) AS day, km, file_id, sheet, min(row_no) AS row_no, "  # noqa: S608
        f"count(*) AS n FROM ({_ALL}) JOIN judged_vehicle USING (vehicle) GROUP BY ALL"
    )
    after: list[tuple[int, str | None, int]] = []
    asked: list[str] = []
    if len(readings):
        meters, index = _meters(database, readings)
        found, questions = judge(meters)
        rows = _not_accepted(database, _rows(readings, index, found))
        _write(database, rows)
        after = [(int(row["file_id"]), row["sheet"], int(row["row_no"])) for row, _ in rows]
        asked = [one.sentence for one in questions]
        if questions:
            newest = int(readings["file_id"].max())
            database.append("question", question_frame(questions, newest))
    _buckets(database, sorted({*before, *after}, key=str))
    database.run("DROP TABLE judged_vehicle")
    return asked


def meter_column(table: SheetTable) -> pd.DataFrame:
    """Return where a sheet keeps its odometer, as a row of the store; no row where it has none."""
    mapped = table.one("odometer")
    return pd.DataFrame() if mapped is None else pd.DataFrame({"col_no": [mapped.index + 1], "col_name": [mapped.name]})


def vehicles_in(database: Database, file_id: int) -> list[str]:
    """Return the vehicles whose meter a file speaks of, by a reading or by a change of the meter."""
    return [
        row[0]
        for row in database.rows(
            "SELECT vehicle FROM test WHERE file_id = ? UNION SELECT vehicle FROM odometer_log WHERE file_id = ? UNION "
            "SELECT vehicle FROM work WHERE file_id = ? AND kind = 'meter_change' AND vehicle IS NOT NULL",
            [file_id, file_id, file_id],
        )
    ]


def _clear(database: Database) -> list[tuple[int, str | None, int]]:
    """Forget earlier judgements on the vehicles; return the rows they were on."""
    codes = ", ".join(f"'{code}'" for code in METER_CODES)
    kinds = ", ".join(f"'{kind}'" for kind in METER_QUESTIONS)
    database.run(f"DELETE FROM question WHERE kind IN ({kinds}) AND subject IN (SELECT vehicle FROM judged_vehicle)")  # noqa: S608
    if not database.value(f"SELECT 1 FROM remark WHERE code IN ({codes}) LIMIT 1"):  # noqa: S608
        return []
    database.run(
        "CREATE OR REPLACE TEMP TABLE judged_row AS SELECT DISTINCT m.file_id, m.sheet, m.row_no FROM remark m "  # noqa: S608
        f"JOIN ({_ALL}) a ON a.file_id = m.file_id AND a.row_no = m.row_no AND a.sheet IS NOT DISTINCT FROM m.sheet "
        f"JOIN judged_vehicle USING (vehicle) WHERE m.code IN ({codes})"
    )
    found = database.rows("SELECT file_id, sheet, row_no FROM judged_row")
    database.run(
        f"DELETE FROM remark WHERE code IN ({codes}) AND EXISTS (SELECT 1 FROM judged_row j WHERE "  # noqa: S608
        "j.file_id = remark.file_id AND j.row_no = remark.row_no AND j.sheet IS NOT DISTINCT FROM remark.sheet)"
    )
    database.run("DROP TABLE judged_row")
    return [(int(file), sheet, int(row)) for file, sheet, row in found]


def _meters(database: Database, readings: pd.DataFrame) -> tuple[Meters, Ints]:
    """Distinct readings a vehicle, meter and day in order; `index` leads from a row of `readings` to its place."""
    vehicle, names = pd.factorize(readings["vehicle"])
    frame = pd.DataFrame(
        {"vehicle": vehicle, "when": readings["day"].to_numpy(np.int64), "km": readings["km"].to_numpy(np.float64)}
    )
    frame["own"], frame["n"], frame["meter"] = True, readings["n"].to_numpy(np.int64), 0
    changes = database.rows(
        "SELECT w.vehicle, date_diff('day', DATE '1970-01-01', w.done_on), w.meter_before_km, w.meter_after_km "
        "FROM work w JOIN judged_vehicle USING (vehicle) WHERE w.kind = ? ORDER BY w.vehicle, w.done_on",
        [WorkKind.METER_CHANGE.value],
    )
    place = {name: number for number, name in enumerate(names)}
    stated: list[dict[str, Any]] = []
    count: dict[int, int] = {}
    for name, day, old, new in changes:
        if name not in place:
            continue
        number = place[name]
        own = frame["vehicle"].to_numpy() == number
        when, km = frame["when"].to_numpy(), frame["km"].to_numpy()
        later = own & ((when > day) | ((when == day) & _on_new(km, old, new)))
        frame.loc[later, "meter"] += 1
        before = count.get(number, 0)
        count[number] = before + 1
        for shown, meter in ((old, before), (new, before + 1)):
            if shown is not None:
                stated.append({"vehicle": number, "when": day, "km": shown, "own": False, "n": 1, "meter": meter})
    size = len(frame)
    if stated:
        frame = pd.concat([frame, pd.DataFrame(stated).astype(dict(frame.dtypes))], ignore_index=True)
    support = frame.groupby(["vehicle", "km"], sort=False)["n"].transform("sum").to_numpy(np.int64)
    widest = int(frame["meter"].max()) + 1
    key = frame["vehicle"].to_numpy(np.int64) * widest + frame["meter"].to_numpy(np.int64)
    order = np.lexsort((frame["km"], frame["when"], key))
    when, km = frame["when"].to_numpy()[order], frame["km"].to_numpy()[order]
    fresh = np.ones(len(order), dtype=np.bool_)
    fresh[1:] = (np.diff(key[order]) != 0) | (np.diff(when) != 0) | (np.diff(km) != 0)
    at = np.cumsum(fresh) - 1
    index = np.empty(len(order), dtype=np.int64)
    index[order] = at
    distinct = np.flatnonzero(fresh)
    own = np.zeros(len(distinct), dtype=np.bool_)
    np.logical_or.at(own, at, frame["own"].to_numpy(np.bool_)[order])
    codes, code = np.unique(key[order][distinct], return_inverse=True)
    meters = Meters(
        code.astype(np.int64), when[distinct], km[distinct], own, support[order][distinct],
        [str(names[one // widest]) for one in codes],
    )  # fmt: skip
    if meters.suspects():
        meters.hours = _hours(database, meters)
    return meters, index[:size]


def _on_new(km: Floats, old: float | None, new: float | None) -> Bools:
    """Whether a reading of the day of the change was taken from the new meter."""
    if old is not None:
        return np.asarray(np.abs(km - old) > np.abs(km - (0.0 if new is None else new)), dtype=np.bool_)
    return np.asarray(km <= (0.0 if new is None else new) + 1000.0, dtype=np.bool_)


def _hours(database: Database, meters: Meters) -> dict[int, list[tuple[int, float]]]:
    found: dict[str, list[tuple[int, float]]] = {}
    for name, day, hours in database.rows(
        "SELECT vehicle, date_diff('day', DATE '1970-01-01', day), hours FROM ("
        "SELECT vehicle, tested_on AS day, engine_hours AS hours FROM test UNION "
        "SELECT vehicle, read_on, engine_hours FROM odometer_log) JOIN judged_vehicle USING (vehicle) "
        "WHERE hours IS NOT NULL ORDER BY ALL"
    ):
        found.setdefault(name, []).append((int(day), float(hours)))
    return {code: found[name] for code, name in enumerate(meters.names) if name in found}


def _rows(readings: pd.DataFrame, index: Ints, found: list[Odd]) -> list[tuple[dict[str, Any], Odd]]:
    """Rows of files, with what was found on them: in each file the first row that says so."""
    odd = {one.place: one for one in found}
    rows = np.flatnonzero(np.isin(index, list(odd)))
    chosen = []
    for record, row in zip(readings.iloc[rows].to_dict("records"), rows.tolist(), strict=True):
        values = {str(name): value for name, value in record.items()}
        values["sheet"] = values["sheet"] if isinstance(values["sheet"], str) else None
        chosen.append((values, odd[int(index[row])]))
    return chosen


def _not_accepted(database: Database, rows: list[tuple[dict[str, Any], Odd]]) -> list[tuple[dict[str, Any], Odd]]:
    """Leave out what a person accepted as it is."""
    accepted = set(
        database.rows(
            "SELECT s.file_id, d.sheet, d.row_no, d.code FROM decision d JOIN source_file s USING (sha256) "
            "GROUP BY ALL HAVING arg_max(d.decision, d.decided_at) = 'accept'"
        )
    )
    if not accepted:
        return rows
    return [
        (row, odd)
        for row, odd in rows
        if (int(row["file_id"]), row["sheet"], int(row["row_no"]), odd.code) not in accepted
    ]


def _write(database: Database, rows: list[tuple[dict[str, Any], Odd]]) -> None:
    if not rows:
        return
    frame = pd.DataFrame({name: [row[name] for row, _ in rows] for name in _PLACE})
    frame["number"] = np.arange(len(frame))
    with incoming(database, frame, _PLACE | {"number": "INTEGER"}):
        texts = database.rows(
            "SELECT i.number, c.col_no, c.col_name, w.cells[c.col_no], EXISTS (SELECT 1 FROM remark a WHERE "  # noqa: S608
            "a.file_id = i.file_id AND a.sheet IS NOT DISTINCT FROM i.sheet AND a.row_no = i.row_no "
            "AND a.col_no = c.col_no AND a.code = 'accepted') "
            f"FROM {INCOMING} i LEFT JOIN meter_column c "
            "ON c.file_id = i.file_id AND c.sheet IS NOT DISTINCT FROM i.sheet "
            "LEFT JOIN raw_row w ON w.file_id = i.file_id AND w.sheet IS NOT DISTINCT FROM i.sheet "
            "AND w.row_no = i.row_no"
        )
    made = []
    for number, column, header, cell, accepted in texts:
        if accepted:  # a person said that the meter did show this
            continue
        row, odd = rows[number]
        text = f"{row['km']:g} km" if cell is None else cell.strip()
        rule = RULES[odd.code]
        made.append(
            {
                **{one: row[one] for one in _PLACE},
                "col_no": column,
                "col_name": header,
                "level": rule.level.value,
                "code": odd.code,
                "sentence": sentence_of(rule, text, header or "", odd.more),
                "cell": shortened(text, 200),
                "suggestion": odd.suggestion,
            }
        )
    if made:
        database.append("remark", pd.DataFrame(made))


def _buckets(database: Database, places: Sequence[tuple[int, str | None, int]]) -> None:
    """Rows are flagged or accepted again after their remarks changed, and the accounts of their files follow."""
    if not places:
        return
    frame = pd.DataFrame(places, columns=list(_PLACE))
    both = f"'{Bucket.ACCEPTED}', '{Bucket.FLAGGED}'"
    with incoming(database, frame, _PLACE):
        database.run(
            "CREATE OR REPLACE TEMP TABLE judged_bucket AS SELECT i.file_id, i.sheet, i.row_no, "  # noqa: S608
            f"CASE WHEN count(m.code) > 0 THEN '{Bucket.FLAGGED}' ELSE '{Bucket.ACCEPTED}' END AS bucket "
            f"FROM {INCOMING} i LEFT JOIN remark m ON m.file_id = i.file_id AND m.sheet IS NOT DISTINCT FROM i.sheet "
            "AND m.row_no = i.row_no AND m.level IN ('flag', 'cell') GROUP BY ALL"
        )
    database.run(
        "UPDATE raw_row SET bucket = j.bucket FROM judged_bucket j WHERE raw_row.file_id = j.file_id "  # noqa: S608
        f"AND raw_row.sheet IS NOT DISTINCT FROM j.sheet AND raw_row.row_no = j.row_no AND raw_row.bucket IN ({both}) "
        "AND raw_row.bucket <> j.bucket"
    )
    database.run(
        "UPDATE source_file SET rows_read = n.rows_read, structure = n.structure, accepted = n.accepted, "  # noqa: S608
        "flagged = n.flagged, set_aside = n.set_aside FROM (SELECT file_id, count(*) AS rows_read, "
        f"count(*) FILTER (bucket = '{Bucket.STRUCTURE}') AS structure, "
        f"count(*) FILTER (bucket = '{Bucket.SET_ASIDE}') AS set_aside, "
        f"count(*) FILTER (bucket = '{Bucket.ACCEPTED}') AS accepted, "
        f"count(*) FILTER (bucket = '{Bucket.FLAGGED}') AS flagged FROM raw_row "
        "WHERE file_id IN (SELECT file_id FROM judged_bucket) GROUP BY file_id) n WHERE source_file.file_id = n.file_id"
    )
    database.run("DROP TABLE judged_bucket")

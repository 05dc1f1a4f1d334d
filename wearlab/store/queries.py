"""The questions the commands ask the store, each one named query with parameters."""

from __future__ import annotations

from datetime import date
from typing import Any

from wearlab.errors import UnknownName
from wearlab.records import vehicle_key
from wearlab.store.database import Database

_REGISTER_NOW = """
    SELECT vehicle,
           last(vehicle_text ORDER BY valid_from NULLS FIRST, sha256, row_no) AS vehicle_text,
           last(family ORDER BY valid_from NULLS FIRST, sha256, row_no)
               FILTER (family IS NOT NULL) AS family,
           last(cylinders ORDER BY valid_from NULLS FIRST, sha256, row_no)
               FILTER (cylinders IS NOT NULL) AS cylinders,
           last(depot ORDER BY valid_from NULLS FIRST, sha256, row_no) FILTER (depot IS NOT NULL) AS depot,
           last(duty ORDER BY valid_from NULLS FIRST, sha256, row_no) FILTER (duty IS NOT NULL) AS duty,
           last(fuel_supply ORDER BY valid_from NULLS FIRST, sha256, row_no)
               FILTER (fuel_supply IS NOT NULL) AS fuel_supply,
           max(in_service) AS in_service, max(odometer_start_km) AS odometer_start_km,
           bool_or(original_parts) AS original_parts,
           max(warranty_until) AS warranty_until, max(leaves_on) AS leaves_on
    FROM register LEFT JOIN source_file USING (file_id) WHERE valid_from IS NULL OR valid_from <= ? GROUP BY vehicle
"""


def vehicles(db: Database, as_of: date) -> list[dict[str, Any]]:
    """Every vehicle that is registered, tested, worked on or logged, with what the register says as of a date."""
    return db.records(
        f"""
        WITH known AS (
            SELECT vehicle FROM register UNION SELECT vehicle FROM test UNION SELECT vehicle FROM odometer_log
            UNION SELECT vehicle FROM work WHERE vehicle IS NOT NULL
        ), now AS ({_REGISTER_NOW})
        SELECT k.vehicle, n.* EXCLUDE (vehicle) FROM known k LEFT JOIN now n ON n.vehicle = k.vehicle
        ORDER BY k.vehicle
        """,  # noqa: S608  (the inserted text is the constant above)
        [as_of],
    )


def one_vehicle(db: Database, text: str, as_of: date) -> dict[str, Any]:
    """The vehicle written as `text`, by its key or one of its aliases.

    Raises
    ------
    UnknownName
        No sheet names such a vehicle; the sentence lists close ones.
    """
    key = vehicle_key(text)
    found = {row["vehicle"]: row for row in vehicles(db, as_of)}
    if key in found:
        return found[key]
    alias = db.value("SELECT vehicle FROM register WHERE alias = ? ORDER BY valid_from DESC LIMIT 1", [key])
    if alias in found:
        return found[alias]
    near = [
        row[0]
        for row in db.rows(
            "SELECT v FROM (SELECT unnest(?::VARCHAR[]) AS v) WHERE levenshtein(v, ?) <= 2 "
            "ORDER BY levenshtein(v, ?), v LIMIT 3",
            [list(found), key, key],
        )
    ]
    hint = f"did you mean {' or '.join(near)}?" if near else 'see "wearlab readings" for the vehicles there are'
    raise UnknownName(f'no sheet names a vehicle "{text}": {hint}')


def readings(
    db: Database,
    *,
    vehicle: str | None = None,
    measure: str | None = None,
    since: date | None = None,
    until: date | None = None,
) -> list[dict[str, Any]]:
    """Readings with the part they belong to, in the order of date, test, position and repeat."""
    wanted, values = _wanted(
        ("r.vehicle = ?", vehicle), ("r.measure = ?", measure), ("r.tested_on >= ?", since), ("r.tested_on <= ?", until)
    )
    return db.records(
        f"""
        SELECT r.vehicle, r.tested_on AS date, t.odometer_km, r.position, f.part, r.measure, r.protocol, r.repeat,
               r.value, r.unit, r.bound, r.resolution, r.quality, s.name AS file, r.row_no AS row,
               r.level, r.use, r.value_text, r.unit_text, r.channel, r.serial, t.sheet, t.duration_s, t.rail_bar,
               t.fuel_temp_c, t.rig, r.test_id, r.col_no AS "column"
        FROM reading r
        JOIN test t USING (test_id)
        JOIN source_file s ON s.file_id = r.file_id
        LEFT JOIN fitted f ON f.test_id = r.test_id AND f.position = r.position
        WHERE {wanted}
        ORDER BY r.vehicle, r.tested_on, s.name, r.row_no, r.test_id, r.col_no
        """,  # noqa: S608
        values,
    )


def files(db: Database) -> list[dict[str, Any]]:
    """The account of every loaded file, in the order of loading."""
    return db.records(
        """
        SELECT name AS file, layout, kind, loaded_at, rows_read, structure, accepted, flagged, set_aside,
               cells_set_aside, readings FROM source_file ORDER BY file_id
        """
    )


def open_questions(db: Database) -> list[dict[str, Any]]:
    """Questions that nobody has answered yet."""
    return db.records(
        """
        SELECT q.question_id, q.kind, q.subject, any_value(q.sentence) AS sentence, sum(q.readings)::BIGINT AS readings
        FROM question q LEFT JOIN answer a USING (question_id)
        WHERE a.question_id IS NULL GROUP BY ALL ORDER BY q.kind, q.subject
        """
    )


def tests(db: Database, vehicle: str, until: date) -> list[dict[str, Any]]:
    """Every test of a vehicle up to a date, with all its conditions.

    One that another file says again in full is left out.
    """
    return db.records(
        """
        SELECT t.*, s.name AS file FROM test t JOIN source_file s USING (file_id)
        WHERE t.vehicle = ? AND t.tested_on <= ? AND NOT t.said_again ORDER BY t.tested_on, s.name, t.row_no
        """,
        [vehicle, until],
    )


def work(db: Database, *, vehicle: str | None = None, until: date | None = None) -> list[dict[str, Any]]:
    """Work and events, of one vehicle or of all, in the order of date."""
    wanted, values = _wanted(("w.vehicle = ?", vehicle), ("w.done_on <= ?", until))
    return db.records(
        f"""
        SELECT w.*, coalesce(s.name, 'entered by hand') AS file
        FROM work w LEFT JOIN source_file s USING (file_id)
        WHERE {wanted}
        ORDER BY w.done_on, file, w.row_no
        """,  # noqa: S608
        values,
    )


def _wanted(*conditions: tuple[str, Any]) -> tuple[str, list[Any]]:
    """The conditions whose value is given, as SQL, and these values: one that may be left open is looked up nowhere."""
    given = [(words, value) for words, value in conditions if value is not None]
    return " AND ".join(words for words, _value in given) or "TRUE", [value for _words, value in given]

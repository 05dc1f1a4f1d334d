"""Tests of one visit beside each other: one that says all of another and more completes it.

Two rows of two files that agree in all that both say are one measurement, written down twice, the second time with
more: both are kept, the poorer one is marked and does not count twice. In one file the second row was measured on
purpose: it is a repeat, and the poorer one is only marked. The outcome depends on what the tests say alone, so it
is the same in whichever order their files came in.
"""

from __future__ import annotations

import pandas as pd

from pipelines.sheets.checks import RULES
from pipelines.sheets.vocabulary import LONGEST_REMARK, flat
from wearlab.records import Use
from wearlab.store.database import Database

#: What a test may say beside its readings; where both say it they must agree.
_SAID = (
    "odometer_km", "engine_hours", "duration_s", "rail_bar", "speed_rpm", "fuel_temp_c", "temp_kind",
    "injectors_connected", "back_pressure_bar", "metering_valve", "volume_ml", "rise_to_bar", "battery_v",
    "supply_bar", "supply_note", "rig", "technician", "reason", "complaint", "fault_codes",
)  # fmt: skip
#: A visit with more tests than this of one measure and protocol is no visit; its tests are not compared.
TESTS_MOST = 200
#: A remark with one of these says that the row was measured again (English, German, French, Spanish, Italian,
#: Dutch, Polish; a part of a word is enough).
_AGAIN = (
    "repeat", "again", "second", "2nd", "retest", "re-test", "wiederh", "zweite", "nochmal", "erneut", "repet",
    "encore", "deuxieme", "otra vez", "segund", "ripet", "di nuovo", "herhal", "opnieuw", "nogmaals", "tweede",
    "powtor", "ponown", "drugi",
)  # fmt: skip


def watch_visits(database: Database) -> None:
    """Begin to gather the visits whose tests are to be compared; call `mark_completed` at the end."""
    database.run("CREATE OR REPLACE TEMP TABLE changed_visit (vehicle VARCHAR, day DATE)")


def changed_visits(database: Database, file_id: int) -> None:
    """Say that the visits of which a file speaks are changing."""
    database.run(
        "INSERT INTO changed_visit SELECT vehicle, day FROM touched WHERE file_id = ? AND day IS NOT NULL", [file_id]
    )


def mark_completed(database: Database) -> None:
    """Compare the tests of the visits that changed. Call it inside the transaction that changed them."""
    database.run("CREATE OR REPLACE TEMP TABLE seen_visit AS SELECT DISTINCT vehicle, day FROM changed_visit")
    database.run(
        f"""
        CREATE OR REPLACE TEMP TABLE seen_test AS
        WITH several AS (
            SELECT t.vehicle, t.tested_on, t.measure, t.protocol FROM test t
            JOIN seen_visit v ON v.vehicle = t.vehicle AND v.day = t.tested_on
            GROUP BY ALL HAVING count(*) BETWEEN 2 AND {TESTS_MOST}
        )
        SELECT t.*, s.sha256, s.name FROM test t JOIN several USING (vehicle, tested_on, measure, protocol)
        JOIN source_file s USING (file_id)
        """  # noqa: S608  (the inserted number is our own)
    )
    _forget(database)
    if database.value("SELECT 1 FROM seen_test LIMIT 1"):
        _mark(database, _chosen(_pairs(database)))
    for table in ("changed_visit", "seen_visit", "seen_test"):
        database.run(f"DROP TABLE {table}")


def _forget(database: Database) -> None:
    """Take back what was said of these visits before."""
    database.run(
        "CREATE OR REPLACE TEMP TABLE marked_test AS SELECT t.test_id, t.file_id, t.sheet, t.row_no FROM test t "
        "JOIN seen_visit v ON v.vehicle = t.vehicle AND v.day = t.tested_on WHERE t.completed_by IS NOT NULL"
    )
    if database.value("SELECT 1 FROM marked_test LIMIT 1"):
        database.run(
            "UPDATE reading SET use = use_alone, use_alone = NULL WHERE use_alone IS NOT NULL "
            "AND test_id IN (SELECT test_id FROM marked_test)"
        )
        database.run(
            "DELETE FROM remark WHERE code = 'completed' AND EXISTS (SELECT 1 FROM marked_test m WHERE "
            "m.file_id = remark.file_id AND m.row_no = remark.row_no AND m.sheet IS NOT DISTINCT FROM remark.sheet)"
        )
        database.run(
            "UPDATE test SET completed_by = NULL, said_again = FALSE WHERE test_id IN (SELECT test_id FROM marked_test)"
        )
    database.run("DROP TABLE marked_test")


def _pairs(database: Database) -> pd.DataFrame:
    """Tests a that a test b of the same visit says again, with how much b says more."""
    agree = " AND ".join(f"(a.{one} IS NULL OR a.{one} = b.{one})" for one in _SAID)
    known = " + ".join(f"(a.{one} IS NOT NULL)::INTEGER" for one in _SAID)
    return database.frame(
        f"""
        WITH told AS (
            SELECT test_id, list(DISTINCT [position, value::VARCHAR, unit, coalesce(bound, '')]) AS readings,
                   list(DISTINCT [position, stated::VARCHAR]) FILTER (stated IS NOT NULL) AS stated, count(*) AS n
            FROM reading WHERE test_id IN (SELECT test_id FROM seen_test) GROUP BY test_id
        ), full_test AS (
            SELECT a.*, coalesce(t.readings, []) AS readings, coalesce(t.n, 0) AS n, coalesce(t.stated, []) AS stated,
                   {known} AS known
            FROM seen_test a LEFT JOIN told t USING (test_id)
        )
        SELECT a.test_id AS poor, b.test_id AS rich, a.file_id <> b.file_id AS apart, b.n, b.known, b.sha256,
               b.row_no, b.name, b.note, a.note AS poor_note, len(b.readings) > len(a.readings) AS more_readings,
               b.known > a.known AS more_known, a.sha256 AS poor_sha256, a.row_no AS poor_row
        FROM full_test a JOIN full_test b ON a.vehicle = b.vehicle AND a.tested_on = b.tested_on
             AND a.measure = b.measure AND a.protocol = b.protocol AND a.test_id <> b.test_id
        WHERE list_has_all(b.readings, a.readings) AND {agree}
          AND (a.note IS NULL OR contains(coalesce(b.note, ''), a.note))
          AND (len(a.stated) = 0 OR len(b.stated) = 0 OR list_has_all(b.stated, a.stated))
        """  # noqa: S608  (the inserted names are our own)
    )


def _chosen(pairs: pd.DataFrame) -> pd.DataFrame:
    """For each poorer test the one that completes it: of those that say more, the fullest."""
    if pairs.empty:
        return pairs
    notes = pairs["note"].fillna("")
    lines = {text: flat(str(text)[:LONGEST_REMARK]) for text in notes.unique()}
    again = notes.map({text: any(word in line for word in _AGAIN) for text, line in lines.items()})
    again &= pairs["note"].fillna("") != pairs["poor_note"].fillna("")
    more_note = pairs["note"].notna() & (pairs["note"].fillna("") != pairs["poor_note"].fillna(""))
    more = pairs["more_readings"] | pairs["more_known"] | more_note
    # of two that say the same, in sheets of another form, the one of the lower content hash stands
    first = (pairs["sha256"] < pairs["poor_sha256"]) & pairs["apart"]
    kept = pairs[(pairs["apart"] & ~again & (more | first)) | (~pairs["apart"] & pairs["more_readings"])]
    kept = kept.sort_values(
        ["poor", "apart", "n", "known", "sha256", "row_no"], ascending=[True, False, False, False, True, True]
    )
    return kept.drop_duplicates("poor")


def _mark(database: Database, chosen: pd.DataFrame) -> None:
    if chosen.empty:
        return
    database.run(
        "CREATE OR REPLACE TEMP TABLE poor_test "
        "(poor VARCHAR, rich VARCHAR, apart BOOLEAN, row_no INTEGER, name VARCHAR)"
    )
    database.append("poor_test", chosen[["poor", "rich", "apart", "row_no", "name"]])
    database.run(
        "UPDATE test SET completed_by = p.rich, said_again = p.apart FROM poor_test p WHERE test.test_id = p.poor"
    )
    database.run(
        "UPDATE reading SET use_alone = use, use = ? FROM poor_test p WHERE reading.test_id = p.poor AND p.apart",
        [Use.SHOW.value],
    )
    rule = RULES["completed"]
    database.run(
        "INSERT INTO remark (file_id, sheet, row_no, level, code, sentence) "
        "SELECT t.file_id, t.sheet, t.row_no, ?, ?, replace(?, '{more}', 'Row ' || p.row_no || ' of ' || p.name) "
        "FROM poor_test p JOIN test t ON t.test_id = p.poor ORDER BY ALL",
        [rule.level.value, rule.code, rule.sentence],
    )
    database.run("DROP TABLE poor_test")

"""The store's own rules as data: what must be unique, what must exist, what must add up; each with what to do.

The big tables carry no keys of DuckDB (they would slow a load fourfold), so `check` asks for them here. What DuckDB
itself holds to (the hash of a file and the number of a run stand once, an account adds up) is not asked again.
"""

from __future__ import annotations

from dataclasses import dataclass

RESTORE = "restore a backup; what was loaded since can be loaded again"
RELOAD = 'make the file again from its kept rows with "wearlab reload FILE"; if that does not help, restore a backup'
LIVES = 'run "wearlab reload" on any file, which follows all parts anew'


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule that holds while `sql` finds nothing; its first column names the place of each case.

    `derived` : of tables made from the facts, which may lag behind them until the next command makes them anew.
    """

    name: str
    sql: str
    broken: str
    advice: str
    derived: bool = False


def _unique(table: str, columns: str, where: str, advice: str, only: str = "TRUE") -> Rule:
    # names of tables and columns are the constants below
    sql = f"SELECT {where} FROM {table} WHERE {only} GROUP BY {columns} HAVING count(*) > 1"  # noqa: S608
    return Rule(f"unique {table}", sql, f"stands more than once in {table}", advice)


def _exists(child: str, column: str, parent: str, advice: str, key: str = "", *, derived: bool = False) -> Rule:
    key = key or column
    sql = (
        f"SELECT '{column} ' || c.{column} FROM {child} c ANTI JOIN {parent} p ON p.{key} = c.{column} "  # noqa: S608
        f"WHERE c.{column} IS NOT NULL AND c.{column}::VARCHAR <> '0' GROUP BY c.{column}"
    )
    return Rule(f"{child} of {parent}", sql, f"is named in {child} and not there in {parent}", advice, derived)


#: tables whose rows came from a file (file_id null: entered by hand, 0: a question on a file that was refused)
OF_FILES = (
    "raw_row", "raw_sheet", "raw_type", "touched", "row_print", "remark", "question", "register", "rig_register",
    "test", "reading", "work", "odometer_log", "meter_column", "planned_visit", "stock",
)  # fmt: skip
#: tables whose rows belong to a run
OF_RUNS = (
    "forecast", "wear_group", "wear_effect", "part_state", "part_path", "wear_gross", "hindsight", "recalibration",
    "signal", "signal_run", "verdict",
)  # fmt: skip

_FILE = "(SELECT name FROM source_file s WHERE s.file_id = any_value(t.file_id))"

_ACCOUNT = """
    SELECT s.name FROM source_file s LEFT JOIN (
        SELECT file_id, count(*) AS n, count(*) FILTER (bucket = 'structure') AS structure,
               count(*) FILTER (bucket = 'accepted') AS accepted, count(*) FILTER (bucket = 'flagged') AS flagged,
               count(*) FILTER (bucket = 'set_aside') AS set_aside
        FROM raw_row GROUP BY file_id
    ) r USING (file_id)
    WHERE s.rows_read <> coalesce(r.n, 0) OR s.structure <> coalesce(r.structure, 0)
       OR s.accepted <> coalesce(r.accepted, 0) OR s.flagged <> coalesce(r.flagged, 0)
       OR s.set_aside <> coalesce(r.set_aside, 0)
"""
_READINGS = """
    SELECT s.name FROM source_file s LEFT JOIN (SELECT file_id, count(*) AS n FROM reading GROUP BY file_id) r
    USING (file_id) WHERE s.readings <> coalesce(r.n, 0)
"""
_UNSAID = """
    SELECT s.name || ' row ' || w.row_no FROM raw_row w JOIN source_file s USING (file_id)
    ANTI JOIN remark r ON r.file_id = w.file_id AND r.row_no = w.row_no AND r.sheet IS NOT DISTINCT FROM w.sheet
    WHERE w.bucket IN ('set_aside', 'flagged')
"""
_ROWLESS = """
    SELECT s.name || ' row ' || r.row_no FROM reading r JOIN test t USING (test_id)
    JOIN source_file s ON s.file_id = r.file_id
    ANTI JOIN raw_row w ON w.file_id = r.file_id AND w.row_no = r.row_no AND w.sheet IS NOT DISTINCT FROM t.sheet
        AND w.bucket IN ('accepted', 'flagged')
"""
_OTHERWISE = """
    SELECT 'test ' || r.test_id FROM reading r JOIN test t USING (test_id)
    WHERE r.vehicle <> t.vehicle OR r.vehicle = '' OR r.file_id <> t.file_id OR r.tested_on <> t.tested_on
       OR r.measure <> t.measure OR r.protocol <> t.protocol GROUP BY r.test_id
"""
_VERSIONS = """
    SELECT f.rule || ' version ' || f.limit_version FROM (
        SELECT DISTINCT rule, limit_version FROM forecast WHERE limit_version IS NOT NULL
        UNION SELECT DISTINCT rule, limit_version FROM verdict
    ) f ANTI JOIN limit_rule l ON l.name = f.rule AND l.version = f.limit_version
"""
_NUMBERS = """
    SELECT used.name || ' at ' || used.top FROM (
        SELECT 'file_ids' AS name, max(file_id) AS top FROM source_file UNION ALL
        SELECT 'run_ids', max(run_id) FROM run UNION ALL
        SELECT 'note_ids', max(row_no) FROM work WHERE file_id IS NULL
    ) used JOIN duckdb_sequences() q ON q.sequence_name = used.name
    WHERE used.top IS NOT NULL AND used.top > coalesce(q.last_value, 0)
"""

RULES: tuple[Rule, ...] = (
    Rule("account of rows", _ACCOUNT, "does not add up (its rows by kind are not the rows read)", RELOAD),
    Rule("account of readings", _READINGS, "has another number of readings than its account says", RELOAD),
    Rule("reasons", _UNSAID, "is flagged or set aside without a reason", RELOAD),
    Rule("rows of readings", _ROWLESS, "has a reading and is no accepted or flagged row", RELOAD),
    Rule("readings like their test", _OTHERWISE, "has readings of another vehicle, day, file or measure", RELOAD),
    _unique("raw_row t", "file_id, sheet, row_no", f"{_FILE} || ' row ' || row_no", RELOAD),
    _unique("test t", "test_id", "'test ' || test_id", RELOAD),
    _unique(
        "reading t",
        "test_id, position, repeat, row_no, col_no",
        "'test ' || test_id || ' position ' || position",
        RELOAD,
    ),
    _unique("raw_sheet t", "file_id, place", f"{_FILE} || ' sheet ' || place", RELOAD),
    _unique("signal_run t", "run_id", "'run ' || run_id", RESTORE),
    _unique("work t", "row_no", "'note ' || row_no", RESTORE, "file_id IS NULL"),
    _exists("reading", "test_id", "test", RELOAD),
    _exists("test", "completed_by", "test", RELOAD, "test_id"),
    *(_exists(table, "file_id", "source_file", RESTORE) for table in OF_FILES),
    *(_exists(table, "run_id", "run", RESTORE) for table in OF_RUNS),
    Rule("limits of forecasts", _VERSIONS, "is a limit that forecasts name and no rule in limit_rule", RESTORE),
    Rule("numbers still to give", _NUMBERS, "would be given twice", RESTORE),
    _exists("fitted", "test_id", "test", LIVES, derived=True),
    _exists("fitted", "part", "fitment", LIVES, derived=True),
)

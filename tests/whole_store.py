"""All that a store holds, as values to compare: without the numbers of files, times, and what only counts up."""

from __future__ import annotations

from typing import Any

from wearlab.store.database import Database

Whole = dict[str, list[tuple[Any, ...]]]

#: Of a run, of the schema, or entered in the order of time: not made of sheets.
NOT_OF_SHEETS = {
    "meta", "run", "forecast", "verdict", "limit_rule", "acknowledgement",
    "wear_group", "wear_effect", "part_state", "part_path", "wear_gross", "hindsight", "recalibration",
    "signal", "signal_run",
}  # fmt: skip


def whole(database: Database, *, every: bool = False) -> Whole:
    """Return the rows of every table, sorted; a file's number is replaced by its content hash.

    `every` : also numbers and times as they are, and the tables that are not made of sheets.
    """
    columns: dict[str, list[str]] = {}
    for table, column in database.rows(
        "SELECT table_name, column_name FROM duckdb_columns() JOIN duckdb_tables() USING (table_oid, table_name) "
        "WHERE NOT temporary ORDER BY table_name, column_index"
    ):
        columns.setdefault(table, []).append(column)
    found: Whole = {}
    for table, names in columns.items():
        if every:
            found[table] = database.rows(f"SELECT * FROM {table} ORDER BY ALL")  # noqa: S608
            continue
        if table in NOT_OF_SHEETS:
            continue
        told = [f't."{name}"' for name in names if name not in {"file_id", "loaded_at", "answered_at", "decided_at"}]
        source = f"{table} t"
        if "file_id" in names and table != "source_file":
            # questions on meters stand with one of the files that gave rise to them
            told += [] if table == "question" else ["s.sha256"]
            source += " LEFT JOIN source_file s USING (file_id)"
        found[table] = database.rows(f"SELECT {', '.join(told)} FROM {source} ORDER BY ALL")  # noqa: S608
    return found


def adds_up(database: Database) -> None:
    """Every file's account and every row's bucket agree, and no row belongs to a file that is gone."""
    for file_id, read, *parts in database.rows(
        "SELECT file_id, rows_read, structure, accepted, flagged, set_aside FROM source_file"
    ):
        assert read == sum(parts)
        buckets = dict(
            database.rows("SELECT bucket, count(*) FROM raw_row WHERE file_id = ? GROUP BY bucket", [file_id])
        )
        names = ("structure", "accepted", "flagged", "set_aside")
        assert [buckets.get(name, 0) for name in names] == parts
        kept = database.value("SELECT count(*) FROM reading WHERE file_id = ?", [file_id])
        assert kept == database.value("SELECT readings FROM source_file WHERE file_id = ?", [file_id])
    for table in ("raw_row", "remark", "test", "reading", "touched", "row_print", "raw_sheet", "register"):
        gone = f"SELECT count(*) FROM {table} WHERE file_id NOT IN (SELECT file_id FROM source_file)"  # noqa: S608
        assert database.value(gone) == 0, table

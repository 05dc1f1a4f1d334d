"""A store looked through against its own rules; nothing is changed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from wearlab.errors import StoreError
from wearlab.store.database import Database, open_database
from wearlab.store.names import quoted
from wearlab.store.rules import RESTORE, RULES, Rule

#: so many places of one kind are named
NAMED = 5


@dataclass(frozen=True, slots=True)
class Finding:
    """What is wrong, where and what to do. `cases` : how many there are, of which `where` names the first."""

    rule: str
    where: str
    what: str
    advice: str
    cases: int = 1

    @property
    def sentence(self) -> str:
        """All of it as one sentence."""
        return f"{self.where} {self.what}: {self.advice}"


@dataclass(frozen=True, slots=True)
class Looked:
    """Tables and rows that were read through, and what was found wrong with them."""

    tables: int
    rows: int
    findings: tuple[Finding, ...]


def look_through(
    database: Database, fresh: Callable[[], bool] = lambda: True, *, say: Callable[[str], None] | None = None
) -> Looked:
    """Read every table through to its last value, then ask every rule.

    Parameters
    ----------
    fresh : asked once all could be read: whether the tables made from the facts are up to date; only then their rules
        are asked too.
    say : told of each table.
    """
    told = say or (lambda text: None)
    findings = list(_form(database))
    rows = 0
    tables = _tables(database)
    damaged = []
    for table in tables:
        told(f"reading {table}")
        try:
            rows += _through(database, table)[0]
        except StoreError as fault:
            damaged.append(Finding("file", f"the table {table}", f"cannot be read ({_reason(fault)})", RESTORE))
    if damaged:  # rules on rows that cannot be read say nothing
        return Looked(len(tables), rows, (*damaged, *findings))
    if not findings:
        derived = fresh()
        for rule in RULES:
            if derived or not rule.derived:
                told(rule.name)
                findings += _asked(database, rule)
    return Looked(len(tables), rows, tuple(findings))


def read_through(database: Database) -> dict[str, tuple[int, int]]:
    """Read every table to its last value; return its number of rows and a hash of them that knows no order.

    Raises
    ------
    StoreError
        A part of the file is damaged.
    """
    # every value goes into the hash, so every block of the file is read and its checksum compared
    return {table: _through(database, table) for table in _tables(database)}


def _through(database: Database, table: str) -> tuple[int, int]:
    found = database.rows(f"SELECT count(*), bit_xor(hash(t)) FROM {quoted(table)} t")  # noqa: S608
    return int(found[0][0]), int(found[0][1] or 0)


def _tables(database: Database) -> list[str]:
    sql = "SELECT table_name FROM duckdb_tables() WHERE NOT temporary AND NOT internal ORDER BY table_name"
    return [str(row[0]) for row in database.rows(sql)]


def _form(database: Database) -> list[Finding]:
    """Tables and columns that the schema has and the store lacks, or has in another type."""
    with open_database(Path(":memory:")) as fresh:
        wanted = _columns(fresh)
    there = _columns(database)
    tables = {table for table, _ in there}
    missing = sorted(wanted.keys() - there.keys())
    gone = dict.fromkeys(
        f"the column {table}.{column}" if table in tables else f"the table {table}" for table, column in missing
    )
    findings = [Finding("form", where, "is missing from the store", RESTORE) for where in gone]
    findings += [
        Finding("form", f"the column {table}.{column}", f"is {there[table, column]} and should be {kind}", RESTORE)
        for (table, column), kind in sorted(wanted.items())
        if there.get((table, column), kind) != kind
    ]
    return findings


def _columns(database: Database) -> dict[tuple[str, str], str]:
    sql = "SELECT table_name, column_name, data_type FROM duckdb_columns() WHERE NOT internal"
    return {(str(table), str(column)): str(kind) for table, column, kind in database.rows(sql)}


def _asked(database: Database, rule: Rule) -> list[Finding]:
    # the rules are constants of this package
    cases = int(database.value(f"SELECT count(*) FROM ({rule.sql})"))  # noqa: S608
    if not cases:
        return []
    named = [str(row[0]) for row in database.rows(f"SELECT * FROM ({rule.sql}) ORDER BY 1 LIMIT {NAMED}")]  # noqa: S608
    where = ", ".join(named) + (f" and {cases - len(named)} more" if cases > len(named) else "")
    return [Finding(rule.name, where, rule.broken, rule.advice, cases)]


def _reason(fault: StoreError) -> str:
    text = str(fault)
    return text[text.find("(") + 1 : text.rfind("): ")] if "(" in text and "): " in text else text

"""The only file that opens DuckDB.

One process writes at a time; DuckDB refuses a second process, even a reader, while a writer is open. A refused
process waits here and tells its caller, who shows progress and in the end names the process that holds the file.
"""

from __future__ import annotations

import hashlib
import re
import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

import duckdb

from wearlab.errors import StoreError, StoreLocked

if TYPE_CHECKING:
    import pandas as pd

SCHEMA_VERSION = 1
_SETTINGS = {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}


class Database:
    """One open store. Use it as a context manager; every read returns finished Python values or a table."""

    def __init__(self, path: Path, connection: duckdb.DuckDBPyConnection) -> None:
        self.path = path
        self._con = connection

    def __enter__(self) -> Database:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; the next process may open it."""
        self._con.close()

    def rows(self, sql: str, parameters: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Run one query and return all its rows."""
        return self._con.execute(sql, list(parameters)).fetchall()

    def value(self, sql: str, parameters: Sequence[Any] = ()) -> Any:
        """Run a query and return the first column of its first row, or None."""
        found = self.rows(sql, parameters)
        return found[0][0] if found else None

    def records(self, sql: str, parameters: Sequence[Any] = ()) -> list[dict[str, Any]]:
        """Run one query and return its rows as dictionaries in column order."""
        cursor = self._con.execute(sql, list(parameters))
        names = [column[0] for column in cursor.description or ()]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]

    def frame(self, sql: str, parameters: Sequence[Any] = ()) -> pd.DataFrame:
        """Run one query and return a pandas table."""
        return self._con.execute(sql, list(parameters)).df()

    def run(self, sql: str, parameters: Sequence[Any] = ()) -> None:
        """Run one statement that returns nothing."""
        self._con.execute(sql, list(parameters)).fetchall()

    def append(self, table: str, frame: pd.DataFrame) -> None:
        """Insert a table's rows by column name; columns that are absent become null or their default."""
        if frame.empty:
            return
        if not re.fullmatch(r"[a-z_]+", table):
            raise StoreError(f'"{table}" is not a table name')
        names = ", ".join('"' + str(column).replace('"', '""') + '"' for column in frame.columns)
        self._con.register("incoming", frame)
        try:
            self._con.execute(f"INSERT INTO {table} ({names}) SELECT {names} FROM incoming").fetchall()  # noqa: S608
        finally:
            self._con.unregister("incoming")

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing: a fault, a signal or a killed process inside leaves the store as it was."""
        self._con.execute("BEGIN TRANSACTION")
        try:
            yield
        except BaseException:
            self._con.execute("ROLLBACK")
            raise
        self._con.execute("COMMIT")


def open_database(
    path: Path,
    *,
    read_only: bool = False,
    wait_s: float = 30.0,
    on_wait: Callable[[float], None] | None = None,
) -> Database:
    """Open (or, for a writer, create) the store at `path`, migrating an older schema first.

    Parameters
    ----------
    path : file of the store.
    read_only : several readers may share the file while nobody writes.
    wait_s : how long to wait, in seconds, for another process to let go.
    on_wait : called about twice a second with the seconds waited so far.

    Raises
    ------
    StoreLocked
        Another process still holds the file after `wait_s`; the sentence names it.
    StoreError
        The file is damaged, was written by a newer version, or is missing for a reader.
    """
    if read_only and not path.exists():
        raise StoreError(f'{path} does not exist: load a first sheet with "wearlab load"')
    fresh = not path.exists()
    database = Database(path, _connect(path, read_only, wait_s, on_wait))
    try:
        if fresh or not database.rows("SELECT 1 FROM information_schema.tables WHERE table_name = 'meta'"):
            if read_only:
                raise StoreError(f'{path} holds no workspace: load a first sheet with "wearlab load"')
            _create(database)
        version = _version(database)
        if version > SCHEMA_VERSION:
            raise StoreError(
                f"{path} was written by a newer wearlab (store version {version}, this one knows "
                f"{SCHEMA_VERSION}): install the newer wearlab; the file was not touched"
            )
        if version < SCHEMA_VERSION:
            database.close()
            migrate(path, version, wait_s=wait_s, on_wait=on_wait)
            return Database(path, _connect(path, read_only, wait_s, on_wait))
    except BaseException:
        database.close()
        raise
    return database


@contextmanager
def only_file(path: Path, *, memory: str = "1GB") -> Iterator[Database]:
    """Open a database in memory that can read this one file of the disk and reach nothing else.

    For foreign files that DuckDB itself reads (Parquet): no other file, no network, no extension, nothing
    spilled to disk, no more than `memory`, and the settings are locked. The store is not touched.

    Raises
    ------
    StoreError
        What DuckDB said, in one line, of a query inside.
    """
    con = duckdb.connect(":memory:", config={**_SETTINGS, "memory_limit": memory, "temp_directory": ""})
    try:
        quoted = str(path).replace("'", "''")
        con.execute(f"SET allowed_paths = ['{quoted}']")
        con.execute("SET enable_external_access = false")
        con.execute("SET lock_configuration = true")
        yield Database(path, con)
    except duckdb.Error as fault:
        raise StoreError(str(fault).splitlines()[0]) from None
    finally:
        con.close()


def migrate(
    path: Path,
    version: int,
    *,
    steps: dict[int, str] | None = None,
    wait_s: float = 30.0,
    on_wait: Callable[[float], None] | None = None,
) -> Path:
    """Bring an older store to this schema in one transaction, after a copy that is verified by hash.

    `steps` maps a version to the SQL that leads from it to the next one (default: the numbered files of
    `wearlab/store/migrations`). Returns the path of the copy, which is kept.
    """
    known = _migrations() if steps is None else steps
    missing = [number for number in range(version, SCHEMA_VERSION) if number not in known]
    if missing:
        raise StoreError(f"{path} has store version {version}, which this wearlab cannot bring up to date")
    copy = path.with_name(f"{path.stem}.before-version-{SCHEMA_VERSION}{path.suffix}")
    database = Database(path, _connect(path, False, wait_s, on_wait))
    try:
        database.run("CHECKPOINT")
    finally:
        database.close()
    shutil.copy2(path, copy)
    if _sha256(copy) != _sha256(path):
        raise StoreError(f"the copy {copy} differs from {path}: nothing was changed; check the disk")
    database = Database(path, _connect(path, False, wait_s, on_wait))
    try:
        with database.transaction():
            for number in range(version, SCHEMA_VERSION):
                for statement in _statements(known[number]):
                    database.run(statement)
            database.run("UPDATE meta SET value = ? WHERE key = 'schema_version'", [str(SCHEMA_VERSION)])
    finally:
        database.close()
    return copy


def _connect(
    path: Path, read_only: bool, wait_s: float, on_wait: Callable[[float], None] | None
) -> duckdb.DuckDBPyConnection:
    started = time.monotonic()
    while True:
        try:
            con = duckdb.connect(str(path), read_only=read_only, config=dict(_SETTINGS))
            con.execute("SET enable_external_access = false")
            con.execute("SET lock_configuration = true")
            return con
        except duckdb.IOException as fault:
            if "lock" not in str(fault).lower():
                raise StoreError(_unusable(path, fault)) from None
            waited = time.monotonic() - started
            if waited >= wait_s:
                raise StoreLocked(
                    f"{path} is in use by {_holder(str(fault))}: wait until it has finished or stop it, then try again"
                ) from None
            if on_wait is not None:
                on_wait(waited)
            time.sleep(min(0.5, max(wait_s - waited, 0.01)))
        except duckdb.Error as fault:
            raise StoreError(_unusable(path, fault)) from None


def _holder(text: str) -> str:
    found = re.search(r"held in (.+?)(?: by user \S+)?[.,]? (?:See|However)|held in (.+?)(?:\.|$)", text)
    if found is None:
        return "another process"
    return "the process " + (found.group(1) or found.group(2)).strip().rstrip(".")


def _unusable(path: Path, fault: Exception) -> str:
    first = str(fault).splitlines()[0]
    return f"{path} cannot be opened as a wearlab store ({first}): restore it from a backup"


def _create(database: Database) -> None:
    with database.transaction():
        for statement in _statements(resources.files("wearlab.store").joinpath("schema.sql").read_text("utf-8")):
            database.run(statement)
        database.run("INSERT INTO meta VALUES ('schema_version', ?)", [str(SCHEMA_VERSION)])


def _version(database: Database) -> int:
    text = database.value("SELECT value FROM meta WHERE key = 'schema_version'")
    if text is None or not str(text).isdigit():
        raise StoreError(f"{database.path} does not say its version: restore it from a backup")
    return int(text)


def _migrations() -> dict[int, str]:
    folder = resources.files("wearlab.store").joinpath("migrations")
    return {
        int(entry.name[:4]): entry.read_text("utf-8")
        for entry in folder.iterdir()
        if re.fullmatch(r"\d{4}_.+\.sql", entry.name)
    }


def _statements(script: str) -> list[str]:
    bare = re.sub(r"--[^\n]*", "", script)
    return [statement.strip() for statement in bare.split(";") if statement.strip()]


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()

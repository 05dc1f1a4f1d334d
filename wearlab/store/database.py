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
from contextlib import contextmanager, suppress
from importlib import resources
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

import duckdb

from wearlab.errors import StoreError, StoreLocked
from wearlab.store.faults import RESTORE, holder, is_locked, store_fault, unusable
from wearlab.store.fresh import place_fresh
from wearlab.store.names import quoted

if TYPE_CHECKING:
    import pandas as pd

SCHEMA_VERSION = 1
#: bytes before the first block of a file
_HEADERS = 3 * 4096
_SETTINGS = {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}


class Database:
    """One open store. Use it as a context manager; every read returns finished Python values or a table."""

    def __init__(self, path: Path, connection: duckdb.DuckDBPyConnection, *, foreign: bool = False) -> None:
        """`foreign` : the path is a file to read, not the store itself."""
        self.path = path
        self._con = connection
        self._foreign = foreign

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
        """Run one query and return all its rows.

        Raises
        ------
        StoreError
            The disk is full, or the file is damaged or cannot be written; of every method here.
        """
        with self._told():
            return self._con.execute(sql, list(parameters)).fetchall()

    def value(self, sql: str, parameters: Sequence[Any] = ()) -> Any:
        """Run a query and return the first column of its first row, or None."""
        found = self.rows(sql, parameters)
        return found[0][0] if found else None

    def records(self, sql: str, parameters: Sequence[Any] = ()) -> list[dict[str, Any]]:
        """Run one query and return its rows as dictionaries in column order."""
        with self._told():
            cursor = self._con.execute(sql, list(parameters))
            names = [column[0] for column in cursor.description or ()]
            return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]

    def frame(self, sql: str, parameters: Sequence[Any] = ()) -> pd.DataFrame:
        """Run one query and return a pandas table."""
        with self._told():
            return self._con.execute(sql, list(parameters)).df()

    def run(self, sql: str, parameters: Sequence[Any] = ()) -> None:
        """Run one statement that returns nothing."""
        with self._told():
            self._con.execute(sql, list(parameters)).fetchall()

    def append(self, table: str, frame: pd.DataFrame) -> None:
        """Insert a table's rows by column name; columns that are absent become null or their default."""
        if frame.empty:
            return
        if not re.fullmatch(r"[a-z_]+", table):
            raise StoreError(f'"{table}" is not a table name')
        names = ", ".join(quoted(str(column)) for column in frame.columns)
        with self._told():
            self._con.register("incoming", frame)
            try:
                sql = f"INSERT INTO {quoted(table)} ({names}) SELECT {names} FROM incoming"  # noqa: S608
                self._con.execute(sql).fetchall()
            finally:
                self._con.unregister("incoming")

    def write_parquet(self, frame: pd.DataFrame) -> None:
        """Write a table as Parquet to the one file that `only_file` lets this database reach; NaN becomes null."""
        path = quoted(str(self.path), "'")
        with self._told():
            self._con.register("outgoing", frame)
            try:
                self._con.execute(f"COPY outgoing TO {path} (FORMAT parquet, COMPRESSION zstd)").fetchall()
            finally:
                self._con.unregister("outgoing")

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing: a fault, a signal or a killed process inside leaves the store as it was."""
        with self._told():
            self._con.execute("BEGIN TRANSACTION")
        try:
            yield
        except BaseException:
            # a database that gave up has rolled back already; the first fault is the one to tell
            with suppress(duckdb.Error):
                self._con.execute("ROLLBACK")
            raise
        with self._told():
            self._con.execute("COMMIT")

    @contextmanager
    def _told(self) -> Iterator[None]:
        """A fault of disk or file becomes a sentence; any other goes on as it is."""
        try:
            yield
        except duckdb.Error as fault:
            known = None if self._foreign else store_fault(self.path, fault)
            if known is None:
                raise
            raise known from None


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
    if "?" in str(path.absolute()):  # what follows it would not be part of the name for DuckDB
        raise StoreError(
            f'{path} lies in a folder with "?" in its name, where no database can be kept: rename the folder'
        )
    if read_only and not path.exists():
        raise StoreError(f'{path} does not exist: load a first sheet with "wearlab load"')
    if not path.exists():
        place_fresh(path, _make)
    whole = not path.with_name(path.name + ".wal").exists()
    database = Database(path, _connect(path, read_only, wait_s, on_wait))
    try:
        if whole and str(path) != ":memory:":
            _long_enough(database)
        if not database.rows("SELECT 1 FROM information_schema.tables WHERE table_name = 'meta'"):
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
        allowed = quoted(str(path), "'")
        con.execute(f"SET allowed_paths = [{allowed}]")
        con.execute("SET enable_external_access = false")
        con.execute("SET lock_configuration = true")
        yield Database(path, con, foreign=True)
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
    try:
        shutil.copy2(path, copy)
    except OSError as fault:
        with suppress(OSError):
            copy.unlink(missing_ok=True)
        raise StoreError(
            f"{path} has an older form and no copy of it could be made ({fault.strerror or fault}), so nothing was "
            "changed: make room there"
        ) from None
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
        except duckdb.Error as fault:
            if not is_locked(fault):
                raise unusable(path, fault) from None
            waited = time.monotonic() - started
            if waited >= wait_s:
                raise StoreLocked(
                    f"{path} is in use by {holder(fault)}: wait until it has finished or stop it, then try again"
                ) from None
            if on_wait is not None:
                on_wait(waited)
            time.sleep(min(0.5, max(wait_s - waited, 0.01)))


def _long_enough(database: Database) -> None:
    """Refuse a file that was cut behind its headers: it would open, and be written to, until a lost block is read."""
    size, blocks = database.rows("SELECT block_size, used_blocks FROM pragma_database_size()")[0]
    if database.path.stat().st_size < _HEADERS + int(size) * int(blocks):
        raise StoreError(f"{database.path} is damaged (it ends too early): {RESTORE}")


def _make(path: Path) -> None:
    """Make a new store of this schema in a file of its own, closed when this returns."""
    with Database(path, _connect(path, False, 0.0, None)) as database:
        _create(database)


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

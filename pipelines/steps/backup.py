"""A workspace in one file: the database as it is at one moment, settings, layouts and journal, on wish the reports."""

from __future__ import annotations

import os
import re
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from pipelines.sheets.journal import JOURNAL
from pipelines.steps.backup_file import (
    Manifest,
    add_manifest,
    add_member,
    is_backup,
    storable,
    unpack,
    verified,
)
from pipelines.steps.whole_file import whole_file
from pipelines.workspace import CONFIG, STORE, Workspace
from wearlab import __version__
from wearlab.errors import InputError, StoreError
from wearlab.store.check import read_through
from wearlab.store.database import SCHEMA_VERSION, open_database

BACKUPS = "backups"
WAL = STORE + ".wal"


@dataclass(frozen=True, slots=True)
class BackedUp:
    """A backup that was written and read back: its file, its size and the number of its members and rows."""

    file: Path
    bytes: int
    members: int
    rows: int
    made_at: str


def back_up(
    place: Workspace,
    out: Path | None,
    now: datetime,
    *,
    reports: bool = False,
    say: Callable[[str], None] | None = None,
) -> BackedUp:
    """Write a backup whole or not at all, and read it back before it takes its place.

    The database is held open for reading meanwhile: other readers go on, a writer waits.

    Parameters
    ----------
    out : the file; without one it is named after workspace and time in the folder `backups` of the workspace.
    now : in UTC.
    reports : also the monthly packs.
    say : told what is being done.

    Raises
    ------
    InputError
        The file cannot be written, or is there and no backup.
    StoreError
        The workspace cannot be read, or what was read back differs; no file was made.
    """
    told = say or (lambda text: None)
    path = _target(place, out, now)
    with ExitStack() as held:
        through: dict[str, tuple[int, int]] = {}
        schema: int | None = None
        if place.store.exists():
            database = held.enter_context(place.open(read_only=True))
            told("reading the database")  # a damaged one never takes the place of a backup that is whole
            through, schema = read_through(database), SCHEMA_VERSION
        rows = counted(through)
        made: list[Manifest] = []

        def check(part: Path) -> None:
            told("reading it back")
            read = verified(part, shown=path)
            if read != made[0]:
                raise StoreError(f"what was read back from {path} differs from what was written: check the disk")
            _opens(part, read, path, through)

        with whole_file(path, check) as file:
            made.append(_written(place, file, path, rows, schema, now, reports, told))
    manifest = made[0]
    size = path.stat().st_size
    return BackedUp(path, size, len(manifest.members), sum(rows.values()), manifest.made_at)


def counted(through: Mapping[str, tuple[int, int]]) -> dict[str, int]:
    """The number of rows of every table."""
    return {table: rows for table, (rows, _) in through.items()}


def opened_through(folder: Path) -> dict[str, tuple[int, int]]:
    """Open the database of an unpacked backup and read every table through."""
    with open_database(folder / STORE, read_only=True) as database:
        return read_through(database)


def _target(place: Workspace, out: Path | None, now: datetime) -> Path:
    if out is None:
        name = re.sub(r"[^\w.-]+", "-", place.settings.name or place.home.resolve().name).strip("-.") or "workspace"
        path = place.home / BACKUPS / f"{name[:60]}-{now:%Y%m%d-%H%M%S}.zip"
        try:
            path.parent.mkdir(exist_ok=True)
        except OSError as fault:
            raise InputError(
                f"{path.parent} cannot be made ({fault.strerror}): name a file elsewhere with --out"
            ) from None
        return path
    if out.is_dir():
        raise InputError(f"{out} is a folder: name a file in it, such as {out / 'wearlab.zip'}")
    if out.exists() and not is_backup(out):
        raise InputError(f"{out} is there already and no backup of wearlab: name another file; nothing was changed")
    return out


def _written(
    place: Workspace, file: BinaryIO, path: Path, rows: dict[str, int], schema: int | None, now: datetime,
    reports: bool, told: Callable[[str], None],
) -> Manifest:  # fmt: skip
    members = []
    with zipfile.ZipFile(file, "w") as book:
        for name, source in _sources(place, path, schema is not None, reports):
            told(f"writing {name}")
            storable(name)
            try:
                opened = source.open("rb")
            except OSError as fault:
                raise StoreError(f"{source} cannot be read ({fault.strerror}): no backup was made") from None
            with opened:
                members.append(add_member(book, name, opened))
        made = Manifest(
            place.settings.name or place.home.resolve().name,
            __version__,
            now.isoformat(timespec="seconds"),
            schema,
            rows,
            tuple(members),
        )
        add_manifest(book, made)
    return made


def _sources(place: Workspace, path: Path, store: bool, reports: bool) -> Iterator[tuple[str, Path]]:
    """Every file of the backup with its place in the workspace, in a fixed order."""
    yield CONFIG, place.home / CONFIG
    if store:
        yield STORE, place.store
        # what a stopped command had stored and not yet moved into the database; it is empty or missing else
        if (wal := place.home / WAL).exists():
            yield WAL, wal
    if (journal := place.home / JOURNAL).exists():
        yield JOURNAL, journal
    for folder in (place.layouts, *((place.reports,) if reports else ())):
        for source in _files(folder):
            if source.resolve() != path.resolve() and source.suffix != ".part":
                yield source.relative_to(place.home).as_posix(), source


def _files(folder: Path) -> list[Path]:
    return sorted(
        Path(where) / name for where, _, names in os.walk(folder) for name in names if (Path(where) / name).is_file()
    )


def _opens(part: Path, manifest: Manifest, path: Path, through: Mapping[str, tuple[int, int]]) -> None:
    """The database in the backup opens and holds the same rows of every table."""
    if manifest.schema_version is None:
        return
    with tempfile.TemporaryDirectory(prefix=".wearlab-", dir=part.parent) as folder:
        unpack(part, manifest, Path(folder))
        if opened_through(Path(folder)) != dict(through):
            raise StoreError(f"the database read back from {path} holds other rows: check the disk")

"""The last settle, unload or reload taken back by the copy that was made before it."""

from __future__ import annotations

import os
import shutil
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from pipelines.sheets.journal import (
    KEPT_UNDOS,
    Entry,
    copy_store,
    counts,
    drop_old_copies,
    file_hash,
    hashes,
    read_journal,
    write_entry,
)
from pipelines.workspace import Workspace
from wearlab.errors import StoreError
from wearlab.store.database import Database


@dataclass(frozen=True, slots=True)
class Undone:
    """What `undo` took back, and the copy of the state that it replaced."""

    number: int
    what: str
    detail: str
    kept: str


def undo_last(place: Workspace, now: datetime, *, even_so: bool = False) -> Undone:
    """Take the last step back by putting its copy in the place of the database, which is copied first.

    `even_so` : also where something was entered since, which is lost then.

    Raises
    ------
    StoreError
        There is nothing to undo, the copy is gone or damaged, or something was entered since; nothing was changed.
    """
    entries = [entry for entry in read_journal(place.home) if entry.undone is None]
    if not entries:
        raise StoreError("there is nothing to undo: no settle, unload or reload is in the journal")
    last = entries[-1]
    copy = None if last.copy is None else place.home / last.copy
    if copy is None or not copy.is_file():
        raise StoreError(
            f"the copy from before step {last.number} ({last.what} {last.detail}) is gone, so it cannot be undone: "
            "load or unload the files yourself"
        )
    if file_hash(copy) != last.copy_sha256:
        raise StoreError(f"the copy {copy} is damaged, so step {last.number} cannot be undone: restore a backup")
    with place.open() as database:
        lost = _since(database, last)
        if lost and not even_so:
            raise StoreError(
                f"since step {last.number} ({last.what}) {lost}, which an undo would lose: "
                'take it back with "wearlab undo --even-so", or leave it; nothing was changed'
            )
        kept, _ = copy_store(database, place.home, "undo", last.number, now)
        fresh = _fresh(place.store, copy, last)
        # all of it is in the database since the copy was made; left, it would speak of another database
        with suppress(OSError):
            place.store.with_name(place.store.name + ".wal").unlink()
        put = _put(fresh, place.store)  # while the database is held, so that no other command writes in between
    if not put:
        fresh.replace(place.store)
    write_entry(place.home, replace(last, undone=now.isoformat(timespec="seconds")))
    _drop_undos(place.home / kept)
    drop_old_copies(place.home)
    with place.open(read_only=True) as database:
        if counts(database) != last.before:
            raise StoreError(f"after the undo {place.store} holds other rows than before: restore {kept} in its place")
    return Undone(last.number, last.what, last.detail, kept)


def _fresh(store: Path, copy: Path, last: Entry) -> Path:
    """Copy the copy beside the database and return its place."""
    fresh = store.with_suffix(".restored")
    try:
        shutil.copyfile(copy, fresh)
        with fresh.open("rb+") as file:
            os.fsync(file.fileno())
    except OSError as fault:
        with suppress(OSError):
            fresh.unlink(missing_ok=True)
        raise StoreError(
            f"{fresh} cannot be written ({fault.strerror or fault}), so nothing was changed: make room there"
        ) from None
    if file_hash(fresh) != last.copy_sha256:
        fresh.unlink(missing_ok=True)
        raise StoreError(f"the copy {copy} could not be read whole, so nothing was changed: check the disk")
    return fresh


def _put(fresh: Path, store: Path) -> bool:
    """Move a file into the place of the open database; False where the system allows that only once it is closed."""
    try:
        fresh.replace(store)
    except PermissionError:
        return False
    return True


def _drop_undos(kept: Path) -> None:
    """Remove older states that undos replaced, never the one just made: steps are undone from the newest back."""
    others = [path for path in kept.parent.glob("*-before-undo.duckdb") if path != kept]
    others.sort(key=lambda path: (path.stat().st_mtime_ns, path.name))
    for path in others[: len(others) - (KEPT_UNDOS - 1)]:
        path.unlink(missing_ok=True)


def _since(database: Database, last: Entry) -> str:
    """What came into the store after a step, as the end of a sentence; blank where nothing did."""
    if not last.after:  # it was stopped half-way, and the store holds what it held before or all of the step
        return ""
    told: list[str] = []
    now = counts(database)
    fresh = set(hashes(database)) - set(last.files)
    found = database.rows("SELECT name, sha256 FROM source_file ORDER BY name")
    names = [name for name, sha256 in found if sha256 in fresh]
    if names:
        told.append(f"{', '.join(names[:5])}{' ...' if len(names) > 5 else ''} came in")
    words = {"run": "run of learn or month", "acknowledgement": "acknowledgement"}
    for table, word in words.items():
        more = now.get(table, 0) - last.after.get(table, 0)
        if more > 0:
            told.append(f"{more} {word}{'s' if more > 1 else ''} followed")
    notes = now.get("work", 0) - last.after.get("work", 0)
    if not names and notes > 0:
        told.append(f"{notes} event{'s' if notes > 1 else ''} came in")
    return " and ".join(told)

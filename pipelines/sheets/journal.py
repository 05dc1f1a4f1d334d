"""The journal of what was taken back, settled or read anew, with a verified copy of the database before each.

The journal is a file of JSON lines beside the database and not a table in it: a database that is put back from its
copy would forget the entry.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from wearlab.errors import StoreError
from wearlab.store.database import Database, open_database

JOURNAL = "journal.jsonl"
COPIES = "copies"
#: So many copies are kept, and so many steps can be undone.
KEPT_COPIES = 5
#: So many of the states that an undo replaced are kept as well.
KEPT_UNDOS = 2

#: Tables whose rows the journal counts; the last ones are of steps that follow and would be lost with an undo.
COUNTED = ("source_file", "raw_row", "reading", "work", "answer", "decision", "run", "acknowledgement")


@dataclass(frozen=True, slots=True)
class Entry:
    """One step: what, when, on what, how many rows of each table before and after, and the copy made before.

    `files` : content hashes of the files after the step; `undone` : when it was taken back.
    """

    number: int
    made_at: str
    what: str
    detail: str
    before: Mapping[str, int]
    after: Mapping[str, int]
    copy: str | None
    copy_sha256: str | None
    files: tuple[str, ...]
    undone: str | None = None


def read_journal(home: Path) -> list[Entry]:
    """Return all entries, oldest first.

    Raises
    ------
    StoreError
        A line is no entry; the sentence names it.
    """
    path = home / JOURNAL
    if not path.exists():
        return []
    entries: dict[int, Entry] = {}
    # only a line feed ends an entry: other line ends may stand in its texts
    content = path.read_bytes().removesuffix(b"\n")
    for number, line in enumerate(content.split(b"\n") if content else [], start=1):
        try:
            entry = _entry(json.loads(line.decode("utf-8")))
        except (ValueError, TypeError, KeyError, RecursionError):
            raise StoreError(f"line {number} of {path} is no entry of the journal: take that line out") from None
        entries[entry.number] = entry  # a later line on the same step says that it was undone
    return [entries[number] for number in sorted(entries)]


def _entry(data: dict[str, Any]) -> Entry:
    """Make an entry of what a line says; ValueError or TypeError where it cannot be one of ours."""
    entry = Entry(**{**data, "files": tuple(data["files"])})
    texts = (entry.made_at, entry.what, entry.detail, entry.copy or "", entry.copy_sha256 or "", entry.undone or "")
    rows = [entry.before, entry.after]
    if type(entry.number) is not int or not all(isinstance(text, str) for text in (*texts, *entry.files)):
        raise TypeError
    if not all(isinstance(one, dict) and all(type(count) is int for count in one.values()) for one in rows):
        raise TypeError
    if entry.copy is not None and re.fullmatch(rf"{COPIES}/[\w-]+\.duckdb", entry.copy) is None:
        raise ValueError  # a place outside the folder of the copies
    return entry


def write_entry(home: Path, entry: Entry) -> None:
    """Add an entry at the end of the journal, on the disk before this returns."""
    with (home / JOURNAL).open("a", encoding="utf-8", newline="\n") as file:
        file.write(json.dumps(asdict(entry), ensure_ascii=False) + "\n")
        file.flush()
        os.fsync(file.fileno())


def next_number(home: Path) -> int:
    """Return the number of the next entry."""
    return max((entry.number for entry in read_journal(home)), default=0) + 1


def counts(database: Database) -> dict[str, int]:
    """Return the number of rows of every counted table."""
    return {table: int(database.value(f"SELECT count(*) FROM {table}")) for table in COUNTED}  # noqa: S608


def hashes(database: Database) -> tuple[str, ...]:
    """Return the content hashes of all files, sorted."""
    return tuple(row[0] for row in database.rows("SELECT sha256 FROM source_file ORDER BY sha256"))


def copy_store(database: Database, home: Path, what: str, number: int, now: datetime) -> tuple[str, str]:
    """Copy the open database before it is changed; return the copy's place in the workspace and its hash.

    The copy is verified: its bytes have the same hash, and it opens and holds as many rows.

    Raises
    ------
    StoreError
        The copy cannot be written or differs; nothing was changed.
    """
    database.run("CHECKPOINT")
    folder = home / COPIES
    path = folder / f"{number:05d}-{now:%Y%m%d-%H%M%S}-before-{what}.duckdb"
    part = path.with_suffix(".part")
    try:
        folder.mkdir(exist_ok=True)
        shutil.copyfile(database.path, part)
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as fault:
        part.unlink(missing_ok=True)
        raise StoreError(
            f"no copy could be made in {folder} ({fault.strerror or fault}), so nothing was changed: make room there"
        ) from None
    told = file_hash(path)
    if told != file_hash(database.path) or _copied(path) != counts(database):
        path.unlink(missing_ok=True)
        raise StoreError(f"the copy {path} differs from {database.path}: nothing was changed; check the disk")
    return path.relative_to(home).as_posix(), told


def _copied(path: Path) -> dict[str, int]:
    with open_database(path, read_only=True) as copy:
        return counts(copy)


def drop_old_copies(home: Path) -> None:
    """Remove all but the newest copies, of steps and of undos; the journal keeps their names."""
    found = sorted((home / COPIES).glob("*-before-*.duckdb"))
    undos = [path for path in found if path.stem.endswith("-before-undo")]
    for path in [one for one in found if one not in undos][:-KEPT_COPIES] + undos[:-KEPT_UNDOS]:
        path.unlink(missing_ok=True)


def file_hash(path: Path) -> str:
    """Return the hash of a file's bytes."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()

"""What DuckDB says of a full disk, a damaged file or a folder that cannot be written, as one sentence with a way on."""

from __future__ import annotations

import re
from pathlib import Path

from wearlab.errors import StoreError

_FULL = re.compile(r"no space left|file too large|quota exceeded|not enough space|disk (is )?full", re.I)
_SHUT = re.compile(r"permission denied|read-only|access is denied|operation not permitted", re.I)
_DAMAGED = re.compile(
    r"corrupt|checksum|could not read enough bytes|not a valid duckdb|database has been invalidated|"
    r"serialization error|failed to deserialize|failure while replaying wal|input/output error",
    re.I,
)
#: kinds of fault by their names, because one file alone knows DuckDB
_OF_WRITING = {"IOException", "InvalidInputException"}
_GAVE_UP = {"FatalException", "InternalException"}
#: what DuckDB says, and the same without its figures and the file, which the sentence names itself
_PLAINLY = (
    (re.compile(r"computed checksum \d+ does not match stored checksum \d+ in block"), "a checksum differs"),
    (re.compile(r"Could not read enough bytes.*"), "it ends too early"),
    (re.compile(r'The file ".*" exists, but it is not a valid DuckDB database file'), "it is no database of DuckDB"),
    (re.compile(r'file ".*": '), "file: "),
    (re.compile(r"Cannot execute .* which is attached in read-only mode"), "it was opened to be looked at only"),
)
#: what a held file is called on POSIX and on Windows; "lock" alone is part of "block", and of folder names
_LOCKED = re.compile(r"could not set lock|conflicting lock|being used by another process", re.I)


class StoreShut(StoreError):
    """The file or its folder cannot be written by this user, or lies on a read-only disk."""


RESTORE = 'restore it from a backup ("wearlab restore FILE DIR")'


def is_locked(fault: Exception) -> bool:
    """Whether another process holds the file."""
    return _LOCKED.search(str(fault)) is not None


def store_fault(path: Path, fault: Exception) -> StoreError | None:
    """Return a fault of disk or file as an error for a person; None for one of the program's own."""
    first = str(fault).splitlines()[0] if str(fault) else type(fault).__name__
    if _FULL.search(first):
        return StoreError(
            f"no room is left on the disk of {path}: make room there, then run the command again; "
            "what was stored before is whole"
        )
    if _DAMAGED.search(first) or type(fault).__name__ in _GAVE_UP:
        return StoreError(f"{path} is damaged ({_short(first)}): {RESTORE}")
    if _SHUT.search(first) and type(fault).__name__ in _OF_WRITING:
        return StoreShut(
            f"{path} cannot be written ({_short(first)}): make its folder and file writable, or copy the workspace "
            "to where you may write; one that is only to be looked at is read with --as-of the day of its last run"
        )
    return None


def unusable(path: Path, fault: Exception) -> StoreError:
    """Return why a file cannot be opened."""
    known = store_fault(path, fault)
    if known is not None:
        return known
    return StoreError(f"{path} cannot be opened as a wearlab store ({_short(str(fault))}): {RESTORE}")


def holder(fault: Exception) -> str:
    """Return who holds a locked file, in words."""
    text = str(fault)
    found = re.search(r"held in (.+?)(?: by user \S+)?[.,]? (?:See|However)|held in (.+?)(?:\.|$)", text)
    if found is None:
        return "another process"
    return "the process " + (found.group(1) or found.group(2)).strip().rstrip(".")


def _short(text: str) -> str:
    """The first line without the kind of fault and the file, which the sentence names itself."""
    first = text.splitlines()[0] if text else ""
    first = re.sub(r"^[A-Za-z]+ ?[A-Za-z]* Error: ", "", first)
    for pattern, words in _PLAINLY:
        first = pattern.sub(words, first)
    return first.strip().rstrip(".!")

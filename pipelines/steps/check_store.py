"""A workspace looked through: the store by its own rules, copies by their hashes, journal and layouts by reading."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from pipelines.sheets.journal import COPIES, JOURNAL, file_hash, read_journal
from pipelines.sheets.layout import read_layouts
from pipelines.steps.lives import lives_are_fresh
from pipelines.workspace import Workspace
from wearlab.errors import WearlabError
from wearlab.store.check import Finding, look_through, read_through
from wearlab.store.database import open_database

#: how the copies are named that an undo made of what it replaced; their hash is in no entry of the journal
_UNDO = "-before-undo"


@dataclass(frozen=True, slots=True)
class Checked:
    """What was looked at, what is wrong, and what is no fault but worth knowing.

    `copies` : kept copies whose hash was compared.
    """

    tables: int
    rows: int
    files: int
    copies: int
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]


def check_workspace(place: Workspace, *, say: Callable[[str], None] | None = None) -> Checked:
    """Look through a workspace and change nothing; a writer is waited for, other readers are not.

    Raises
    ------
    StoreError
        Nothing was ever loaded, or the database does not open at all.
    """
    told = say or (lambda text: None)
    with place.open(read_only=True) as database:
        looked = look_through(database, lambda: lives_are_fresh(database, place.settings), say=told)
        files = 0 if looked.findings else int(database.value("SELECT count(*) FROM source_file"))
    told("comparing the kept copies")
    copies, findings = _copies(place)
    return Checked(
        looked.tables,
        looked.rows,
        files,
        copies,
        (*looked.findings, *_layouts(place), *findings),
        tuple(_left_behind(place.home)),
    )


def _layouts(place: Workspace) -> list[Finding]:
    try:
        read_layouts(place.layouts)
    except WearlabError as fault:
        return [Finding("layouts", str(place.layouts), f"cannot all be read ({fault})", "mend or remove that layout")]
    return []


def _copies(place: Workspace) -> tuple[int, list[Finding]]:
    """Compare every copy that is there with its hash in the journal; return how many there are and what differs."""
    try:
        entries = read_journal(place.home)
    except WearlabError as fault:
        what, _, advice = str(fault).rpartition(": ")
        return 0, [Finding("journal", str(place.home / JOURNAL), f"cannot all be read ({what})", advice)]
    known = {entry.copy: entry for entry in entries if entry.copy is not None}
    findings = []
    found = sorted((place.home / COPIES).glob("*.duckdb"))
    for path in found:
        name = path.relative_to(place.home).as_posix()
        entry = known.get(name)
        if entry is None:
            if not _opens(path):
                findings.append(Finding("copies", str(path), "does not open", "delete it and make a backup"))
        elif file_hash(path) != entry.copy_sha256:
            what = f"differs from its hash, so that step {entry.number} ({entry.what}) cannot be undone"
            findings.append(Finding("copies", str(path), what, "delete it and make a backup"))
    return len(found), findings


def _opens(path: Path) -> bool:
    try:
        with open_database(path, read_only=True) as copy:
            read_through(copy)
    except WearlabError:
        return False
    return True


def _left_behind(home: Path) -> list[str]:
    """What a stopped command left; it is in nobody's way."""
    parts = [*home.glob(".*.part*"), *home.glob("*.restored"), *home.glob(f"{COPIES}/*.part")]
    parts += [*home.glob("layouts/.*.part"), *home.glob("backups/.*.part"), *home.glob("backups/.wearlab-*")]
    return [f"{path} was left by a command that was stopped: it may be deleted" for path in sorted(parts)]

"""A backup made a workspace again, in a new folder and only after every hash was compared."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pipelines.steps.backup import counted, opened_through
from pipelines.steps.backup_file import Manifest, unpack, verified
from pipelines.workspace import open_workspace
from wearlab.errors import InputError, StoreError
from wearlab.store.database import SCHEMA_VERSION


@dataclass(frozen=True, slots=True)
class Restored:
    """A workspace that was made from a backup: its folder, and what the backup said of itself."""

    home: Path
    workspace: str
    made_at: str
    members: int
    rows: int


def restore(file: Path, home: Path, *, say: Callable[[str], None] | None = None) -> Restored:
    """Make a new workspace of a backup. The folder appears whole or not at all.

    Raises
    ------
    InputError
        The file is no whole backup, or the folder is there and not empty; nothing was made.
    StoreError
        The restored database does not open or holds other rows; nothing was made.
    """
    told = say or (lambda text: None)
    if not file.is_file():
        raise InputError(f"{file} is not there: name a backup file")
    if home.is_symlink() or (home.exists() and not home.is_dir()):
        raise InputError(f"{home} is there and no folder: name a new folder; nothing was changed")
    if home.is_dir() and any(home.iterdir()):
        raise InputError(f"{home} is not empty: name a new folder to restore into; nothing was changed")
    told("comparing every hash")
    manifest = verified(file)
    if manifest.schema_version is not None and manifest.schema_version > SCHEMA_VERSION:
        raise InputError(
            f"{file} holds a store of a newer wearlab (version {manifest.schema_version}, this one knows "
            f"{SCHEMA_VERSION}): install the newer wearlab; nothing was restored"
        )
    part = home.absolute().parent / f".{home.name[:40]}.{secrets.token_hex(6)}.part"
    try:
        part.parent.mkdir(parents=True, exist_ok=True)
        _room(manifest, part.parent, home)
        part.mkdir()
        told("writing the workspace")
        for folder in ("layouts", "reports"):
            (part / folder).mkdir()
        unpack(file, manifest, part)
        told("opening the database")
        open_workspace(part)
        if manifest.schema_version is not None and counted(opened_through(part)) != dict(manifest.rows):
            raise StoreError(f"the database restored from {file} holds other rows than were saved: check the disk")
        _on_disk(part)
        if home.exists():
            home.rmdir()
        part.rename(home)
    except OSError as fault:
        raise InputError(
            f"{home} cannot be made ({fault.strerror or fault}): name a new folder with room that you may write to; "
            "nothing was restored"
        ) from None
    finally:
        with suppress(OSError):
            if part.exists():
                shutil.rmtree(part)
    return Restored(home, manifest.workspace, manifest.made_at, len(manifest.members), sum(manifest.rows.values()))


def _room(manifest: Manifest, folder: Path, home: Path) -> None:
    needed = sum(member.bytes for member in manifest.members)
    free = shutil.disk_usage(folder).free
    if free < needed:
        raise InputError(
            f"{home} needs {needed / 1e6:,.1f} MB and its disk has {free / 1e6:,.1f} MB left: make room, or name a "
            "folder on another disk; nothing was restored"
        )


def _on_disk(folder: Path) -> None:
    """Every byte is on the disk before the folder gets its name."""
    for path in folder.rglob("*"):
        if path.is_file():
            with path.open("rb+") as file:
                os.fsync(file.fileno())

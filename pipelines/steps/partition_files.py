"""Partitions on the disk: Parquet files named in one manifest, each with its size and hash.

A file is read only if it is the one that the manifest names, to the last byte.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from wearlab.errors import InputError, StoreError
from wearlab.store.database import only_file
from wearlab.store.names import quoted

MANIFEST = "partitions.json"
#: the form that this program writes and reads
FORM = 1

#: a table on the disk: file, rows, bytes and hash
File = dict[str, Any]

_NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,200}")
#: memory that one file is read or written with
_MEMORY = "2GB"


def write_table(folder: Path, name: str, columns: Mapping[str, Any]) -> File:
    """Write columns of one length as a Parquet file, whole or not at all; return what the manifest says of it.

    Raises
    ------
    StoreError
        The folder cannot be written.
    """
    frame = pd.DataFrame({key: _plain(values) for key, values in columns.items()})
    path, part = folder / name, folder / f".{name}.{os.getpid()}.part"
    try:
        with only_file(part, memory=_MEMORY) as db:
            db.write_parquet(frame)
        size, digest = part.stat().st_size, sha256_of(part)
        part.replace(path)
    except OSError as fault:
        raise StoreError(f"{path} cannot be written ({fault.strerror}): make room there, then try again") from None
    finally:
        part.unlink(missing_ok=True)
    return {"name": name, "rows": len(frame), "bytes": size, "sha256": digest}


def read_table(folder: Path, file: File, columns: Sequence[str] | None = None) -> pd.DataFrame:
    """Read a table, or some columns of it, in the order it was written.

    Raises
    ------
    StoreError
        The file is missing, cut short or changed; the sentence names it.
    """
    path = proved(folder, file)
    wanted = "*" if columns is None else ", ".join(quoted(name) for name in columns)
    with only_file(path, memory=_MEMORY) as db:
        return db.frame(f"SELECT {wanted} FROM read_parquet(?)", [str(path)])  # noqa: S608  (quoted names)


def proved(folder: Path, file: File) -> Path:
    """Return the path of a file that is the one written, to the last byte.

    Raises
    ------
    StoreError
        It is missing, cut short or changed; the sentence names it.
    """
    path = folder / plain_name(file["name"])
    again = "lay the partitions again"
    try:
        size = path.stat().st_size
    except OSError as fault:
        raise StoreError(f"{path} cannot be read ({fault.strerror}): copy it here, or {again}") from None
    if size != file["bytes"]:
        raise StoreError(f"{path} has {size:,} bytes where {file['bytes']:,} were written: copy it anew, or {again}")
    if sha256_of(path) != file["sha256"]:
        raise StoreError(f"{path} is not the file that was written (its hash differs): copy it anew, or {again}")
    return path


def write_json(path: Path, value: Mapping[str, Any]) -> None:
    """Write a manifest, whole or not at all.

    Raises
    ------
    StoreError
        The folder cannot be written.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False) + "\n", encoding="utf-8")
        part.replace(path)
    except OSError as fault:
        raise StoreError(f"{path} cannot be written ({fault.strerror}): make room there, then try again") from None


def read_manifest(folder: Path) -> dict[str, Any]:
    """Read what a folder of partitions holds.

    Raises
    ------
    StoreError
        There is no manifest, or it is cut short, changed or of another form.
    """
    path = folder / MANIFEST
    again = "lay the partitions again"
    try:
        text = path.read_text("utf-8")
    except OSError as fault:
        raise StoreError(f"{path} cannot be read ({fault.strerror}): name a folder of partitions, or {again}") from None
    try:
        told: dict[str, Any] = json.loads(text)
        form, digest = told["form"], told.pop("sha256")
    except (ValueError, TypeError, KeyError, AttributeError):
        raise StoreError(f"{path} is cut short or no manifest of partitions: copy it anew, or {again}") from None
    if form != FORM:
        raise StoreError(f"{path} has form {form}, this program reads form {FORM}: {again}")
    if digest != manifest_sha256(told):
        raise StoreError(f"{path} was changed after it was written: copy it anew, or {again}")
    return told


def write_manifest(folder: Path, told: dict[str, Any]) -> None:
    """Write what a folder of partitions holds, with its own hash."""
    write_json(folder / MANIFEST, {**told, "sha256": manifest_sha256(told)})


def manifest_sha256(told: Mapping[str, Any]) -> str:
    """Return the hash of what a manifest says."""
    return hashlib.sha256(json.dumps(told, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def empty_folder(folder: Path) -> None:
    """Make a folder for new files.

    Raises
    ------
    InputError
        There is something in it already.
    StoreError
        It cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise InputError(f"{folder} is not empty: name a new folder")
    except OSError as fault:
        raise StoreError(f"{folder} cannot be made ({fault.strerror}): choose a folder you may write to") from None


def plain_name(name: str) -> str:
    """Return the name of a file within its folder.

    Raises
    ------
    StoreError
        It leads elsewhere.
    """
    if not _NAME.fullmatch(name):
        raise StoreError(f'"{name}" is no file of a folder of partitions: lay the partitions again')
    return name


def sha256_of(path: Path) -> str:
    """Return the hash of a file."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def _plain(values: Any) -> Any:
    """Return a column that no library guesses at: texts as text, days as days, numbers as they are."""
    array = np.asarray(values)
    if array.dtype.kind == "O":
        return pd.array(array.tolist(), dtype="string")
    return array

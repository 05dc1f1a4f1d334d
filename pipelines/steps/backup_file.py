"""The file of a backup: a zip of members and a manifest with the hash of each, and the checks that it is whole."""

from __future__ import annotations

import hashlib
import json
import re
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Any

from wearlab.errors import InputError, StoreError

MANIFEST = "manifest.json"
#: version of this form of backup
FORM = 1
#: at the end of the file, followed by the hash of the manifest
_MARK = b"wearlab backup, sha256 of manifest.json: "
_BLOCK = 1 << 20
#: a manifest is never larger
_MANIFEST_BYTES = 64 << 20
#: what zipfile raises on bytes that are no zip, or not a whole one
_FAULTS = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    NotImplementedError,
    RuntimeError,
    ValueError,
    LookupError,
    TypeError,
    AttributeError,
)

#: what a backup may hold
_FILES = {"wearlab.toml", "wearlab.duckdb", "wearlab.duckdb.wal", "journal.jsonl"}
_FOLDERS = {"layouts", "reports"}


@dataclass(frozen=True, slots=True)
class Member:
    """One file of a backup: its place in the workspace, its size and the hash of its bytes."""

    name: str
    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup says of itself.

    `made_at` : UTC; `schema_version` : of the store, None where nothing was loaded yet; `rows` : of every table.
    """

    workspace: str
    version: str
    made_at: str
    schema_version: int | None
    rows: Mapping[str, int]
    members: tuple[Member, ...]


def add_member(book: zipfile.ZipFile, name: str, source: IO[bytes]) -> Member:
    """Write one member and return its entry for the manifest."""
    digest, size = hashlib.sha256(), 0
    info = zipfile.ZipInfo(name)  # without times: they say nothing that the manifest does not
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    with book.open(info, "w", force_zip64=True) as out:
        while block := source.read(_BLOCK):
            digest.update(block)
            size += len(block)
            out.write(block)
    return Member(name, size, digest.hexdigest())


def add_manifest(book: zipfile.ZipFile, manifest: Manifest) -> None:
    """Write the manifest as the last member, and its hash at the end of the file."""
    told = {"wearlab_backup": FORM, **asdict(manifest)}
    content = json.dumps(told, ensure_ascii=False, indent=1).encode()
    info = zipfile.ZipInfo(MANIFEST)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    book.writestr(info, content)
    book.comment = _MARK + hashlib.sha256(content).hexdigest().encode()


def is_backup(path: Path) -> bool:
    """Whether a file looks like a backup of this program, whole or not."""
    try:
        with zipfile.ZipFile(path) as book:
            return book.comment.startswith(_MARK)
    except (OSError, *_FAULTS):
        return False


def verified(path: Path, *, shown: Path | None = None) -> Manifest:
    """Read a whole backup: every member is there, of its size and hash, and nothing else is.

    `shown` : the name that a sentence gives it.

    Raises
    ------
    InputError
        It is no backup, is truncated or changed, names a place outside, or is of a newer program.
    """
    name = shown or path
    try:
        with zipfile.ZipFile(path) as book:
            manifest = _manifest(name, book)
            for member in manifest.members:
                _compare(name, book, member)
    except OSError as fault:
        raise InputError(f"{name} cannot be read ({fault.strerror or fault}): name a backup file") from None
    except _FAULTS:
        raise _damaged(name, "its parts cannot all be read") from None
    return manifest


def unpack(path: Path, manifest: Manifest, folder: Path) -> None:
    """Write all members below a folder that is there; each is compared again while it is written.

    Raises
    ------
    InputError
        A member differs from the manifest.
    OSError
        It cannot be written.
    """
    with zipfile.ZipFile(path) as book:
        for member in manifest.members:
            target = folder.joinpath(*PurePosixPath(member.name).parts)
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("xb") as out:
                _compare(path, book, member, out)


def _compare(name: Path, book: zipfile.ZipFile, member: Member, out: IO[bytes] | None = None) -> None:
    digest, size = hashlib.sha256(), 0
    with book.open(member.name) as source:
        while block := source.read(_BLOCK):
            size += len(block)
            if size > member.bytes:  # never write more than the manifest promises
                break
            digest.update(block)
            if out is not None:
                out.write(block)
    if size != member.bytes or digest.hexdigest() != member.sha256:
        raise _damaged(name, f"{member.name} differs from its hash in the manifest")


def _manifest(name: Path, book: zipfile.ZipFile) -> Manifest:
    if not book.comment.startswith(_MARK):
        raise InputError(f'{name} is no backup of wearlab: name a file that "wearlab backup" made')
    infos = book.infolist()
    names = [info.filename for info in infos]
    if MANIFEST not in names or book.getinfo(MANIFEST).file_size > _MANIFEST_BYTES:
        raise _damaged(name, "its manifest is missing")
    content = book.read(MANIFEST)
    if book.comment[len(_MARK) :] != hashlib.sha256(content).hexdigest().encode():
        raise _damaged(name, "its manifest was changed")
    told: dict[str, Any] = json.loads(content)
    if told.pop("wearlab_backup", None) != FORM:
        raise InputError(f"{name} was made by a newer wearlab: install that one to restore it")
    try:
        members = tuple(Member(str(one["name"]), int(one["bytes"]), str(one["sha256"])) for one in told["members"])
        manifest = Manifest(**{**told, "members": members})
    except (TypeError, KeyError, ValueError):
        raise _damaged(name, "its manifest cannot be read") from None
    for one in sorted({*names, *(member.name for member in members)} - {MANIFEST}):
        if not _inside(one):
            raise InputError(f'{name} holds "{one[:80]}", which is no place in a workspace: nothing was restored')
    linked = [info.filename for info in infos if info.external_attr >> 28 not in (0, 8)]
    if linked:
        raise InputError(f'{name} holds "{linked[0][:80]}", which is no plain file: nothing was restored')
    wanted = sorted([MANIFEST, *(member.name for member in members)])
    if sorted(names) != wanted:
        raise _damaged(name, "its members are not those of its manifest")
    if len(set(names)) != len(names):
        raise _damaged(name, "two of its members have one name")
    return manifest


def _inside(name: str) -> bool:
    """Whether a member's name is a file of a workspace, on every system."""
    parts = name.split("/")
    if name in _FILES:
        return True
    if len(parts) < 2 or parts[0] not in _FOLDERS or re.search(r'[\\:*?"<>|\x00-\x1f]', name):
        return False
    return all(part not in ("", ".", "..") for part in parts)


def _damaged(name: Path, why: str) -> InputError:
    return InputError(f"{name} is truncated or was changed ({why}): take another backup; nothing was restored")


def storable(name: str) -> None:
    """Refuse a file name that a backup could not restore everywhere.

    Raises
    ------
    StoreError
        The name holds characters that no backup takes.
    """
    try:
        name.encode()
    except UnicodeEncodeError:
        fits = False
    else:
        fits = _inside(name)
    if not fits:
        shown = name.encode("utf-8", "replace").decode()
        raise StoreError(f'the file "{shown}" has a name that cannot be restored everywhere: rename it, then try again')

"""A zip archive of sheet files: its members under the path "archive.zip/inner.csv", read without unpacking."""

from __future__ import annotations

import copy
import posixpath
import zipfile
from collections.abc import Iterator, Mapping
from functools import lru_cache
from pathlib import Path

from pipelines.sheets.container import Container, directory
from wearlab.errors import SheetError, one_line

#: Largest archive or workbook that is opened, in bytes.
LARGEST_ARCHIVE = 300_000_000

#: Longest name of a file that is told and stored, in signs.
MOST_NAME = 400

_BEGIN = b"PK\x03\x04"


def inside_archive(path: Path) -> tuple[Path, str] | None:
    """Return the archive and the member's name where a path leads into a file, else None."""
    if is_there(path):
        return None
    for parent in path.parents:
        if is_there(parent):
            return (parent, path.relative_to(parent).as_posix()) if parent.is_file() else None
    return None


def is_there(path: Path) -> bool:
    """Whether a path exists; one that no system can hold (a name of thousands of signs) does not."""
    try:
        return path.exists()
    except OSError:
        return False


def shown_name(path: Path) -> str:
    """Return a file's own name without its folder; for a member "archive.zip/inner.csv".

    Signs that do not print, or that are half of a sign, are replaced: a name of the file system may be any bytes.
    """
    found = inside_archive(path)
    return one_line(path.name if found is None else f"{found[0].name}/{found[1]}", MOST_NAME)


def sheets_inside(path: Path, suffixes: tuple[str, ...]) -> list[str] | None:
    """Return the names of an archive's members that are sheets by their ending, sorted.

    None for any other file: workbooks, which are zip archives as well, and damaged or hostile archives, which
    answer with their sentence when they are read. Hidden files, lock files and the folders that some systems
    add for their own use are passed over.
    """
    try:
        with path.open("rb") as stream:
            if stream.read(4) != _BEGIN:
                return None
        members = _members(path)
    except (SheetError, OSError):
        return None
    if is_document(members):
        return None
    return sorted(name for name in members if _wanted(name, suffixes))


def is_document(members: Mapping[str, object]) -> bool:
    """Whether the parts are those of a workbook or another office document."""
    return "[Content_Types].xml" in members or "mimetype" in members


def member_chunks(path: Path, name: str) -> Iterator[bytes]:
    """Yield the inflated content of a member of the archive at `path`.

    Raises
    ------
    SheetError
        The archive or the member is missing, damaged or hostile; one sentence says which.
    """
    info = _members(path).get(name)
    if info is None:
        raise SheetError(f"{path.name} holds no file {name}: check the spelling of the path")
    with path.open("rb") as stream:
        stream.seek(info.header_offset)
        head = stream.read(30)
        names = int.from_bytes(head[26:28], "little") + int.from_bytes(head[28:30], "little")
        data = head + stream.read(names + info.compress_size)
    alone = copy.copy(info)
    alone.header_offset = 0
    yield from Container(path.name, data, {name: alone}).chunks(name)


def member_size(path: Path, name: str) -> int:
    """Return the bytes of a member when inflated, 0 for none of that name; errors as `member_chunks`."""
    info = _members(path).get(name)
    return 0 if info is None else info.file_size


def refuse_large_archive(label: str, size: int) -> None:
    """Refuse a workbook or archive of more than `LARGEST_ARCHIVE` bytes."""
    if size > LARGEST_ARCHIVE:
        raise SheetError(
            f"{label} is a workbook or archive of {size / 1e6:,.0f} MB, more than the {LARGEST_ARCHIVE // 10**6} MB "
            "that are read: split it or export its sheets as CSV"
        )


def _members(path: Path) -> dict[str, zipfile.ZipInfo]:
    about = path.stat()
    refuse_large_archive(path.name, about.st_size)
    return _directory(path, about.st_size, about.st_mtime_ns)


@lru_cache(maxsize=4)
def _directory(path: Path, size: int, changed_ns: int) -> dict[str, zipfile.ZipInfo]:
    """The checked directory of an archive; asked for each of its members, so it is kept while it is unchanged."""
    del changed_ns
    with path.open("rb") as stream:
        found = directory(path.name, stream, size)
    return {posixpath.normpath(name): info for name, info in found.items()}


def _wanted(name: str, suffixes: tuple[str, ...]) -> bool:
    *folders, own = name.split("/")
    if any(part.startswith((".", "__MACOSX")) for part in folders) or own.startswith((".", "~$")):
        return False
    return own.lower().endswith(suffixes)

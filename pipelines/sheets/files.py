"""Files in: what a file is by its content, and which files of a folder are sheets."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from pathlib import Path

from pipelines.sheets.raw import RawFile
from pipelines.sheets.read_csv import read_csv
from pipelines.sheets.read_workbook import read_workbook, refuse_large_workbook
from wearlab.errors import SheetError

#: Endings that are looked for in folders. A file that is named itself is judged by its content alone.
SUFFIXES = (".csv", ".txt", ".tsv", ".xlsx", ".xlsm", ".ods")

#: Largest file that is opened, in bytes.
LARGEST_FILE = 2_000_000_000

#: Beginning of a file that must hold a line end, unless it is a zip container.
_HEAD = 4_000_000

_OLD_OFFICE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"

#: How foreign files begin (their published formats), and what they are.
_FOREIGN: tuple[tuple[bytes, str], ...] = (
    (b"\x89PNG\r\n\x1a\n", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF87a", "a picture (GIF)"),
    (b"GIF89a", "a picture (GIF)"),
    (b"II*\0", "a picture (TIFF)"),
    (b"MM\0*", "a picture (TIFF)"),
    (b"%PDF-", "a PDF document"),
    (b"{\\rtf", "a text document (RTF)"),
    (b"\x1f\x8b", "a packed file (GZIP)"),
    (b"BZh", "a packed file (BZIP2)"),
    (b"\xfd7zXZ\0", "a packed file (XZ)"),
    (b"7z\xbc\xaf\x27\x1c", "a packed file (7Z)"),
    (b"Rar!\x1a\x07", "a packed file (RAR)"),
    (b"\x7fELF", "a program"),
    (b"SQLite format 3\0", "a database"),
    (b"PAR1", "a Parquet file"),
)


def read_file(path: Path, *, encodings: Sequence[str] = ("utf-8", "cp1252"), delimiter: str | None = None) -> RawFile:
    """Read a sheet file of any kind, recognised by its content and not by its ending.

    Parameters
    ----------
    path:
        The file.
    encodings:
        For delimited text: names tried in order where the file itself does not say.
    delimiter:
        For delimited text: the sign between columns; None finds it.

    Returns
    -------
    RawFile
        All rows as text.

    Raises
    ------
    SheetError
        The file is missing, empty, too large, of a foreign kind, damaged or hostile; one sentence says which.
    """
    data = _bytes(path)
    label = path.name
    sha256 = hashlib.sha256(data).hexdigest()
    if data.startswith(b"PK\x03\x04"):
        book = read_workbook(label, data)
        return RawFile(label, sha256, len(data), book.kind, None, None, book.sheets, book.notes)
    _refuse_foreign(label, data)
    table = read_csv(label, data, encodings=encodings, delimiter=delimiter)
    return RawFile(label, sha256, len(data), "csv", table.encoding, table.delimiter, (table.sheet,), table.notes)


def file_sha256(path: Path) -> str:
    """Return the hash of a file's bytes without reading it as a sheet; errors as `read_file`."""
    _size(path)
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as fault:
        raise _unreadable(path, fault) from None


def find_files(paths: Sequence[Path]) -> list[Path]:
    """Return the sheet files that `paths` name: files as they are, folders as all sheets in them, sorted.

    In folders only the endings of `SUFFIXES` count; hidden files and folders, lock files ("~$...") and
    links that lead out of the folder are passed over. A file that is reached twice is returned once.

    Raises
    ------
    SheetError
        A path does not exist, or a folder holds no sheet.
    """
    found: dict[Path, Path] = {}
    for path in paths:
        if path.is_dir():
            inside = _sheets_below(path)
            if not inside:
                raise SheetError(
                    f"{path} holds no sheets: expected files ending in {', '.join(SUFFIXES)}, name another folder"
                )
            for file in inside:
                found.setdefault(file.resolve(), file)
        elif path.is_file():
            found.setdefault(path.resolve(), path)
        elif path.exists():
            raise SheetError(f"{path} is neither a file nor a folder: name a sheet file or a folder of sheets")
        else:
            raise SheetError(f"{path} does not exist: check the spelling of the path")
    return list(found.values())


def _sheets_below(folder: Path) -> list[Path]:
    root = folder.resolve()
    inside: list[Path] = []
    for here, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in names:
            file = Path(here, name)
            wanted = file.suffix.lower() in SUFFIXES and not name.startswith((".", "~$"))
            if wanted and file.is_file() and file.resolve().is_relative_to(root):
                inside.append(file)
    return sorted(inside)


def _size(path: Path) -> int:
    if path.is_dir():
        raise SheetError(f"{path} is a folder: expected a sheet file, or load the folder as a whole")
    if not path.exists():
        raise SheetError(f"{path} does not exist: check the spelling of the path")
    if not path.is_file():
        raise SheetError(f"{path} is not an ordinary file: expected a sheet file")
    size = path.stat().st_size
    if size == 0:
        raise SheetError(f"{path.name} is empty: expected at least a header and one row, export the sheet again")
    if size > LARGEST_FILE:
        raise SheetError(
            f"{path.name} has {size / 1e9:.1f} GB, more than the {LARGEST_FILE / 1e9:g} GB that are read: split it"
        )
    return size


def _bytes(path: Path) -> bytes:
    size = _size(path)
    try:
        with path.open("rb") as stream:
            head = stream.read(min(size, _HEAD))
            if head.startswith(b"PK\x03\x04"):
                refuse_large_workbook(path.name, size)
            else:
                _refuse_endless_line(path.name, head)
            return head + stream.read(size - len(head))
    except OSError as fault:
        raise _unreadable(path, fault) from None


def _refuse_endless_line(label: str, head: bytes) -> None:
    """Refuse a file without any line end early, before all of it is read into memory."""
    if len(head) < _HEAD:
        return
    _refuse_foreign(label, head)
    if b"\n" not in head and b"\r" not in head:
        raise SheetError(f"{label} has a line of more than 1 MB (line 1): expected rows of a sheet, export it again")


def _unreadable(path: Path, fault: OSError) -> SheetError:
    return SheetError(f"{path} cannot be opened ({fault.strerror or fault}): check its rights and close other programs")


def _refuse_foreign(label: str, data: bytes) -> None:
    kind = next((told for begin, told in _FOREIGN if data.startswith(begin)), None) or _by_structure(data)
    if kind is not None:
        raise SheetError(f"{label} is {kind} and no sheet, whatever its name says: expected CSV, XLSX, XLSM or ODS")
    if data.startswith(_OLD_OFFICE):
        # an encrypted workbook is a stream of this name, in UTF-16, inside the old container
        if "EncryptedPackage".encode("utf-16-le") in data:
            raise SheetError(f"{label} is encrypted: save it without a password and load that file")
        raise SheetError(f"{label} is in the old binary office format (XLS), which is not read: save it as XLSX")
    if data.startswith(b"PK"):
        raise SheetError(f"{label} is an empty or split zip archive: expected a workbook, export the sheet again")
    begin = data[:512].removeprefix(b"\xef\xbb\xbf").lstrip().lower()
    if begin.startswith((b"<!doctype html", b"<html", b"<table", b"<?xml")):
        raise SheetError(f"{label} is a web page or XML and no delimited text: open it and save it as XLSX or CSV")


def _by_structure(data: bytes) -> str | None:
    if data.startswith(b"BM") and len(data) > 26 and data[6:10] == b"\0\0\0\0":
        return "a picture (BMP)"
    if data.startswith(b"RIFF") and data[8:12] in (b"WEBP", b"WAVE", b"AVI "):
        return "a picture, sound or film"
    if data[4:8] == b"ftyp":
        return "a picture or film"
    return None

"""Files in: what a file is by its content, and which files of a folder are sheets."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from pipelines.sheets.archive import (
    inside_archive,
    is_document,
    is_there,
    member_chunks,
    member_size,
    refuse_large_archive,
    sheets_inside,
    shown_name,
)
from pipelines.sheets.collector import collector_paused
from pipelines.sheets.container import open_container
from pipelines.sheets.lines import LineWatch, endless_line
from pipelines.sheets.raw import RawFile
from pipelines.sheets.read_csv import read_csv
from pipelines.sheets.read_jsonl import begins_like_jsonl, read_jsonl
from pipelines.sheets.read_parquet import read_parquet
from pipelines.sheets.read_workbook import read_workbook
from wearlab.errors import SheetError

#: Endings that are looked for in folders and archives. A file that is named itself is judged by its content alone.
SUFFIXES = (".csv", ".txt", ".tsv", ".xlsx", ".xlsm", ".ods", ".parquet", ".jsonl", ".ndjson", ".zip")

#: Largest file that is opened, in bytes.
LARGEST_FILE = 2_000_000_000

#: Bytes that are read at a time; foreign content is known from the first of them.
_HEAD = 4_000_000
_STEP = 16_000_000

_ZIP = b"PK\x03\x04"
_PARQUET = b"PAR1"
_JSON_LINES = (".jsonl", ".ndjson")
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
    (b"PARE", "an encrypted Parquet file"),
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
    with collector_paused():
        return _read(path, encodings, delimiter)


def _read(path: Path, encodings: Sequence[str], delimiter: str | None) -> RawFile:
    data = _bytes(path)
    label = shown_name(path)
    sha256 = hashlib.sha256(data).hexdigest()
    if data.startswith(_ZIP):
        _refuse_archive(path, label, data)
        book = read_workbook(label, data)
        return RawFile(label, sha256, len(data), book.kind, None, None, book.sheets, book.notes)
    if data.startswith(_PARQUET):
        sheet, notes = read_parquet(label, data)
        return RawFile(label, sha256, len(data), "parquet", None, None, (sheet,), notes)
    _refuse_foreign(label, data)
    if path.suffix.lower() in _JSON_LINES or begins_like_jsonl(data):
        sheet, notes = read_jsonl(label, data)
        return RawFile(label, sha256, len(data), "jsonl", None, None, (sheet,), notes)
    table = read_csv(label, data, encodings=encodings, delimiter=delimiter)
    return RawFile(label, sha256, len(data), "csv", table.encoding, table.delimiter, (table.sheet,), table.notes)


def file_sha256(path: Path) -> str:
    """Return the hash of a file's bytes without reading it as a sheet; errors as `read_file`."""
    digest = hashlib.sha256()
    for piece in _pieces(path):
        digest.update(piece)
    return digest.hexdigest()


def size_of(path: Path) -> int:
    """Return the bytes of a file, or of a file inside an archive; 0 where it cannot be read."""
    try:
        inside = inside_archive(path)
        return path.stat().st_size if inside is None else member_size(*inside)
    except (OSError, SheetError):
        return 0


def find_files(paths: Sequence[Path]) -> list[Path]:
    """Return the sheet files that `paths` name: files as they are, folders as all sheets in them, sorted.

    In folders only the endings of `SUFFIXES` count; hidden files and folders, lock files ("~$...") and
    links that lead out of the folder are passed over. A zip archive of files counts as a folder: its sheets are
    returned as "archive.zip/inner.csv", which `read_file` reads. One without sheets, or damaged, is returned as
    it is, and reading it says why. A file that is reached twice is returned once.

    Raises
    ------
    SheetError
        A path does not exist, or a folder holds no sheet.
    """
    found: dict[Path, Path] = {}
    for path in paths:
        if not is_there(path) and inside_archive(path) is None:
            raise SheetError(f"{path} does not exist: check the spelling of the path")
        if is_there(path) and path.is_dir():
            inside = _sheets_below(path)
            if not inside:
                raise SheetError(
                    f"{path} holds no sheets: expected files ending in {', '.join(SUFFIXES)}, name another folder"
                )
            _take(found, inside)
        elif inside_archive(path) is not None or path.is_file():
            _take(found, [path])
        else:
            raise SheetError(f"{path} is neither a file nor a folder: name a sheet file or a folder of sheets")
    return list(found.values())


def _take(found: dict[Path, Path], files: Iterable[Path]) -> None:
    for file in files:
        names = sheets_inside(file, SUFFIXES) if is_there(file) and file.is_file() else None
        for one in [file / name for name in names] if names else [file]:
            found.setdefault(one.resolve(), one)


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
    if not is_there(path):
        raise SheetError(f"{path} does not exist: check the spelling of the path")
    if path.is_dir():
        raise SheetError(f"{path} is a folder: expected a sheet file, or load the folder as a whole")
    if not path.is_file():
        raise SheetError(f"{path} is not an ordinary file: expected a sheet file")
    size = path.stat().st_size
    if size == 0:
        raise _empty(path.name)
    if size > LARGEST_FILE:
        raise SheetError(
            f"{path.name} has {size / 1e9:.1f} GB, more than the {LARGEST_FILE / 1e9:g} GB that are read: split it"
        )
    return size


def _bytes(path: Path) -> bytes:
    """Return the whole content."""
    pieces = list(_pieces(path))
    data = pieces[0] if len(pieces) == 1 else b"".join(pieces)
    if not data:
        raise _empty(shown_name(path))
    return data


def _pieces(path: Path) -> Iterator[bytes]:
    """Yield the content of a file; a text is left at its first endless line, before the rest of it is read."""
    label = shown_name(path)
    watch = LineWatch()
    first = b""
    for piece in _raw_pieces(path):
        first = first or piece
        if not first.startswith((_ZIP, _PARQUET)) and (line := watch.too_long(piece)):
            _refuse_foreign(label, first)
            raise endless_line(label, line)
        yield piece


def _raw_pieces(path: Path) -> Iterator[bytes]:
    """Yield the content of a file, or of a file inside an archive."""
    try:
        inside = inside_archive(path)
        if inside is not None:
            yield from member_chunks(*inside)
            return
        size = _size(path)
        with path.open("rb") as stream:
            head = stream.read(min(size, _HEAD))
            if head.startswith(_ZIP):
                refuse_large_archive(path.name, size)
            yield head
            for start in range(len(head), size, _STEP):
                yield stream.read(min(_STEP, size - start))
    except OSError as fault:
        raise _unreadable(path, fault) from None


def _refuse_archive(path: Path, label: str, data: bytes) -> None:
    """Refuse a zip archive that is no workbook, saying how its sheets can be read."""
    if is_document(open_container(label, data).members):
        return
    if inside_archive(path) is not None:
        raise SheetError(f"{label} is a zip archive inside another one, which is not opened: unpack it and load it")
    names = sheets_inside(path, SUFFIXES)
    if names:
        raise SheetError(
            f"{label} is a zip archive and no workbook: name one of its sheets, such as {label}/{names[0]}"
        )
    raise SheetError(
        f"{label} is a zip archive and no workbook, and none of its files is a sheet: expected files ending in "
        f"{', '.join(SUFFIXES[:-1])}"
    )


def _empty(label: str) -> SheetError:
    return SheetError(f"{label} is empty: expected at least a header and one row, export the sheet again")


def _unreadable(path: Path, fault: OSError) -> SheetError:
    return SheetError(f"{path} cannot be opened ({fault.strerror or fault}): check its rights and close other programs")


def _refuse_foreign(label: str, data: bytes) -> None:
    kind = next((told for begin, told in _FOREIGN if data.startswith(begin)), None) or _by_structure(data)
    if kind is not None:
        raise SheetError(
            f"{label} is {kind} and no sheet, whatever its name says: expected CSV, XLSX, XLSM, ODS, "
            "Parquet or JSON lines"
        )
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

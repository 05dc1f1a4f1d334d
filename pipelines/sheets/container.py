"""The zip container of a workbook, opened with suspicion: sizes, names and contents are checked first.

What a zip directory says of its members is only a claim. Every member that is read is inflated here and
must have the size and checksum it claims, so the library that reads the cells afterwards meets no surprise.
"""

from __future__ import annotations

import io
import posixpath
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO
from xml.parsers import expat

from wearlab.errors import SheetError, one_line

#: Bytes that all members together may inflate to. A full sheet of a million rows needs about half of it.
MOST_INFLATED = 1_200_000_000

#: Inflated over packed size of all members together, looked at from 20 MB on. Sheets reach 5 to 60.
MOST_RATIO = 200

_MOST_MEMBERS = 10_000
_STEP = 1 << 20

#: Begins every entry of a zip directory.
_ENTRY = b"PK\x01\x02"

#: What the library raises for directories that lie; numbers in them may be too large for a file's positions.
_LIES = (
    zipfile.BadZipFile,
    zipfile.LargeZipFile,
    NotImplementedError,
    ValueError,
    IndexError,
    OSError,
    EOFError,
    OverflowError,
    MemoryError,
    struct.error,
)


@dataclass(frozen=True, slots=True)
class Container:
    """A checked zip archive in memory: members by name."""

    label: str
    data: bytes
    members: dict[str, zipfile.ZipInfo]

    def chunks(self, name: str) -> Iterator[bytes]:
        """Yield the inflated content of a member.

        Raises
        ------
        SheetError
            The content is damaged, or has not the size or checksum that the directory claims.
        """
        info = self.members[name]
        head = self.data[info.header_offset : info.header_offset + 30]
        if len(head) < 30 or head[:4] != b"PK\x03\x04":
            raise self.damaged(name)
        start = info.header_offset + 30 + int.from_bytes(head[26:28], "little")
        start += int.from_bytes(head[28:30], "little")
        packed = memoryview(self.data)[start : start + info.compress_size]
        if len(packed) != info.compress_size:
            raise self.damaged(name)
        size, checksum = 0, 0
        for piece in _inflated(packed) if info.compress_type == zipfile.ZIP_DEFLATED else _sliced(packed):
            if piece is None:
                raise self.damaged(name)
            size += len(piece)
            checksum = zlib.crc32(piece, checksum)
            if size > info.file_size:
                raise self.damaged(name)
            yield piece
        if size != info.file_size or checksum != info.CRC:
            raise self.damaged(name)

    def read(self, name: str) -> bytes:
        """Return the whole content of a member; errors as `chunks`."""
        return b"".join(self.chunks(name))

    def damaged(self, name: str) -> SheetError:
        """Return the error for a member whose content is not what it should be."""
        return SheetError(
            f'{self.label} is damaged (its part "{name}" cannot be read): open it in a spreadsheet program, '
            "save it again and load that file"
        )

    def parse(self, name: str, parser: expat.XMLParserType) -> None:
        """Feed a member to an XML parser whose handlers are set; a document type or an entity is refused.

        Raises
        ------
        SheetError
            The part is not well formed, or declares a document type.
        """

        def refuse(*_: object) -> None:
            raise SheetError(
                f'{self.label} declares a document type or entity in its part "{name}", which no spreadsheet '
                "program writes: the file is refused, save the sheet anew from a spreadsheet program"
            )

        parser.StartDoctypeDeclHandler = refuse
        parser.EntityDeclHandler = refuse
        try:
            for piece in self.chunks(name):
                parser.Parse(piece, False)
            parser.Parse(b"", True)
        except (expat.ExpatError, LookupError, ValueError):
            raise self.damaged(name) from None


def open_container(label: str, data: bytes) -> Container:
    """Check the directory of a zip archive in memory; errors as `directory`."""
    return Container(label, data, directory(label, io.BytesIO(data), len(data)))


def directory(label: str, stream: BinaryIO, size: int) -> dict[str, zipfile.ZipInfo]:
    """Check the directory of a zip archive of `size` bytes and return its members by name.

    Raises
    ------
    SheetError
        Damaged or encrypted archives, members that climb out of the folder or stand twice, unusual
        compression, and archives that would inflate beyond `MOST_INFLATED` or `MOST_RATIO`.
    """
    # entries are counted by their signs first: the library would make an object of each of some millions
    entries = _entries(stream)
    if entries > 2 * _MOST_MEMBERS:
        raise SheetError(f"{label} holds {entries:,} parts, far more than a sheet needs: unpack it and load the folder")
    damaged = SheetError(f"{label} is a damaged zip or workbook file: it was probably cut off, copy or export it again")
    try:
        with zipfile.ZipFile(stream) as archive:
            found = [info for info in archive.infolist() if not info.is_dir()]
    except _LIES:
        raise damaged from None
    if any(not 0 <= info.header_offset < size for info in found):
        raise damaged
    inflated, packed = sum(info.file_size for info in found), sum(info.compress_size for info in found)
    swollen = inflated > 20_000_000 and inflated > MOST_RATIO * min(packed, size)
    bomb = inflated > MOST_INFLATED or swollen
    if bomb or len(found) > _MOST_MEMBERS or packed > size:
        raise SheetError(
            f"{label} would unpack to {inflated / 1e6:,.0f} MB in {len(found):,} parts from "
            f"{size / 1e6:,.1f} MB, far more than a sheet needs: it is refused, split the sheet "
            "or export it as CSV"
        )
    members: dict[str, zipfile.ZipInfo] = {}
    folded: set[str] = set()
    for info in found:
        name = info.filename
        if name.startswith("/") or "\\" in name or ":" in name or ".." in name.split("/"):
            raise SheetError(
                f'{label} holds a part named "{_shown(name)}" that climbs out of its folder: it is refused'
            )
        plain = posixpath.normpath(name).casefold()
        if plain in folded:
            raise SheetError(f'{label} holds its part "{_shown(name)}" twice: it is refused, save the sheet anew')
        if info.flag_bits & 1:
            raise SheetError(f"{label} is encrypted: save it without a password and load that file")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise SheetError(f"{label} is packed in an unusual way: save it anew from a spreadsheet program")
        folded.add(plain)
        members[name] = info
    return members


def _shown(name: str) -> str:
    """A member's name in a sentence of one line, whatever signs it holds."""
    return one_line(name, 120)


def _entries(stream: BinaryIO) -> int:
    """How many entries of a zip directory there can be at most."""
    found, before = 0, b""
    stream.seek(0)
    while piece := stream.read(_STEP):
        found += (before + piece).count(_ENTRY)
        before = piece[1 - len(_ENTRY) :]
    return found


def _inflated(packed: memoryview) -> Iterator[bytes | None]:
    machine = zlib.decompressobj(-15)
    rest: bytes | memoryview
    try:
        for start in range(0, len(packed), _STEP):
            rest = packed[start : start + _STEP]
            while len(rest):
                yield machine.decompress(rest, _STEP)
                rest = machine.unconsumed_tail
        while not machine.eof:
            piece = machine.decompress(b"", _STEP)
            if not piece:
                break
            yield piece
    except zlib.error:
        yield None
    if not machine.eof:
        yield None


def _sliced(packed: memoryview) -> Iterator[bytes | None]:
    for start in range(0, len(packed), _STEP):
        yield bytes(packed[start : start + _STEP])

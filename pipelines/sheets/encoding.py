"""Which character encoding a text file is in: by its mark, by its NUL bytes, or by a list in order."""

from __future__ import annotations

import codecs
import re
from collections.abc import Sequence
from dataclasses import dataclass

from wearlab.errors import SheetError

#: Encodings a layout may list. Anything else (escape codes, compressing codecs) is no encoding of a sheet.
_ALLOWED = re.compile(
    r"utf-8(-sig)?|utf-16(-[lb]e)?|cp125[0-8]|cp(437|85[0278]|866)|iso8859-(1|2|3|4|5|7|8|9|10|13|14|15|16)|"
    r"koi8-[ru]|mac-roman|ascii"
)
_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_SLICE = 1 << 24
_ASCII = bytes(range(128))
_CONTROL = bytes(code for code in range(32) if code not in b"\t\n\r\v\f\x1a\x1b") + b"\x7f"


@dataclass(frozen=True, slots=True)
class Encoding:
    """How to decode a file: codec name, bytes of the mark to skip, and what to say about the choice."""

    name: str
    skip: int
    notes: tuple[str, ...] = ()


def find_encoding(label: str, data: bytes, encodings: Sequence[str]) -> Encoding:
    """Return the encoding of `data`.

    A byte order mark decides. Without one, NUL bytes that stand at every second place over at least a tenth
    of the beginning mean UTF-16; any other NUL means that the file is no text. Then the first name of
    `encodings` that decodes the whole file is used. Where a later single-byte encoding of the list also
    fits and gives another text, a note names both and the first place where they differ.

    Raises
    ------
    SheetError
        The content is binary, an encoding is unknown, or none of the list fits.
    """
    for mark, name in _MARKS:
        if data.startswith(mark):
            if name == "utf-16-le" and data[2:4] == b"\0\0":
                raise SheetError(f"{label} is UTF-32 text, which is not read: save it as UTF-8")
            return _decodable(label, data, name, len(mark), "its byte order mark says")
    if b"\0" in data:
        pattern = _utf16_without_mark(data[:65536])
        if pattern is None:
            raise SheetError(
                f"{label} holds NUL bytes and is no text: expected a delimited text file or a workbook, "
                "export the sheet again as CSV or XLSX"
            )
        return _decodable(label, data, pattern, 0, "its NUL bytes say")
    head = data[: 1 << 20]
    if len(head) - len(head.translate(None, _CONTROL)) > len(head) // 50:
        raise SheetError(
            f"{label} consists largely of control characters and is no text: expected a delimited text file "
            "or a workbook, export the sheet again as CSV or XLSX"
        )
    return _first_fitting(label, data, [_codec(label, name) for name in encodings])


def _decodable(label: str, data: bytes, name: str, skip: int, why: str) -> Encoding:
    fault = _fault(data, name, skip)
    if fault is not None:
        raise SheetError(
            f"{label} is not valid {name} at byte {fault + 1} although {why} so: the file is damaged "
            "or cut off, export it again"
        )
    return Encoding(name, skip)


def _utf16_without_mark(head: bytes) -> str | None:
    pairs = len(head) // 2
    first, second = head[0::2].count(0), head[1::2].count(0)
    if pairs and second >= pairs / 10 and first == 0:
        return "utf-16-le"
    if pairs and first >= pairs / 10 and second == 0:
        return "utf-16-be"
    return None


def _codec(label: str, name: str) -> str:
    try:
        known = codecs.lookup(name.strip()).name
    except (LookupError, ValueError):
        known = ""
    if not _ALLOWED.fullmatch(known):
        raise SheetError(
            f'{label} cannot be read as "{name}", which is no known encoding of a sheet: use utf-8, cp1252, '
            "cp1250, cp1251 or latin-1 in the layout"
        )
    return "utf-8" if known == "utf-8-sig" else known


def _first_fitting(label: str, data: bytes, names: Sequence[str]) -> Encoding:
    faults: list[str] = []
    for place, name in enumerate(names):
        fault = _fault(data, name, 0)
        if fault is not None:
            line = data.count(b"\n", 0, fault) + 1
            faults.append(f"{name} fails at line {line}, byte 0x{data[fault]:02X}")
            continue
        return Encoding(name, 0, _rivals(data, name, names[place + 1 :]))
    told = "; ".join(faults) if faults else "the list is empty"
    raise SheetError(
        f"{label} fits none of the encodings to try ({told}): name the right encoding in the layout, "
        "or save the file as UTF-8"
    )


def _fault(data: bytes, name: str, skip: int) -> int | None:
    """Return the offset of the first byte that `name` cannot decode, or None."""
    if name in ("utf-8", "ascii") and data.isascii():
        return None
    decoder = codecs.getincrementaldecoder(name)("strict")
    view = memoryview(data)
    done = skip
    while True:
        piece = view[done : done + _SLICE]
        last = done + len(piece) >= len(data)
        held = len(decoder.getstate()[0])
        try:
            decoder.decode(piece, last)
        except UnicodeDecodeError as fault:
            return max(min(done - held + fault.start, len(data) - 1), 0)
        if last:
            return None
        done += len(piece)


def _rivals(data: bytes, used: str, later: Sequence[str]) -> tuple[str, ...]:
    """Say which later single-byte encodings fit as well and read a byte of the file otherwise."""
    if used.startswith("utf-") or data.isascii():
        return ()
    high = bytes(sorted(set(data.translate(None, _ASCII))))
    notes = []
    for name in dict.fromkeys(later):
        if name.startswith("utf-") or name == used:
            continue
        try:
            differing = [code for code in high if bytes([code]).decode(name) != bytes([code]).decode(used)]
        except UnicodeDecodeError:
            continue
        if differing:
            first = min(data.index(code) for code in differing)
            byte = data[first : first + 1]
            notes.append(
                f'read as {used}; {name} fits too and reads "{byte.decode(name)}" instead of '
                f'"{byte.decode(used)}" (first in line {data.count(bytes([10]), 0, first) + 1}): '
                "name the right encoding alone in the layout"
            )
    return tuple(notes)

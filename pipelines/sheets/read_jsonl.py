"""JSON lines to rows of text: one object a line, its keys as columns, every row with its true line."""

from __future__ import annotations

import io
import json
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipelines.sheets.encoding import find_encoding
from pipelines.sheets.lines import refuse_long_lines, refuse_many_lines
from pipelines.sheets.raw import CellSet, RawSheet
from pipelines.sheets.scan import LAST_COLUMN, MOST_CELLS
from wearlab.errors import SheetError


class _Written(str):
    """A number as it was written: "12.50" keeps its last digit."""

    __slots__ = ()


class _TwiceError(ValueError):
    """A key stands twice in one object."""


def begins_like_jsonl(data: bytes) -> bool:
    """Whether the first line with content is one whole JSON object."""
    head = data[:1_000_000].removeprefix(b"\xef\xbb\xbf").lstrip()
    line = head.splitlines()[0] if head else b""
    if not line.startswith(b"{") or not line.rstrip().endswith(b"}"):
        return False
    try:
        return isinstance(json.loads(line), dict)
    except (ValueError, RecursionError):
        return False


def read_jsonl(label: str, data: bytes) -> tuple[RawSheet, tuple[str, ...]]:
    """Read JSON lines (RFC 8259 objects, one a line) in memory; returns the one table and notes.

    The header is made of all keys in the order in which they first stand in the file and has the row number 0;
    every other row has the number of its line, blank lines included. Texts and numbers are kept as written, true
    and false become TRUE and FALSE, null, NaN and an absent key a blank cell.

    Raises
    ------
    SheetError
        No UTF-8 or UTF-16, a line that is no object, a nested value, a key that stands twice, more columns or
        cells than a sheet has.
    """
    encoding = find_encoding(label, data, ("utf-8",))
    refuse_many_lines(label, data)
    refuse_long_lines(label, data, 2 if encoding.name.startswith("utf-16") else 1)
    stream = io.BytesIO(data)
    stream.seek(encoding.skip)
    places: dict[str, int] = {}
    shapes: dict[tuple[object, ...], tuple[int, _Shape]] = {}
    shape_of_row = array("q", [0])
    rows: list[list[str]] = [[]]
    shared: dict[str, str] = {}
    share = shared.setdefault
    lines = io.TextIOWrapper(stream, encoding=encoding.name, newline=None)
    for number, record in enumerate(_records(label, lines), start=1):
        values = record.values()
        found = shapes.get((*record, *map(type, values)))
        if found is None:
            _refuse_nested(label, number, record)
            found = len(shapes) + 1, _Shape.of(record, places)
            shapes[(*record, *map(type, values))] = found
        code, shape = found
        texts = list(map(str, values))
        for place in shape.words:
            texts[place] = _word(texts[place])
        row = list(map(share, texts, texts))
        if not shape.plain:
            spread = [""] * shape.width
            for place, text in zip(shape.places, row, strict=True):
                spread[place] = text
            row = spread
        rows.append(row)
        shape_of_row.append(code)
        if len(places) > LAST_COLUMN or len(places) * number > MOST_CELLS:
            raise SheetError(
                f"{label} holds {len(places):,} different keys up to line {number}, more than a sheet has room for: "
                "write one object with the same keys for each test"
            )
    rows[0] = list(places)
    numbers = _number_cells(np.frombuffer(shape_of_row, dtype=np.int64), [shape for _, shape in shapes.values()])
    return RawSheet(None, rows, range(len(rows)), number_cells=numbers), encoding.notes


@dataclass(frozen=True, slots=True)
class _Shape:
    """Objects of the same keys with values of the same types: where their values go.

    `plain` : they go into the first columns in their own order; `width` : columns up to the last one used;
    `numbers` : columns of numbers; `words` : which values are true, false or null.
    """

    places: tuple[int, ...]
    plain: bool
    width: int
    numbers: tuple[int, ...]
    words: tuple[int, ...]

    @classmethod
    def of(cls, record: dict[str, Any], places: dict[str, int]) -> _Shape:
        """Return the shape of an object; new keys get the next places."""
        found = tuple(places.setdefault(key, len(places)) for key in record)
        kinds = [type(value) for value in record.values()]
        return cls(
            found,
            found == tuple(range(len(found))),
            max(found, default=-1) + 1,
            tuple(place for place, kind in zip(found, kinds, strict=True) if kind is _Written),
            tuple(index for index, kind in enumerate(kinds) if kind is not _Written and kind is not str),
        )


def _number_cells(shape_of_row: NDArray[np.int64], shapes: list[_Shape]) -> CellSet:
    rows: dict[int, list[NDArray[np.int64]]] = {}
    order = np.argsort(shape_of_row, kind="stable")
    ends = np.searchsorted(shape_of_row[order], np.arange(len(shapes) + 2))
    for code, shape in enumerate(shapes, start=1):
        for place in shape.numbers:
            rows.setdefault(place, []).append(order[ends[code] : ends[code + 1]])
    return CellSet({place: np.sort(np.concatenate(parts)) for place, parts in rows.items()})


def _records(label: str, lines: io.TextIOWrapper) -> Iterator[dict[str, Any]]:
    """Yield the object of each line; an empty one for a blank line."""
    decoder = json.JSONDecoder(
        object_pairs_hook=_once, parse_int=_Written, parse_float=_Written, parse_constant=_constant
    )
    for number, line in enumerate(lines, start=1):
        text = line.strip()
        if not text:
            yield {}
            continue
        try:
            record = decoder.decode(text)
        except _TwiceError as fault:
            raise SheetError(
                f'{label} has the key "{fault}" twice in line {number}: one of the values would be lost, rename it'
            ) from None
        except RecursionError:
            raise SheetError(f"{label} nests its values without end in line {number}: it is refused") from None
        except ValueError as fault:
            told = str(fault).partition(":")[0]
            raise SheetError(
                f"{label} holds no JSON object in line {number} ({told}): expected one object a line, such as "
                '{"vehicle": "A 12", "value": 12.5}'
            ) from None
        if not isinstance(record, dict):
            raise SheetError(
                f"{label} holds a {_named(record)} instead of an object in line {number}: write one object a line"
            )
        if "\\" in text and (fault_key := _unwritable(record)) is not None:
            raise SheetError(
                f'{label} holds a sign that is no character in line {number}, key "{fault_key}": write the text anew'
            )
        yield record


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) != len(pairs):
        seen: set[str] = set()
        for key, _ in pairs:
            if key in seen:
                raise _TwiceError(key[:60])
            seen.add(key)
    return made


def _constant(name: str) -> str:
    """The words that some writers put where JSON has no number."""
    return "" if name == "NaN" else name


def _word(text: str) -> str:
    """Null is a blank cell; true and false are written as workbooks do."""
    return "" if text == "None" else text.upper()


def _refuse_nested(label: str, number: int, record: dict[str, Any]) -> None:
    for key, value in record.items():
        if isinstance(value, (list, dict)):
            raise SheetError(
                f'{label} holds a {_named(value)} in line {number}, key "{key[:60]}", which fits in no cell: '
                "write numbers and texts only, one object for each test"
            )


def _named(value: object) -> str:
    if isinstance(value, list):
        return "list"
    if isinstance(value, dict):
        return "nested object"
    return "number or word"


def _unwritable(record: dict[str, Any]) -> str | None:
    """Return the key whose name or text holds half a sign or a NUL, which no store can keep."""
    for key, value in record.items():
        for text in (key, value):
            if isinstance(text, str) and ("\0" in text or any("\ud800" <= sign <= "\udfff" for sign in text)):
                return key.encode("ascii", "replace").decode()[:60]
    return None

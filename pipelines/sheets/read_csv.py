"""Delimited text to rows of text: any of the usual encodings and delimiters, every row with its true line."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, islice

from pipelines.sheets.delimiter import find_delimiter
from pipelines.sheets.encoding import Encoding, find_encoding
from pipelines.sheets.lines import refuse_long_lines, refuse_many_cells, refuse_many_lines
from pipelines.sheets.raw import RawSheet
from wearlab.errors import SheetError

#: The delimiter is found from this many lines and signs at most.
_SAMPLE_LINES = 2000
_SAMPLE_SIGNS = 4_000_000

#: A quoted row over more lines than this is reported.
_LONG_RECORD = 5

_END = "\0\0"


@dataclass(frozen=True, slots=True)
class TextTable:
    """A text file as read: its one table, the encoding and delimiter used, and notes on both."""

    sheet: RawSheet
    encoding: str
    delimiter: str
    notes: tuple[str, ...]


def read_csv(label: str, data: bytes, *, encodings: Sequence[str], delimiter: str | None = None) -> TextTable:
    """Read delimited text.

    Parameters
    ----------
    label:
        The file's name for sentences.
    data:
        The whole file. It is kept once; decoding streams over it.
    encodings:
        Names to try in order where no mark and no NUL pattern decides; see `find_encoding`.
    delimiter:
        The one sign between columns; None finds it, see `find_delimiter`.

    Returns
    -------
    TextTable
        Blank lines are rows without cells, ragged rows stay ragged, cells are verbatim. Quoted cells may hold
        line breaks; rows then carry the number of the line on which they start.

    Raises
    ------
    SheetError
        Empty, binary or undecodable content, a line over 1 MB, too many lines or cells, a quote that is never closed.
    """
    if not data.strip(b" \t\r\n\0\x1a\xef\xbb\xbf\xff\xfe"):
        raise SheetError(f"{label} is empty: expected at least a header and one row, export the sheet again")
    if delimiter is not None and (len(delimiter) != 1 or delimiter in '"\r\n\0'):
        raise SheetError(
            f"{label} cannot be split at {delimiter!r}: a delimiter is one sign, for example ; or , in the layout"
        )
    encoding = find_encoding(label, data, encodings)
    wide = 2 if encoding.name.startswith("utf-16") else 1
    refuse_many_lines(label, data)
    refuse_long_lines(label, data, wide)
    notes = list(encoding.notes)
    if delimiter is None:
        found = find_delimiter(_sample(_lines(data, encoding)))
        delimiter = found.sign
        notes.extend(found.notes)
    refuse_many_cells(label, data, delimiter, encoding.name)
    rows, numbers, spans = _parse(label, data, encoding, delimiter)
    notes.extend(spans[:5])
    return TextTable(RawSheet(None, rows, numbers), encoding.name, delimiter, tuple(notes))


def _lines(data: bytes, encoding: Encoding) -> Iterator[str]:
    """Yield decoded lines with their line ends; only CR, LF and CRLF end a line, as in any editor."""
    stream = io.BytesIO(data)
    stream.seek(encoding.skip)
    return io.TextIOWrapper(stream, encoding=encoding.name, newline="")


def _sample(lines: Iterator[str]) -> list[str]:
    sample: list[str] = []
    signs = 0
    for line in islice(lines, _SAMPLE_LINES):
        sample.append(line)
        signs += len(line)
        if signs > _SAMPLE_SIGNS:
            break
    return sample


def _parse(
    label: str, data: bytes, encoding: Encoding, delimiter: str
) -> tuple[list[list[str]], list[int] | None, list[str]]:
    # two lines of our own at the end: if they do not come back as two rows, a quote before them was never closed;
    # one would not do, because a last line of nothing but a quote makes a row of it alone
    lines = chain(_lines(data, encoding), [_END, _END])
    reader = csv.reader(lines, delimiter=delimiter)
    # sheets repeat their texts: one object for each distinct text keeps a large file small and is faster
    shared: dict[str, str] = {}
    share = shared.setdefault
    try:
        rows = [list(map(share, row, row)) for row in reader]
    except csv.Error as fault:
        raise SheetError(_told(label, str(fault), _last_start(data, encoding, delimiter))) from None
    if rows[-2:] != [[_END], [_END]]:
        opened = _last_start(data, encoding, delimiter)
        raise SheetError(
            f"{label} opens a quote in the row of line {opened} that is never closed: close or "
            "remove that quote and load the file again"
        )
    del rows[-2:]
    after_last = reader.line_num - 1
    if after_last == len(rows) + 1:
        return rows, None, []
    numbers = _starts(data, encoding, delimiter)
    spans = [
        f"the row of line {first} goes on to line {after - 1} inside quotes: if rows are missing there, "
        "a quote is misplaced"
        for first, after in zip(numbers, [*numbers[1:], after_last], strict=True)
        if after - first > _LONG_RECORD
    ]
    return rows, numbers, spans


def _starts(data: bytes, encoding: Encoding, delimiter: str) -> list[int]:
    """Return the line on which each record starts, as far as the records can be read."""
    reader = csv.reader(_lines(data, encoding), delimiter=delimiter)
    starts = [1]
    try:
        starts.extend(reader.line_num + 1 for _ in reader)
    except csv.Error:
        return starts
    return starts[:-1]


def _last_start(data: bytes, encoding: Encoding, delimiter: str) -> int:
    return _starts(data, encoding, delimiter)[-1]


def _told(label: str, fault: str, line: int) -> str:
    if "field limit" in fault:
        return (
            f"{label} has a cell of more than {csv.field_size_limit():,} characters in the row of "
            f"line {line}: "
            'a quote (") there is probably not closed, correct it and load the file again'
        )
    return f"{label} cannot be split into columns at line {line} ({fault}): export the sheet again"

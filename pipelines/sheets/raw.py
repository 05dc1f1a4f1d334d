"""A file as read: rows of text, nothing interpreted, every row with its true number."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RawSheet:
    """One table of a file. Every row of the file is there, blank and ragged rows as well.

    Attributes
    ----------
    sheet:
        Name of the workbook sheet; None for text files.
    rows:
        The cells as text; rows may differ in length, a blank row may be an empty list.
    row_numbers:
        The true number of each row where they are not simply 1, 2, 3, ... A record whose quotes hold line
        breaks has the number of the line on which it starts.
    date_cells:
        (row index, column index), from 0, of cells that the workbook itself typed as a date or a date with
        time; their text is ISO 8601 ("2025-03-04", "2025-03-04T10:30:00"). Times of day and durations are
        written "10:30:00" and are not listed here.
    merged:
        Merged areas as (first row, first column, last row, last column), from 0, ends included. Their cells
        are filled already.
    notes:
        Sentences on what a reader should know: error cells, formulas without a stored result, and the like.
        A formula without a stored result has its own text ("=SUM(F5:F9)") as cell, so that it is not taken
        for a blank; an error cell has the error's text ("#DIV/0!").
    from_1904:
        True where the workbook counts days from 1904-01-01, so that a bare serial number in a date column is
        counted from there; cells that are typed as dates are right already.
    """

    sheet: str | None
    rows: list[list[str]]
    row_numbers: list[int] | None = None
    date_cells: frozenset[tuple[int, int]] = frozenset()
    merged: tuple[tuple[int, int, int, int], ...] = ()
    notes: tuple[str, ...] = ()
    from_1904: bool = False

    def row_number(self, index: int) -> int:
        """Return the true number (from 1) of the row at `index` (from 0)."""
        return index + 1 if self.row_numbers is None else self.row_numbers[index]


@dataclass(frozen=True, slots=True)
class RawFile:
    """A file with its tables and how it was read.

    Attributes
    ----------
    name:
        The file's own name without its folder.
    sha256:
        Hash of the file's bytes, hexadecimal.
    size:
        Bytes.
    kind:
        What the content is, whatever the suffix says: "csv" (any delimited text), "xlsx", "xlsm" or "ods".
    encoding, delimiter:
        For text: what was used. None for workbooks.
    sheets:
        The tables; a text file has exactly one.
    notes:
        Sentences that concern the whole file: hidden sheets, another encoding that fits too.
    """

    name: str
    sha256: str
    size: int
    kind: str
    encoding: str | None
    delimiter: str | None
    sheets: tuple[RawSheet, ...]
    notes: tuple[str, ...] = ()

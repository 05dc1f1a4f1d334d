"""A file as read: rows of text, nothing interpreted, every row with its true number."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from wearlab.errors import one_line

_T = TypeVar("_T")


class CellSet(AbstractSet[tuple[int, int]]):
    """Places (row, column) from 0, kept as the sorted row indices of each column: 8 bytes a cell.

    It behaves as a frozen set of pairs; a million of pairs would take 150 MB.
    """

    __slots__ = ("_columns",)

    def __init__(self, columns: Mapping[int, NDArray[np.int64]]) -> None:
        self._columns = {column: rows for column, rows in sorted(columns.items()) if len(rows)}

    @classmethod
    def of(cls, cells: Iterable[tuple[int, int]]) -> CellSet:
        """Make a set of pairs in any order."""
        columns: dict[int, list[int]] = {}
        for row, column in cells:
            columns.setdefault(column, []).append(row)
        return cls({column: np.unique(np.array(rows, dtype=np.int64)) for column, rows in columns.items()})

    def column(self, column: int, first: int, length: int) -> NDArray[np.bool_] | None:
        """Return for the rows `first` to `first + length` of a column whether they are in; None: none is."""
        rows = self._columns.get(column)
        if rows is None:
            return None
        inside = rows[(rows >= first) & (rows < first + length)] - first
        if not len(inside):
            return None
        mask = np.zeros(length, dtype=np.bool_)
        mask[inside] = True
        return mask

    def columns(self) -> Mapping[int, NDArray[np.int64]]:
        """Return the sorted row indices of every column that has any."""
        return self._columns

    def __contains__(self, cell: object) -> bool:
        if not isinstance(cell, tuple) or len(cell) != 2:
            return False
        rows = self._columns.get(cell[1])
        if rows is None:
            return False
        place = int(np.searchsorted(rows, cell[0]))
        return place < len(rows) and bool(rows[place] == cell[0])

    def __iter__(self) -> Iterator[tuple[int, int]]:
        for column, rows in self._columns.items():
            for row in rows.tolist():
                yield row, column

    def __len__(self) -> int:
        return sum(len(rows) for rows in self._columns.values())

    def __hash__(self) -> int:
        return self._hash()

    def __repr__(self) -> str:
        return f"CellSet of {len(self)} cells"

    @classmethod
    def _from_iterable(cls, it: Iterable[_T]) -> AbstractSet[_T]:
        return frozenset(it)


NO_CELLS = CellSet({})

#: Kinds of files whose bare numbers may be dates.
WORKBOOKS = ("xlsx", "xlsm", "ods")


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
        breaks has the number of the line on which it starts. A header that stands in no line of the file
        (names of the columns of Parquet and JSON lines) has the number 0.
    date_cells:
        (row index, column index), from 0, of cells that the workbook itself typed as a date or a date with
        time; their text is ISO 8601 ("2025-03-04", "2025-03-04T10:30:00"). Times of day and durations are
        written "10:30:00" and are not listed here.
    number_cells:
        Likewise the cells that the file itself typed as numbers; their text has a decimal point and no other
        marks, whatever marks the texts of the sheet use.
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
    row_numbers: Sequence[int] | None = None
    date_cells: AbstractSet[tuple[int, int]] = NO_CELLS
    merged: tuple[tuple[int, int, int, int], ...] = ()
    notes: tuple[str, ...] = ()
    from_1904: bool = False
    number_cells: CellSet = NO_CELLS

    def __post_init__(self) -> None:
        """Notes may name sheets and signs that do not print."""
        object.__setattr__(self, "notes", tuple(map(one_line, self.notes)))

    def row_number(self, index: int) -> int:
        """Return the true number (from 1) of the row at `index` (from 0)."""
        return index + 1 if self.row_numbers is None else self.row_numbers[index]


@dataclass(frozen=True, slots=True)
class RawFile:
    """A file with its tables and how it was read.

    Attributes
    ----------
    name:
        The file's own name without its folder; for a file inside an archive "archive.zip/inner.csv".
    sha256:
        Hash of the file's bytes, hexadecimal.
    size:
        Bytes.
    kind:
        What the content is, whatever the suffix says: "csv" (any delimited text), "xlsx", "xlsm", "ods",
        "parquet" or "jsonl" (one JSON object a line).
    encoding, delimiter:
        For text: what was used. None where the format itself says it.
    sheets:
        The tables; only workbooks have more than one.
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

    def __post_init__(self) -> None:
        """Notes may name sheets, columns and signs that do not print."""
        object.__setattr__(self, "notes", tuple(map(one_line, self.notes)))

    @property
    def is_workbook(self) -> bool:
        """Whether a bare number may be a workbook's count of days."""
        return self.kind in WORKBOOKS

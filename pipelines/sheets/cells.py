"""A column of text as distinct texts and a code per row, so that each text is read only once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Objects = NDArray[np.object_]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Cells:
    """`texts[codes[k]]` is the text of row k, without the blanks around it; the texts are distinct."""

    codes: Ints
    texts: list[str]

    def __len__(self) -> int:
        return len(self.codes)

    @property
    def blank(self) -> Bools:
        """Where the cell is empty."""
        return self.bools(lambda text: text == "")

    def each(self, read: Callable[[str], T]) -> list[T]:
        """Apply a function to every distinct text; the answers stand in the order of `texts`."""
        return [read(text) for text in self.texts]

    def floats(self, read: Callable[[str], float]) -> Floats:
        """Read every row as a number, calling `read` once per distinct text."""
        return np.array(self.each(read), dtype=np.float64)[self.codes]

    def bools(self, read: Callable[[str], bool]) -> Bools:
        """Read every row as true or false, calling `read` once per distinct text."""
        return np.array(self.each(read), dtype=np.bool_)[self.codes]

    def words(self, read: Callable[[str], str | None]) -> Cells:
        """Replace every text by a word (None: blank), distinct again."""
        codes, texts = _distinct([word or "" for word in self.each(read)])
        return Cells(codes[self.codes] if len(codes) else self.codes, texts)

    def at(self, rows: Ints | Bools) -> Cells:
        """Return the same column for chosen rows only."""
        return Cells(self.codes[rows], self.texts)

    def objects(self) -> Objects:
        """Return the texts row by row."""
        return objects(self.texts)[self.codes]


def cells_of(column: Sequence[str] | Objects) -> Cells:
    """Make cells of a column of texts; blanks at their ends (no-break ones too) do not count."""
    codes, found = pd.factorize(column if isinstance(column, np.ndarray) else objects(column))
    again, texts = _distinct([str(text).strip() for text in found])
    return Cells(again[codes] if len(again) else codes.astype(np.int64), texts)


def constant(text: str, length: int) -> Cells:
    """Make a column that says the same in every row."""
    return Cells(np.zeros(length, dtype=np.int64), [text])


def joined(parts: Sequence[Cells]) -> Cells:
    """Put columns below each other."""
    offsets = np.cumsum([0, *(len(part.texts) for part in parts)])
    stacked = [part.codes + offset for part, offset in zip(parts, offsets, strict=False)]
    codes, texts = _distinct([text for part in parts for text in part.texts])
    raw = np.concatenate(stacked) if stacked else np.zeros(0, dtype=np.int64)
    return Cells(codes[raw] if len(codes) else raw, texts)


def combine(columns: Sequence[Ints | Floats], length: int) -> Ints:
    """Return one code per row that is equal exactly where all the columns are equal (NaN equals NaN)."""
    code = np.zeros(length, dtype=np.int64)
    size = 1
    for column in columns:
        part, count = _small(column)
        if count == 1:
            continue
        if size * count >= 2**62:
            code, known = pd.factorize(code)
            size = len(known)
        code = code * count + part
        size *= count
    return pd.factorize(code)[0].astype(np.int64)


def _small(column: Ints | Floats) -> tuple[Ints, int]:
    """Return a column as numbers from 0 up to a count, equal where the column is equal."""
    if column.dtype == np.int64 and len(column):
        least, most = int(column.min()), int(column.max())
        if most - least < 4 * len(column) + 1000:  # codes are so already, and need no look at each
            return (column.astype(np.int64, copy=False) - least if least else column.astype(np.int64, copy=False)), (
                most - least + 1
            )
    part, distinct = pd.factorize(column, use_na_sentinel=False)
    return part, len(distinct)


def first_rows(codes: Ints) -> Ints:
    """Return, for every row, the index of the first row with the same code (codes are 0..n)."""
    _, first = np.unique(codes, return_index=True)
    return first.astype(np.int64)[codes]


def objects(values: Sequence[Any]) -> Objects:
    """Make a one-dimensional array of Python values, also of lists or of none."""
    made = np.empty(len(values), dtype=object)
    made[:] = values
    return made


def column_of(rows: Sequence[Sequence[str]], index: int) -> Objects:
    """Return one column of rows; rows that are too short have a blank there."""
    try:
        return np.fromiter(map(itemgetter(index), rows), dtype=np.object_, count=len(rows))
    except IndexError:
        return objects([row[index] if index < len(row) else "" for row in rows])


def distinct(values: Ints) -> Ints:
    """Return the different values in order, by sorting: far faster than numpy's hashing on a million values."""
    ordered = np.sort(values)
    return ordered[np.append(True, ordered[1:] != ordered[:-1])] if len(ordered) else ordered


def coded(cells: Cells) -> pd.Categorical:
    """Hand a column of few distinct words to the store without a Python text per row; blanks become null."""
    keep = [index for index, text in enumerate(cells.texts) if text]
    codes = np.full(len(cells.texts), -1, dtype=np.int64)
    codes[keep] = np.arange(len(keep))
    return pd.Categorical.from_codes(
        codes[cells.codes], categories=pd.Index([cells.texts[index] for index in keep], dtype="object")
    )


def nullable_flags(values: Ints) -> pd.arrays.BooleanArray:
    """Hand 1, 0 and -1 (unknown) to the store as true, false and null."""
    return pd.arrays.BooleanArray(values == 1, values < 0)


def _distinct(texts: Sequence[str]) -> tuple[Ints, list[str]]:
    places: dict[str, int] = {}
    codes = np.array([places.setdefault(text, len(places)) for text in texts], dtype=np.int64)
    return codes, list(places)

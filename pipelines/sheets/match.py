"""Finding the layout of a sheet by its header, wherever titles and comments push it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipelines.sheets.layout import Column, Layout
from pipelines.sheets.raw import RawSheet
from pipelines.sheets.words import fold
from wearlab.errors import SheetError

#: A header is looked for in this many rows from the top; titles and comments are rarely longer.
SEARCHED_ROWS = 60


@dataclass(frozen=True, slots=True)
class Mapped:
    """One column of the sheet that the layout names: its index from 0, its header as written, its meaning."""

    index: int
    name: str
    column: Column


@dataclass(frozen=True, slots=True)
class Match:
    """A layout that fits a sheet: where its header is, and which column is what.

    `header` is the index (from 0) of the first header row, `first` the index of the first row of data.
    `unmapped` are columns with a header that the layout does not name; they stay in the raw rows only.
    """

    layout: Layout
    header: int
    first: int
    columns: tuple[Mapped, ...]
    unmapped: tuple[tuple[int, str], ...]


def find_layout(sheet: RawSheet, layouts: Sequence[Layout]) -> Match | None:
    """Return the layout whose header the sheet has, or None when none fits.

    The layout that explains more columns wins; a workspace's own wins over one of the package.

    Raises
    ------
    SheetError
        Two layouts fit equally well, or a header that is needed stands twice in the sheet.
    """
    matches = [match for layout in layouts if (match := _fit(sheet, layout)) is not None]
    if not matches:
        return None
    matches.sort(key=_rank, reverse=True)
    if len(matches) > 1 and _rank(matches[0]) == _rank(matches[1]):
        raise SheetError(
            f'{_place(sheet)} fits the layouts "{matches[0].layout.name}" and "{matches[1].layout.name}" '
            "equally: remove one of them or name a column that only one has"
        )
    return matches[0]


def _rank(match: Match) -> tuple[int, bool]:
    return len(match.columns), not match.layout.built_in


def _place(sheet: RawSheet) -> str:
    return "the sheet" if sheet.sheet is None else f'the sheet "{sheet.sheet}"'


def _fit(sheet: RawSheet, layout: Layout) -> Match | None:
    if layout.file.sheet is not None and sheet.sheet is not None and sheet.sheet != layout.file.sheet:
        return None
    needed = {fold(column.header) for column in layout.columns if not column.optional}
    for index in range(min(len(sheet.rows), SEARCHED_ROWS)):
        names = sheet.rows[index] if layout.file.header_rows == 1 else _joined(sheet, index)
        words = [fold(name) for name in names]
        if needed <= set(words):
            return _match(sheet, layout, index, names, words)
    return None


def _joined(sheet: RawSheet, index: int) -> list[str]:
    """Join two header rows as "upper lower". The upper cell is spread over its merge by the reader; in a
    text file, which has no merges, over the blanks to its right that have a lower cell."""
    if index + 1 >= len(sheet.rows):
        return []
    upper, lower = sheet.rows[index], sheet.rows[index + 1]
    width = max(len(upper), len(lower))
    spread = not sheet.merged and sheet.sheet is None
    names: list[str] = []
    last = ""
    for column in range(width):
        above = upper[column].strip() if column < len(upper) else ""
        below = lower[column].strip() if column < len(lower) else ""
        if above:
            last = above
        elif spread and below:
            above = last
        else:
            last = ""
        names.append(above if above == below or not below else f"{above} {below}".strip())
    return names


def _match(sheet: RawSheet, layout: Layout, header: int, names: list[str], words: list[str]) -> Match:
    by_header = {fold(column.header): column for column in layout.columns}
    found: list[Mapped] = []
    unmapped: list[tuple[int, str]] = []
    taken: set[str] = set()
    for index, word in enumerate(words):
        column = by_header.get(word)
        if column is None:
            if word:
                unmapped.append((index, names[index].strip()))
            continue
        if word in taken:
            raise SheetError(
                f'{_place(sheet)} has the column "{names[index].strip()}" twice in row '
                f"{sheet.row_number(header)}: rename one of them in the sheet and in the layout"
            )
        taken.add(word)
        found.append(Mapped(index, names[index].strip(), column))
    return Match(layout, header, header + layout.file.header_rows, tuple(found), tuple(unmapped))

"""Finding the layout of a sheet by its header, wherever titles and comments push it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
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

    The layout that explains more columns wins; a workspace's own wins over one of the package. Two proposed ones
    that say the same of every column of the sheet are one.

    Raises
    ------
    SheetError
        Two layouts fit equally well, or a header that is needed stands twice in the sheet.
    """
    matches = [match for layout in layouts if (match := _fit(sheet, layout)) is not None]
    if not matches:
        return None
    matches.sort(key=_rank, reverse=True)
    if len(matches) > 1 and _rank(matches[0]) == _rank(matches[1]) and not _same(matches[0], matches[1]):
        raise SheetError(
            f'{_place(sheet)} fits the layouts "{matches[0].layout.name}" and "{matches[1].layout.name}" '
            "equally: remove one of them or name a column that only one has"
        )
    return matches[0]


def _rank(match: Match) -> tuple[int, bool]:
    return len(match.columns), not match.layout.built_in


def _same(one: Match, other: Match) -> bool:
    """Whether two layouts mean the same by a sheet; how they are written or called does not count."""
    apart = {"name", "columns", "file", "asked", "exact", "built_in"}
    rules = {"encodings", "delimiter", "sheet"}
    return (
        one.layout.exact
        and other.layout.exact
        and one.columns == other.columns
        and one.layout.model_dump(exclude=apart) == other.layout.model_dump(exclude=apart)
        and one.layout.file.model_dump(exclude=rules) == other.layout.file.model_dump(exclude=rules)
    )


def _place(sheet: RawSheet) -> str:
    return "the sheet" if sheet.sheet is None else f'the sheet "{sheet.sheet}"'


def _fit(sheet: RawSheet, layout: Layout) -> Match | None:
    if layout.file.sheet is not None and sheet.sheet is not None and sheet.sheet != layout.file.sheet:
        return None
    needed = {(fold(column.header), column.nth) for column in layout.columns if not column.optional}
    listed = {(fold(column.header), column.nth) for column in layout.columns}
    for index in range(min(len(sheet.rows), SEARCHED_ROWS)):
        names = header_names(sheet, index, layout.file.header_rows)
        words = counted(names)
        told = {word for word in words if word[0]}
        if needed <= told and (not layout.exact or told <= listed):
            return _match(sheet, layout, index, names, words)
    return None


def counted(names: Iterable[str]) -> list[tuple[str, int]]:
    """Return headers folded for comparing, each with how often it has stood there so far (from 1)."""
    before: Counter[str] = Counter()
    found: list[tuple[str, int]] = []
    for name in names:
        word = fold(name)
        before[word] += 1
        found.append((word, before[word]))
    return found


def header_names(sheet: RawSheet, index: int, rows: int) -> list[str]:
    """Return the names of the columns for a header of so many rows that begins at `index`.

    Several rows are joined as "upper lower". The upper cell is spread over its merge by the reader; in a text
    file, which has no merges, over the blanks to its right that have a lower cell.
    """
    if index + rows > len(sheet.rows):
        return []
    names = list(sheet.rows[index + rows - 1])
    for place in range(index + rows - 2, index - 1, -1):
        names = _joined(sheet.rows[place], names, spread=not sheet.merged and sheet.sheet is None)
    return names


def _joined(upper: list[str], lower: list[str], *, spread: bool) -> list[str]:
    width = max(len(upper), len(lower))
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


def _match(sheet: RawSheet, layout: Layout, header: int, names: list[str], words: list[tuple[str, int]]) -> Match:
    by_header = {(fold(column.header), column.nth): column for column in layout.columns}
    single = Counter(word for word, _ in by_header)
    found: list[Mapped] = []
    unmapped: list[tuple[int, str]] = []
    for index, (word, nth) in enumerate(words):
        column = by_header.get((word, nth))
        if column is None:
            if nth > 1 and single[word] == 1 and (word, 1) in by_header:
                raise SheetError(
                    f'{_place(sheet)} has the column "{names[index].strip()}" twice in row {sheet.row_number(header)}: '
                    f"rename one of them, or say in the layout which one is meant (nth = 1 and nth = {nth})"
                )
            if word:
                unmapped.append((index, names[index].strip()))
            continue
        found.append(Mapped(index, names[index].strip(), column))
    return Match(layout, header, header + layout.file.header_rows, tuple(found), tuple(unmapped))

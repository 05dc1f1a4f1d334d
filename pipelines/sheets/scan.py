"""What a look through a workbook sheet finds before its cells are read: extent, errors, unsaved formulas."""

from __future__ import annotations

from dataclasses import dataclass, field

from wearlab.errors import SheetError

#: Largest area (rows times columns up to the last cell) that is read, about a million rows of 20 columns.
MOST_CELLS = 20_000_000

#: An area of this many cells is read however few of them are filled; a larger one if one in `SPARSEST` is.
MOST_EMPTY = 2_000_000
SPARSEST = 50

#: Cells that are read although the file only says that one is repeated.
MOST_REPEATED = 1_000_000

#: Limits of the spreadsheet formats themselves (ECMA-376 part 1; the OpenDocument programs use the same).
LAST_ROW = 1_048_576
LAST_COLUMN = 16_384

#: Characters that all text cells of a sheet together may have.
MOST_TEXT = 1_000_000_000


@dataclass(slots=True)
class SheetScan:
    """Findings in one sheet; positions are (row, column) from 0.

    Attributes
    ----------
    rows, columns:
        Extent up to the last cell with content.
    errors:
        Text of error cells such as "#DIV/0!".
    unsaved:
        Text of formulas (without "=") that have no stored result.
    merged:
        Merged areas as (first row, first column, last row, last column), ends included.
    texts:
        Number of cells that show a shared text.
    filled:
        Number of cells with content.
    """

    rows: int = 0
    columns: int = 0
    errors: dict[tuple[int, int], str] = field(default_factory=dict)
    unsaved: dict[tuple[int, int], str] = field(default_factory=dict)
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    texts: int = 0
    filled: int = 0


@dataclass(frozen=True, slots=True)
class BookScan:
    """Findings in a workbook: one scan for each worksheet by its name, and the day its serials count from."""

    sheets: dict[str, SheetScan]
    from_1904: bool = False


def cell_name(row: int, column: int) -> str:
    """Return the name of a cell as a spreadsheet shows it: (4, 0) is "A5"."""
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row + 1}"


def local_name(name: str) -> str:
    """Return an XML name without its prefix."""
    return name.rpartition(":")[2]


def refuse_far_cell(label: str, sheet: str, row: int, column: int) -> None:
    """Refuse a sheet whose cell at (row, column) makes it larger than any sheet of tests.

    Raises
    ------
    SheetError
        The cell lies outside the format's limits, or the area up to it exceeds `MOST_CELLS`.
    """
    if not (0 <= row < LAST_ROW and 0 <= column < LAST_COLUMN):
        raise SheetError(
            f'{label}, sheet "{sheet}": a cell in row {row + 1}, column {column + 1} lies outside '
            "what a spreadsheet "
            "can hold: the file is damaged, save it anew from a spreadsheet program"
        )
    if (row + 1) * (column + 1) > MOST_CELLS:
        raise SheetError(
            f'{label}, sheet "{sheet}": the table reaches to cell {cell_name(row, column)}, more than '
            f"{MOST_CELLS:,} cells: delete stray cells far outside the table, or split the sheet"
        )


def refuse_sparse(label: str, sheet: str, scan: SheetScan) -> None:
    """Refuse a large area with next to nothing in it, of which every cell would take memory all the same."""
    area = scan.rows * scan.columns
    if area > MOST_EMPTY and area > scan.filled * SPARSEST:
        raise SheetError(
            f'{label}, sheet "{sheet}": the table reaches to cell {cell_name(scan.rows - 1, scan.columns - 1)}, but '
            f"only {scan.filled:,} of its {area:,} cells hold anything: delete stray cells far outside the table"
        )


def refuse_repeated(label: str, sheet: str, repeated: int) -> None:
    """Refuse a sheet of which a few cells are said to be repeated over and over."""
    if repeated > MOST_REPEATED:
        raise SheetError(
            f'{label}, sheet "{sheet}": {repeated:,} of its cells are repetitions of others, far more than a sheet of '
            "tests has: delete rows that were filled down by mistake"
        )


def refuse_long_text(label: str, sheet: str, characters: int) -> None:
    """Refuse a sheet whose text cells together exceed `MOST_TEXT` characters."""
    if characters > MOST_TEXT:
        raise SheetError(
            f'{label}, sheet "{sheet}": its texts may unfold to {characters / 1e6:,.0f} million '
            "characters, far "
            "more than a sheet needs: it is refused, split the sheet or export it as CSV"
        )

"""A look through an ODS workbook: extent with its repeats, merged areas, error cells, unsaved formulas."""

from __future__ import annotations

from collections.abc import Callable
from xml.parsers import expat

from pipelines.sheets.container import Container
from pipelines.sheets.scan import (
    LAST_COLUMN,
    LAST_ROW,
    BookScan,
    SheetScan,
    local_name,
    refuse_far_cell,
    refuse_long_text,
    refuse_repeated,
    refuse_sparse,
)
from wearlab.errors import SheetError

_BOOK = "content.xml"


def scan_ods(container: Container) -> BookScan:
    """Check every XML part and scan every table.

    Raises
    ------
    SheetError
        A part is damaged, encrypted or declares an entity; the workbook takes values from other files; a
        sheet is larger than any sheet of tests.
    """
    for name in container.members:
        if name == _BOOK or not name.endswith((".xml", ".rdf")):
            continue
        parser = expat.ParserCreate()
        if name == "META-INF/manifest.xml":
            parser.StartElementHandler = _encryption_refusal(container.label)
        container.parse(name, parser)
    content = _Content(container.label)
    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler = content.start
    parser.EndElementHandler = content.end
    parser.CharacterDataHandler = content.text
    container.parse(_BOOK, parser)
    for title, scan in content.sheets.items():
        refuse_sparse(container.label, title, scan)
    return BookScan(content.sheets)


def _encryption_refusal(label: str) -> Callable[[str, dict[str, str]], None]:
    def start(name: str, _: dict[str, str]) -> None:
        if local_name(name) == "encryption-data":
            raise SheetError(f"{label} is encrypted: save it without a password and load that file")

    return start


class _Content:
    """State of a scan over content.xml."""

    def __init__(self, label: str) -> None:
        self.label = label
        self.sheets: dict[str, SheetScan] = {}
        self.title = ""
        self.scan = SheetScan()
        self.row = 0
        self.column = 0
        self.row_repeat = 1
        self.row_columns = 0
        self.characters = 0
        self.row_characters = 0
        self.cell: dict[str, str] | None = None
        self.shown: list[str] = []
        self.hushed = 0
        self.repeated = 0

    def start(self, name: str, given: dict[str, str]) -> None:
        local = local_name(name)
        if local == "table":
            self.title = _value(given, "name") or ""
            self.scan = self.sheets.setdefault(self.title, SheetScan())
            self.row = self.characters = self.repeated = 0
        elif local == "table-row":
            self.row_repeat = self.count(given, "number-rows-repeated", LAST_ROW)
            self.column = self.row_columns = self.row_characters = 0
        elif local in ("table-cell", "covered-table-cell"):
            kept = ((key, value) for key, value in given.items() if not key.startswith("calcext:"))
            self.cell = {local_name(key): value for key, value in kept}
            self.cell["covered"] = "yes" if local == "covered-table-cell" else ""
            if given.get("calcext:value-type") == "error":
                self.cell["error"] = "yes"
            self.shown = []
        elif local == "annotation":
            self.hushed += 1
        elif local in ("dde-link", "dde-source", "table-source"):
            raise SheetError(
                f"{self.label} takes values from other files or programs (linked sheets), which is refused: "
                "replace those links by their values, save and load again"
            )

    def text(self, piece: str) -> None:
        if self.cell is not None and not self.hushed:
            self.shown.append(piece)

    def end(self, name: str) -> None:
        local = local_name(name)
        if local in ("table-cell", "covered-table-cell") and self.cell is not None:
            self.end_cell(self.cell)
            self.cell = None
        elif local == "table-row":
            self.row += self.row_repeat
            self.characters += self.row_characters * self.row_repeat
            refuse_long_text(self.label, self.title, self.characters)
            if self.row_columns:
                self.scan.rows = self.row
                self.scan.columns = max(self.scan.columns, self.row_columns)
                refuse_far_cell(self.label, self.title, self.scan.rows - 1, self.scan.columns - 1)
        elif local == "annotation":
            self.hushed -= 1

    def end_cell(self, cell: dict[str, str]) -> None:
        repeat = self.count(cell, "number-columns-repeated", LAST_COLUMN)
        shown = "".join(self.shown).strip()
        if "value-type" in cell or "formula" in cell or shown:
            self.row_columns = self.column + repeat
            refuse_far_cell(self.label, self.title, self.row + self.row_repeat - 1, self.row_columns - 1)
            self.row_characters += len(shown) * repeat
            self.scan.filled += repeat * self.row_repeat
            self.repeated += repeat * self.row_repeat - 1
            refuse_repeated(self.label, self.title, self.repeated)
            if "error" in cell:
                self.mark(self.scan.errors, shown or "#ERR", repeat)
            elif "formula" in cell and "value-type" not in cell and not shown:
                self.mark(self.scan.unsaved, cell["formula"].removeprefix("of:").removeprefix("="), repeat)
        wide = self.count(cell, "number-columns-spanned", LAST_COLUMN)
        high = self.count(cell, "number-rows-spanned", LAST_ROW)
        if (wide > 1 or high > 1) and not cell["covered"]:
            self.scan.merged.append((self.row, self.column, self.row + high - 1, self.column + wide - 1))
        self.column += repeat

    def mark(self, where: dict[tuple[int, int], str], text: str, repeat: int) -> None:
        for row in range(self.row, self.row + self.row_repeat):
            for column in range(self.column, self.column + repeat):
                where[row, column] = text

    def count(self, given: dict[str, str], key: str, most: int) -> int:
        digits = _value(given, key)
        if digits is None:
            return 1
        plain = digits.isascii() and digits.isdecimal() and len(digits) < 10
        if not plain or not 1 <= int(digits) <= most:
            raise SheetError(
                f'{self.label}, sheet "{self.title}": {key} "{digits[:20]}" lies outside what a '
                "spreadsheet can hold: "
                "the file is damaged, save it anew from a spreadsheet program"
            )
        return int(digits)


def _value(given: dict[str, str], key: str) -> str | None:
    for name, value in given.items():
        if local_name(name) == key:
            return value
    return None

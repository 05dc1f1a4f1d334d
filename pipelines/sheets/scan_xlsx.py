"""A look through an XLSX or XLSM workbook: the sheets' parts, their extent, error cells, unsaved formulas."""

from __future__ import annotations

import posixpath
from typing import Any
from xml.parsers import expat

from pipelines.sheets.container import Container
from pipelines.sheets.scan import (
    BookScan,
    SheetScan,
    local_name,
    refuse_far_cell,
    refuse_long_text,
    refuse_sparse,
)
from wearlab.errors import SheetError

_BOOK = "xl/workbook.xml"
_START = "_rels/.rels"
_DIGITS = "0123456789"
_PLAIN = frozenset(("v", "is", "f", "c", "row"))


def scan_xlsx(container: Container) -> BookScan:
    """Check every XML part and scan every worksheet.

    Raises
    ------
    SheetError
        A part is damaged or declares an entity; the workbook takes values from other files; a sheet is larger
        than any sheet of tests.
    """
    label = container.label
    for name in container.members:
        if name.startswith("xl/externalLinks/") and name.endswith(".xml"):
            raise SheetError(
                f"{label} takes values from other files or programs (external links), which is refused: "
                "replace those formulas by their values, save and load again"
            )
    titles, from_1904 = _titles(container)
    targets = _targets(container)
    pages = {targets[key]: title for key, title in titles.items() if key in targets}
    longest = 0
    others: list[str] = []
    for name in container.members:
        if name == _BOOK or name in pages or not name.lower().endswith((".xml", ".rels")):
            continue
        length, has_cells = _look_into(container, name)
        longest = max(longest, length)
        if has_cells:
            others.append(name)
    sheets = {}
    # a part with cells that no sheet leads to is looked at as well: the library may find its way there otherwise
    for name, title in [*pages.items(), *((name, "") for name in others)]:
        if name not in container.members:
            raise container.damaged(name)
        scan = _scan_page(container, name, title)
        refuse_sparse(label, title, scan)
        refuse_long_text(label, title, scan.texts * longest)
        if name in pages:
            sheets[title] = scan
    return BookScan(sheets, from_1904)


def _titles(container: Container) -> tuple[dict[str, str], bool]:
    titles: dict[str, str] = {}
    epoch: list[bool] = []

    def start(name: str, given: dict[str, str]) -> None:
        local = local_name(name)
        if local == "sheet":
            key = next((value for word, value in given.items() if word.endswith(":id")), None)
            if key is not None and "name" in given:
                titles[key] = given["name"]
        elif local == "workbookPr":
            epoch.append(given.get("date1904", "0") in ("1", "true"))

    parser = expat.ParserCreate()
    parser.StartElementHandler = start
    container.parse(_BOOK, parser)
    return titles, any(epoch)


def _targets(container: Container) -> dict[str, str]:
    """Return the worksheet parts by relation id; chart and dialog sheets are none.

    The library finds the workbook and its sheets by these relations as well, so nothing in them may mislead it.
    """
    relations = "xl/_rels/workbook.xml.rels"
    if relations not in container.members:
        raise container.damaged(relations)
    for _, kind, target in _relations(container, _START) if _START in container.members else []:
        if kind.endswith("/officeDocument") and posixpath.normpath(target.lstrip("/")) != _BOOK:
            raise container.damaged(_START)
    targets: dict[str, str] = {}
    known: set[str] = set()
    for key, kind, target in _relations(container, relations):
        if key in known:
            raise container.damaged(relations)
        known.add(key)
        if kind.endswith("/worksheet"):
            path = target.lstrip("/") if target.startswith("/") else posixpath.join("xl", target)
            targets[key] = posixpath.normpath(path)
    return targets


def _relations(container: Container, part: str) -> list[tuple[str, str, str]]:
    """Return the relations of a part: id, type and target."""
    found: list[tuple[str, str, str]] = []

    def start(name: str, given: dict[str, str]) -> None:
        if local_name(name) == "Relationship":
            found.append((given.get("Id", ""), given.get("Type", ""), given.get("Target", "")))

    parser = expat.ParserCreate()
    parser.StartElementHandler = start
    container.parse(part, parser)
    return found


def _look_into(container: Container, name: str) -> tuple[int, bool]:
    """Check a part; returns the length of the longest shared text in it, and whether it holds cells of a sheet."""
    longest = current = 0
    has_cells = False

    def start(tag: str, _: dict[str, str]) -> None:
        nonlocal current, has_cells
        local = local_name(tag)
        if local == "si":
            current = 0
        elif local == "sst":
            parser.CharacterDataHandler = text
        elif local == "sheetData":
            has_cells = True

    def text(piece: str) -> None:
        nonlocal longest, current
        current += len(piece)
        longest = max(longest, current)

    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler = start
    container.parse(name, parser)
    return longest, has_cells


def _scan_page(container: Container, part: str, title: str) -> SheetScan:
    """Scan one worksheet part; a million cells take about half a second."""
    page = _Page(container.label, title)
    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler = page.start
    page.parser = parser
    container.parse(part, parser)
    page.close_cell()
    page.extend()
    return page.scan


class _Page:
    """State of a scan. Text is listened to only in formulas and error cells, which keeps it fast."""

    def __init__(self, label: str, title: str) -> None:
        self.label = label
        self.title = title
        self.scan = SheetScan()
        self.parser: Any = None
        self.columns: dict[str, int] = {}
        self.row = -1
        self.column = -1
        self.last_row = -1
        self.last_column = -1
        self.kind: str | None = None
        self.filled = False
        self.formula: list[str] | None = None
        self.value: list[str] | None = None

    def start(self, name: str, given: dict[str, str]) -> None:
        local = name if name in _PLAIN else local_name(name)
        if local == "v" or local == "is":
            self.fill()
            if self.formula is not None or self.kind == "e":
                self.value = []
                self.parser.CharacterDataHandler = self.value.append
        elif local == "c":
            if self.formula is not None or self.value is not None:
                self.close_cell()
            self.filled = False
            self.kind = given.get("t")
            place = given.get("r")
            if place is None:
                self.column += 1
            else:
                self.locate(place)
            if self.kind == "s":
                self.scan.texts += 1
        elif local == "f":
            self.fill()
            self.formula = []
            self.parser.CharacterDataHandler = self.formula.append
        elif local == "row":
            self.close_cell()
            place = given.get("r")
            self.row = self.row + 1 if place is None else self.whole(place) - 1
            self.column = -1

    def locate(self, place: str) -> None:
        letters = place.rstrip(_DIGITS)
        column = self.columns.get(letters)
        if column is None:
            column = self.columns[letters] = self.column_number(letters, place)
        self.column = column
        self.row = self.whole(place[len(letters) :]) - 1

    def column_number(self, letters: str, place: str) -> int:
        number = 0
        for sign in letters:
            if not "A" <= sign <= "Z" or len(letters) > 3:
                raise self.broken(place)
            number = number * 26 + ord(sign) - 64
        if not letters:
            raise self.broken(place)
        return number - 1

    def whole(self, digits: str) -> int:
        if not digits.isascii() or not digits.isdecimal() or len(digits) > 8:
            raise self.broken(digits)
        return int(digits)

    def broken(self, place: str) -> SheetError:
        return SheetError(
            f'{self.label}, sheet "{self.title}": "{place}" is no place of a cell: the file is '
            "damaged, save it "
            "anew from a spreadsheet program"
        )

    def fill(self) -> None:
        """Note that the current cell has content."""
        if not self.filled:
            self.filled = True
            self.scan.filled += 1
            if self.row > self.last_row or self.column > self.last_column:
                self.last_row = max(self.last_row, self.row)
                self.last_column = max(self.last_column, self.column)
                refuse_far_cell(self.label, self.title, self.last_row, self.last_column)
            elif self.row < 0 or self.column < 0:
                refuse_far_cell(self.label, self.title, self.row, self.column)

    def close_cell(self) -> None:
        """Decide on the formula or error cell that ends."""
        self.parser.CharacterDataHandler = None
        here = (self.row, self.column)
        shown = "".join(self.value or ()).strip()
        if self.kind == "e" and shown:
            self.scan.errors[here] = shown
        elif self.formula is not None and not shown and self.kind != "str":
            self.scan.unsaved[here] = "".join(self.formula).strip()
        self.formula = self.value = None
        self.kind = None

    def extend(self) -> None:
        self.scan.rows = self.last_row + 1
        self.scan.columns = self.last_column + 1

"""A look through an XLSX or XLSM workbook: the sheets' parts, their extent, error cells, unsaved formulas."""

from __future__ import annotations

import posixpath
from typing import Any
from xml.parsers import expat

from pipelines.sheets.container import Container
from pipelines.sheets.scan import BookScan, SheetScan, local_name, refuse_far_cell, refuse_long_text
from wearlab.errors import SheetError

_BOOK = "xl/workbook.xml"
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
    for name in container.members:
        if name == _BOOK or name in pages or not name.lower().endswith((".xml", ".rels")):
            continue
        longest = max(longest, _longest_text(container, name))
    sheets = {}
    for name, title in pages.items():
        if name not in container.members:
            raise container.damaged(name)
        scan = _scan_page(container, name, title)
        refuse_long_text(label, title, scan.texts * longest)
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
    """Return the worksheet parts by relation id; chart and dialog sheets are none."""
    targets: dict[str, str] = {}

    def start(name: str, given: dict[str, str]) -> None:
        if local_name(name) == "Relationship" and given.get("Type", "").endswith("/worksheet"):
            target = given.get("Target", "")
            path = target.lstrip("/") if target.startswith("/") else posixpath.join("xl", target)
            targets[given.get("Id", "")] = posixpath.normpath(path)

    parser = expat.ParserCreate()
    parser.StartElementHandler = start
    relations = "xl/_rels/workbook.xml.rels"
    if relations not in container.members:
        raise container.damaged(relations)
    container.parse(relations, parser)
    return targets


def _longest_text(container: Container, name: str) -> int:
    """Check a part and return the length of the longest shared text in it, 0 where it holds none."""
    longest = current = 0

    def start(tag: str, _: dict[str, str]) -> None:
        nonlocal current
        if local_name(tag) == "si":
            current = 0

    def text(piece: str) -> None:
        nonlocal longest, current
        current += len(piece)
        longest = max(longest, current)

    def first(tag: str, _: dict[str, str]) -> None:
        # only a table of shared texts is listened to
        shared = local_name(tag) == "sst"
        parser.StartElementHandler = start if shared else None
        parser.CharacterDataHandler = text if shared else None

    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler = first
    container.parse(name, parser)
    return longest


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
        if not digits.isascii() or not digits.isdigit() or len(digits) > 8:
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

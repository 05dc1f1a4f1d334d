"""Where the header of an unknown sheet is: one row or two, below titles and comments, perhaps with units."""

from __future__ import annotations

from dataclasses import dataclass

from pipelines.sheets.match import SEARCHED_ROWS, header_names
from pipelines.sheets.propose_cells import CUT, is_date, is_number
from pipelines.sheets.propose_header import Header, read_header
from pipelines.sheets.propose_words import unit_of
from pipelines.sheets.raw import RawSheet
from pipelines.sheets.words import fold

#: Sheets with more columns are not looked at: no test sheet has as many.
MOST_COLUMNS = 500
_KNOWN = 0.5  # a header with this score counts as understood
_UNIT = 0.3
_MOST_CELLS = 8000  # read as headers; a wide sheet has its header near the top
_LEAST_ROWS = 10
_LEAST = 1.5
_LONGEST_LABEL = 60


@dataclass(frozen=True, slots=True)
class HeaderRow:
    """A header: index of its first row, one row to three, the joined names and what they say."""

    index: int
    rows: int
    names: list[str]
    headers: list[Header]
    score: float

    @property
    def first(self) -> int:
        """Index of the first row below."""
        return self.index + self.rows


def width_of(sheet: RawSheet) -> int:
    """Return the number of columns that hold anything in the rows where a header can be."""
    return max(
        (place + 1 for row in sheet.rows[:SEARCHED_ROWS] for place, cell in enumerate(row) if cell.strip()), default=0
    )


def find_header(sheet: RawSheet) -> HeaderRow | None:
    """Return the best header of a sheet, None when no row reads like one."""
    best: HeaderRow | None = None
    rows = sheet.rows[: max(_LEAST_ROWS, min(SEARCHED_ROWS, _MOST_CELLS // max(1, width_of(sheet))))]
    alone = [_single(sheet, index) for index in range(len(rows))]
    for index, row in enumerate(rows):
        if not any(cell.strip() for cell in row):
            continue
        for found in (alone[index], _double(sheet, index, alone), _triple(sheet, index, alone)):
            if found is not None and (best is None or found.score > best.score + 1e-9):
                best = found
    return best


def _single(sheet: RawSheet, index: int) -> HeaderRow | None:
    names = list(sheet.rows[index])
    return _made(sheet, index, 1, names, [read_header(name) for name in names])


def _double(sheet: RawSheet, index: int, alone: list[HeaderRow | None]) -> HeaderRow | None:
    if index + 1 >= len(sheet.rows):
        return None
    upper, lower = sheet.rows[index], sheet.rows[index + 1]
    told = [cell.strip() for cell in lower if cell.strip()]
    if not told or not any(cell.strip() for cell in upper) or _like_data(told):
        return None
    useful = sum(1 for cell in told if unit_of(cell) is not None or read_header(cell).best >= _KNOWN)
    if useful < 0.5 * len(told):
        return None
    names = header_names(sheet, index, 2)
    units_below = _mostly_units(lower)
    units_above = _mostly_units(upper)
    headers = []
    for place, name in enumerate(names):
        above = upper[place].strip() if place < len(upper) else ""
        below = lower[place].strip() if place < len(lower) else ""
        if units_below and above and unit_of(below) is not None:
            headers.append(read_header(above, unit_of(below)))
        elif units_above:
            # the joined name may repeat a unit to the right; only the cell's own counts
            headers.append(read_header(below or above, unit_of(above) if below else None))
        else:
            headers.append(read_header(name))
    found = _made(sheet, index, 2, names, headers)
    if found is None:
        return None
    rival = alone[index + 1] if index + 1 < len(alone) else None
    if rival is not None and rival.score >= found.score - 1e-9:
        return None
    return found


def _triple(sheet: RawSheet, index: int, alone: list[HeaderRow | None]) -> HeaderRow | None:
    """Two rows of names above a row of units."""
    if index + 2 >= len(sheet.rows) or not any(cell.strip() for cell in sheet.rows[index]):
        return None
    middle, units = sheet.rows[index + 1], sheet.rows[index + 2]
    if not _mostly_units(units) or _mostly_units(middle) or _like_data([cell for cell in middle if cell.strip()]):
        return None
    above = header_names(RawSheet(sheet.sheet, [sheet.rows[index], middle], merged=sheet.merged), 0, 2)
    headers = []
    for place, name in enumerate(header_names(sheet, index, 3)):
        unit = unit_of(units[place].strip()) if place < len(units) else None
        read = above[place] if place < len(above) and unit is not None else name
        headers.append(read_header(read, unit))
    found = _made(sheet, index, 3, header_names(sheet, index, 3), headers)
    rival = _double(sheet, index + 1, alone)
    return None if found is None or (rival is not None and rival.score >= found.score - 1e-9) else found


def _made(sheet: RawSheet, index: int, rows: int, names: list[str], headers: list[Header]) -> HeaderRow | None:
    below = sheet.rows[index + rows : index + rows + 200]
    if not any(cell.strip() for row in below for cell in row):
        return None
    score, understood = 0.0, 0
    seen: set[str] = set()
    for name, header in zip(names, headers, strict=True):
        text = name[: 2 * CUT].strip()
        if not text:
            continue
        word = fold(text)
        if is_date(text) or (is_number(text) and header.cylinder is None and unit_of(text) is None):
            score -= 1.0
            continue
        if len(text) > _LONGEST_LABEL:
            score -= 0.5
            continue
        if header.best < _KNOWN:
            score -= 0.05
            continue
        if word in seen:
            score -= 0.5
            continue
        seen.add(word)
        understood += 1
        score += header.best + (_UNIT if header.unit is not None else 0.0)
    if understood < 2 or score < _LEAST:
        return None
    return HeaderRow(index, rows, names, headers, score)


def _mostly_units(row: list[str]) -> bool:
    told = [cell for cell in row if cell.strip()]
    return len(told) >= 1 and sum(unit_of(cell) is not None for cell in told) >= 0.6 * len(told)


def _like_data(cells: list[str]) -> bool:
    """A row below the header is data when it holds a date or numbers that are not cylinders 1, 2, 3, ..."""
    short = [cell[:CUT] for cell in cells]
    if any(is_date(cell) for cell in short):
        return True
    numbers = [cell for cell in short if is_number(cell)]
    if not numbers:
        return False
    plain = [int(cell) for cell in numbers if cell.isdecimal()]
    return len(plain) != len(numbers) or len(plain) < 2 or plain != list(range(1, len(plain) + 1))

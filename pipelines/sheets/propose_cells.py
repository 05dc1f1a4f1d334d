"""The columns of an unknown sheet as distinct texts, and what their cells look like."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from dataclasses import field as made

from pipelines.sheets.packed import unpack
from pipelines.sheets.propose_words import lexicon, plain, unit_of
from pipelines.sheets.raw import RawSheet
from pipelines.sheets.words import driven_of, measure_of, position_of
from wearlab.records import WorkKind

#: Rows looked at for what a column holds. For date order and decimal mark every row's text counts.
SAMPLED_ROWS = 3000
#: Distinct texts of a column that are looked at.
MOST_TEXTS = 10_000
#: Cells are cut to this length; no date, number or word is longer.
CUT = 80

NOTHING = frozenset({"", "?", "-", "–", "—", "−", "/", ".", "--", "---", "n/a", "na", "n.a.", "nm", "x"})
DATE = re.compile(
    r"(?:\d{4}([-/.])\d{1,2}\1\d{1,2}|\d{1,2}([-/.])\d{1,2}\2(?:\d{4}|\d{2})|(?:19|20)\d{2}[01]\d[0-3]\d"
    r"|\d{1,2}[ .-]{1,2}[^\W\d_]{3,12}\.?[ .-]{1,2}(?:\d{4}|\d{2}))(?:[ T]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?)?"
)
NUMBER = re.compile(
    r"(?:[<>≤≥~≈]=?|>=|<=)?\s*([+\-−]?)\s*(\d[\d.,'’ \u00a0\u202f\u2009]*|[.,]\d+)(?:[eE][+-]?\d{1,3})?\s*\+?\s*"
    r"([^\d\s*†‡][^*†‡]{0,20}?)?\s*[*†‡]*"
)


@dataclass(slots=True)
class Column:
    """One column below the header. `texts` are the distinct non-blank cells of the sampled rows with how often."""

    index: int
    name: str
    sheet: RawSheet
    first_row: int
    texts: dict[str, int]
    blank: int
    typed: int
    _shares: dict[str, float] = made(default_factory=dict)

    @property
    def told(self) -> list[str]:
        """The distinct texts that say something."""
        return [text for text in self.texts if text.casefold() not in NOTHING]

    def share(self, name: str, test: Callable[[str], bool]) -> float:
        """Return the share of the distinct texts that pass a test; 0 for a column that says nothing."""
        if name not in self._shares:
            told = self.told[:400]
            self._shares[name] = sum(map(test, told)) / len(told) if told else 0.0
        return self._shares[name]

    @property
    def empty(self) -> bool:
        """Whether no cell says anything."""
        return not self.told

    @property
    def dates(self) -> float:
        """Share of texts that look like dates."""
        return self.share("dates", is_date)

    @property
    def figures(self) -> float:
        """Share of texts that look like numbers, bounds and units in the cell included; dates are none."""
        return self.share("figures", lambda text: is_number(text) and not (is_date(text) and not text.isdecimal()))

    @property
    def units(self) -> float:
        """Share of texts that are units."""
        return self.share("units", lambda text: not text[:1].isdecimal() and unit_of(text) is not None)

    @property
    def measures(self) -> float:
        """Share of texts that name a measure."""
        return self.share("measures", lambda text: measure_word(text) is not None)

    @property
    def drives(self) -> float:
        """Share of texts that name a way of driving."""
        return self.share("drives", lambda text: driven_word(text) is not None)

    @property
    def packed(self) -> float:
        """Share of texts that pack several facts of a test ("idle 60 s ml") or mark an event."""
        return self.share("packed", is_packed)

    @property
    def positions(self) -> float:
        """Share of texts that are positions."""
        return self.share("positions", lambda text: position_word(text) is not None)

    @property
    def works(self) -> float:
        """Share of texts that name a kind of work."""
        return self.share("works", lambda text: work_word(text) is not None)

    def every(self) -> list[str]:
        """Return the distinct texts of the whole column, cut and capped, those of the sampled rows first."""
        found = dict.fromkeys(self.texts)
        start = self.first_row + SAMPLED_ROWS
        index = self.index
        for row in self.sheet.rows[start:]:
            if index < len(row) and row[index] not in found:
                text = row[index][:CUT].strip()
                if text:
                    found[text] = None
                    if len(found) >= MOST_TEXTS:
                        break
        return list(found)

    def where(self, text: str) -> int:
        """Return the true number of the first row that holds a text."""
        for place in range(self.first_row, len(self.sheet.rows)):
            row = self.sheet.rows[place]
            if self.index < len(row) and row[self.index][:CUT].strip() == text:
                return self.sheet.row_number(place)
        return self.sheet.row_number(self.first_row) if self.first_row < len(self.sheet.rows) else 0

    def cells(self, rows: int = SAMPLED_ROWS) -> list[str]:
        """Return the cells row by row."""
        block = self.sheet.rows[self.first_row : self.first_row + rows]
        return [row[self.index][:CUT].strip() if self.index < len(row) else "" for row in block]


def columns_of(sheet: RawSheet, names: list[str], first_row: int) -> list[Column]:
    """Return the columns of a sheet whose header is known."""
    block = sheet.rows[first_row : first_row + SAMPLED_ROWS]
    typed: dict[int, int] = {}
    for place, index in sheet.date_cells:
        if place >= first_row:
            typed[index] = typed.get(index, 0) + 1
    columns = []
    for index, name in enumerate(names):
        texts: dict[str, int] = {}
        blank = 0
        for row in block:
            text = row[index][:CUT].strip() if index < len(row) else ""
            if text:
                texts[text] = texts.get(text, 0) + 1
            else:
                blank += 1
        columns.append(Column(index, name.strip(), sheet, first_row, texts, blank, typed.get(index, 0)))
    return columns


def is_date(text: str) -> bool:
    """Whether a cell looks like a date in any order."""
    return DATE.fullmatch(text) is not None


def is_number(text: str) -> bool:
    """Whether a cell looks like a number, perhaps with a bound, a unit or a footnote mark."""
    found = NUMBER.fullmatch(text)
    return found is not None and (not found.group(3) or unit_of(found.group(3)) is not None)


def is_packed(text: str) -> bool:
    """Whether a cell packs a way of driving or a measure with a time or unit, or marks an event."""
    said = unpack(packed_word(text) or text)
    if said.event or said.other:
        return True
    parts = (
        (said.driven is not None or said.measure is not None) + bool(said.unit) + (said.duration_s == said.duration_s)
    )
    return parts >= 2


def packed_word(text: str) -> str | None:
    """Return a packed text in the words that the loader unpacks ("Leerlauf 60 s ml" gives "idle 60 s ml")."""
    known = lexicon()
    words = plain(text).split()
    for field_name in ("driven", "measure"):
        table = known.cells[field_name]
        for length in (4, 3, 2, 1):
            for start in range(len(words) - length + 1):
                piece = " ".join(words[start : start + length])
                meaning = table.get(piece)
                if meaning is not None and meaning != piece:
                    words[start : start + length] = meaning.replace("_", " ").split()
                    break
            else:
                continue
            break
    made = " ".join(known.units.get(word, word) for word in words)
    return None if made == plain(text) else made


def measure_word(text: str) -> str | None:
    """Return the measure that a cell names in any language."""
    own = measure_of(text)
    return own.value if own is not None else lexicon().cell("measure", text)


def driven_word(text: str) -> str | None:
    """Return the way of driving that a cell names in any language."""
    own = driven_of(text)
    return own.value if own is not None else lexicon().cell("driven", text)


def work_word(text: str) -> str | None:
    """Return the kind of work that a cell names in any language, its own word or one inside a longer text."""
    low = plain(text).replace(" ", "_")
    if low in {kind.value for kind in WorkKind}:
        return low
    return lexicon().cell("kind", text)


def position_word(text: str) -> str | None:
    """Return the position that a cell names in any language ("Zyl. 3", "Pumpe")."""
    own = position_of(text)
    if own is not None:
        return own
    named = lexicon().cell("position", text)
    if named is not None:
        return named
    words = plain(text).split()
    if len(words) == 2 and words[1].isdecimal() and words[0] in lexicon().single["cylinder"]:
        return position_of(words[1])
    return None

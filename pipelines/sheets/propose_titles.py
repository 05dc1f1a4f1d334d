"""What the lines above the header say. All but units are proposals, never applied unasked."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from pipelines.sheets.propose_words import LONGEST, lexicon, plain, quantity_of, unit_of
from pipelines.sheets.raw import RawSheet
from wearlab.config import Settings

_LINES = 40
_PIECES = 40
_UNIT = re.compile(r"(?:\bin|\ben|[(\[])\s*([^\W\d_]{1,4}(?:/\s*\d{0,3}\s*[^\W\d_]{1,4})?)\b")
_PARTS = re.compile(r"\s[-–—]\s|[,;|/()]")
_TIME = re.compile(r"(?<![\w.,])(\d{1,3})\s*([^\W\d_]{1,8})\b")


@dataclass(slots=True)
class Titles:
    """Facts of the title lines, each with the number of its row."""

    units: dict[str, int] = field(default_factory=dict)
    driven: dict[str, int] = field(default_factory=dict)
    measures: dict[str, int] = field(default_factory=dict)
    protocols: dict[str, int] = field(default_factory=dict)
    durations: dict[str, int] = field(default_factory=dict)
    depots: dict[str, int] = field(default_factory=dict)
    lines: list[tuple[int, str]] = field(default_factory=list)


def read_titles(sheet: RawSheet, header: int, settings: Settings, label: str = "") -> Titles:
    """Read the lines above the header; `label` (sheet and file name) is read with them as row 0."""
    found = Titles()
    known = lexicon()
    lines = [(0, label)] if label else []
    for index in range(min(header, _LINES)):
        for cell in dict.fromkeys(cell.strip() for cell in sheet.rows[index][:_PIECES] if cell.strip()):
            lines.append((sheet.row_number(index), cell[: 2 * LONGEST]))
    depot_words = {phrase for phrase, names in known.headers.items() if "depot" in names}
    for row, text in lines:
        if row:
            found.lines.append((row, text))
        for unit in _UNIT.findall(text) if row else ():
            named = unit_of(unit)
            if named is not None and quantity_of(named) not in ("time", ""):
                found.units.setdefault(named, row)
        words = plain(text).split()
        _spot(words, known.cells["driven"], found.driven, row)
        _spot(words, known.cells["measure"], found.measures, row)
        for name, one in settings.protocols.items():
            for word in (name, *one.also_called):
                if plain(word) and f" {plain(word)} " in f" {' '.join(words)} ":
                    found.protocols.setdefault(name, row)
        for number, unit in _TIME.findall(text) if row else ():
            named = unit_of(unit)
            if named is not None and quantity_of(named) == "time" and named not in ("h",) and int(number) > 0:
                found.durations.setdefault(f"{number} {named}", row)
        for piece in _PARTS.split(text[:LONGEST].replace(":", " ")) if row else ():
            original = piece.split()
            if 2 <= len(original) <= 4 and plain(original[0]) in depot_words:
                found.depots.setdefault(" ".join(original[1:]), row)
            elif 2 <= len(original) <= 4 and plain(original[-1]) in depot_words:
                found.depots.setdefault(" ".join(original[:-1]), row)
    return found


def _spot(words: list[str], table: dict[str, str], into: dict[str, int], row: int) -> None:
    for length in (4, 3, 2, 1):
        for start in range(len(words) - length + 1):
            meaning = table.get(" ".join(words[start : start + length]))
            if meaning is not None:
                into.setdefault(meaning, row)

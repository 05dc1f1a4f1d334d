"""Legends beside the data: what footnote marks mean, how large the tubes are and how they are marked."""

from __future__ import annotations

import re
from collections.abc import Iterable

from pipelines.sheets.propose_text import Draft
from pipelines.sheets.propose_words import lexicon, plain, unit_of, word_set
from pipelines.sheets.raw import RawFile, RawSheet

_MARK = re.compile(r"\s*([*†‡]{1,3}|\((?:\d|[a-z])\))\s*[:=–-]\s*(\S.{0,60})")
_AMOUNT = re.compile(r"(\d{1,4}(?:[.,]\d{1,2})?)\s*(ml|cc|cm3|ccm)\b", re.I)
_LEGEND_ROWS = 40
_MARK_WORDS = word_set(
    "mark marks step steps teilung teilstrich teilstriche graduation graduations graduacion graduazione tacca "
    "tacche schaalverdeling maatstreep podzialka division divisions"
)


def read_legends(raw: RawSheet, header: int, source: RawFile | None, draft: Draft) -> list[str]:
    """Add marks and tubes that title lines or a small sheet of words state; return a sentence for each sheet used."""
    notes = []
    _lines(
        (cell for row in raw.rows[: min(header, _LEGEND_ROWS)] for cell in row[:40]), "a line above the header", draft
    )
    for sheet in source.sheets if source is not None else ():
        small = len(sheet.rows) <= _LEGEND_ROWS and all(len(row) <= 4 for row in sheet.rows)
        if sheet is raw or not small:
            continue
        before = (len(draft.marks), len(draft.defaults))
        _lines((cell for row in sheet.rows for cell in row), f'the sheet "{sheet.sheet}"', draft)
        if before != (len(draft.marks), len(draft.defaults)):
            notes.append(f'the sheet "{sheet.sheet}" is read as a legend')
    return notes


def _lines(cells: Iterable[str], where: str, draft: Draft) -> None:
    tubes = {word for phrase, names in lexicon().headers.items() if "tube" in names for word in phrase.split()}
    tubes |= {f"{word}s" for word in tubes}
    for cell in cells:
        text = cell[:200]
        mark = _MARK.match(text)
        if mark is not None:
            draft.marks.setdefault(mark.group(1), mark.group(2).strip())
            continue
        amounts = [(found, unit_of(found.group(2))) for found in _AMOUNT.finditer(text)]
        if not amounts or not tubes & set(plain(text).split()):
            continue
        for found, unit in amounts:
            around = (
                plain(text[max(0, found.start() - 14) : found.start()]).split()[-1:]
                + plain(text[found.end() :]).split()[:1]
            )
            key = "graduation" if set(around) & _MARK_WORDS else "tube"
            value = f"{found.group(1).replace(',', '.')} {unit}"
            draft.defaults.setdefault(key, (value, f"{where} says so"))

"""Which sign separates the columns of a text file: the one that gives the most consistent column count."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

#: Candidates in the order that decides when nothing else does.
CANDIDATES = (";", "\t", "|", ",")

_HINT = re.compile(r'"?sep=(.)"?', re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Delimiter:
    """The separator of a file and what should be said about the choice."""

    sign: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Fit:
    sign: str
    columns: int
    share: float


def find_delimiter(lines: Sequence[str]) -> Delimiter:
    """Return the delimiter of the beginning of a file, given as its lines with their line ends.

    A first line "sep=;" is believed. Else every candidate (semicolon, tab, bar, comma) splits the lines,
    quotes respected, and the one wins under which the largest share of the non-blank rows has the same number
    of columns, two or more. Equal shares: a comma that stands mostly between digits is a decimal mark and
    loses; then more columns win; then the order of the candidates, and a note says that both fit.
    A file without any candidate has one column, and its delimiter is given as a comma.
    """
    if lines:
        hint = _HINT.fullmatch(lines[0].strip("\r\n"))
        if hint and hint.group(1) in CANDIDATES:
            return Delimiter(hint.group(1))
    fits = [fit for sign in CANDIDATES if (fit := _fit(lines, sign)) is not None]
    if not fits:
        return Delimiter(",")
    best = max(fit.share for fit in fits)
    tied = [fit for fit in fits if fit.share == best]
    if len(tied) > 1 and _comma_is_decimal(lines):
        tied = [fit for fit in tied if fit.sign != ","]
    widest = max(fit.columns for fit in tied)
    chosen = [fit for fit in tied if fit.columns == widest]
    notes = []
    if len(chosen) > 1:
        notes.append(
            f"columns split at {_told(chosen[0].sign)}; {_told(chosen[1].sign)} fits as well: "
            "name the delimiter in the layout"
        )
    elif chosen[0].share < 0.5:
        notes.append(
            f"columns split at {_told(chosen[0].sign)}, though only {chosen[0].share:.0%} of the rows have "
            f"the same {chosen[0].columns} columns: name the delimiter in the layout if that is wrong"
        )
    return Delimiter(chosen[0].sign, tuple(notes))


def _fit(lines: Sequence[str], sign: str) -> _Fit | None:
    try:
        rows = [row for row in csv.reader(lines, delimiter=sign) if any(cell.strip() for cell in row)]
    except csv.Error:
        return None
    widths = Counter(len(row) for row in rows if len(row) > 1)
    if not widths:
        return None
    columns, count = max(widths.items(), key=lambda item: (item[1], item[0]))
    return _Fit(sign, columns, count / len(rows))


def _comma_is_decimal(lines: Sequence[str]) -> bool:
    text = "".join(lines)
    commas = text.count(",")
    return commas > 0 and len(re.findall(r"(?<=\d),(?=\d)", text)) > commas / 2


def _told(sign: str) -> str:
    return {"\t": "the tab", ";": "the semicolon", ",": "the comma", "|": "the bar"}[sign]

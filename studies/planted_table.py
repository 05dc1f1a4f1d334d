"""What the study of planted causes found: a row for every cause, and the sum over the fleets of a kind."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import nan
from pathlib import Path

import numpy as np
from scipy.special import ndtr

from studies.planted_fleets import Floats
from studies.table import read_table, write_table

#: Limit of the best test if it has 1 false signal in 50 visits for itself: the normal value, two-sided.
OWN_LIMIT = 2.3263478740408408


@dataclass(frozen=True)
class Row:
    """What was found of one cause.

    `raised` by a signal that begins at visit k or later, `detected` if it still stands at the cut, `delay` in visits
    from k to that signal (-1: none). `named` is the first cause, the kind itself if it and the part are right;
    `others` are those that cannot be told from it yet, joined by "+". `z` of the first cause, its `size` over the
    planted one; `inside`, `dated`: whether the 90 % intervals of size and date hold
    the truth, if the kind is right, else -1. `best` is the expected z of the best possible test.
    """

    seed: int
    kind: str
    vehicles: int
    readings: int
    limit: float
    best: float
    raised: int = 0
    detected: int = 0
    delay: float = -1.0
    named: str = ""
    others: str = ""
    z: float = nan
    size: float = nan
    inside: int = -1
    dated: int = -1


@dataclass(frozen=True)
class Summary:
    """A kind of cause over its fleets; shares of the fleets, and from `right` on of the detected.

    `best_same`, `best_own`: power of the best test at the same limit, and at its own of 1 in 50. `named` counts the
    first causes of the detected. `inside`, `dated` are shares of those rightly named, `size` their median.
    """

    kind: str
    fleets: int
    raised: float
    detected: float
    best_same: float
    best_own: float
    delays: tuple[float, ...]
    right: float
    open: float
    inside: float
    dated: float
    size: float
    named: tuple[tuple[str, int], ...]


def summary(rows: Sequence[Row]) -> Summary:
    """Put the fleets of one kind together."""
    found = [one for one in rows if one.detected]
    right = [one for one in found if one.named == one.kind]
    delay = np.array([one.delay for one in found])
    best = np.array([one.best for one in rows])
    limit = np.array([one.limit for one in rows])

    def power(at: Floats) -> float:
        return float(np.mean(ndtr(best - at) + ndtr(-best - at)))

    return Summary(
        kind=rows[0].kind,
        fleets=len(rows),
        raised=float(np.mean([one.raised for one in rows])),
        detected=len(found) / len(rows),
        best_same=power(limit),
        best_own=power(np.full_like(limit, OWN_LIMIT)),
        delays=tuple(float(np.mean(np.clip(np.round(delay), 0, 2) == k)) for k in range(3)),
        right=len(right) / max(len(found), 1),
        open=sum(bool(one.others) for one in found) / max(len(found), 1),
        inside=float(np.mean([one.inside for one in right])),
        dated=float(np.mean([one.dated for one in right])),
        size=float(np.median([one.size for one in right])),
        named=tuple(Counter(one.named for one in found).most_common()),
    )


def read(path: Path) -> list[Row]:
    """Return the rows of a table that `write` made."""
    return read_table(path, Row)


def write(path: Path, rows: Sequence[Row]) -> None:
    """Write the table; figures to five digits."""
    write_table(path, rows, Row, 5)

"""The marks of a series drawn as one path, where that takes fewer bytes than a reference for each of them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise

_CORNER = re.compile(r"[ML] (-?[\d.]+) (-?[\d.]+)")
_STRAIGHT = re.compile(r"(?:[ML] -?[\d.]+ -?[\d.]+ )+z")
#: a circle as eight curves, from its lowest point on
_ROUND = re.compile(r"M 0 ([\d.]+) (?:C(?: -?[\d.]+){6} ){8}z")

Point = tuple[float, float]


def straight_marks(shape: str, places: Sequence[Point]) -> str | None:
    """Return path data of a shape with straight edges at every place; None for another shape."""
    if not _STRAIGHT.fullmatch(shape):
        return None
    corners = [(float(x), float(y)) for x, y in _CORNER.findall(shape)]
    steps = "".join(
        _step(x - before_x, y - before_y)
        for (before_x, before_y), (x, y) in pairwise(corners)
    )  # fmt: skip
    first_x, first_y = corners[0]
    return "".join(f"M{number(x + first_x)} {number(y + first_y)}{steps}z" for x, y in places)


def round_marks(shape: str, places: Sequence[Point]) -> tuple[str, str] | None:
    """Return path data of dots, to be drawn with round ends, and their width; None for another shape."""
    found = _ROUND.fullmatch(shape)
    if found is None:
        return None
    # a line next to no length long: one of none at all is not drawn by every program
    return "".join(f"M{number(x)} {number(y)}h.01" for x, y in places), number(2 * float(found[1]))


def _step(right: float, down: float) -> str:
    x, y = number(right), number(down)
    return f"h{x}" if y == "0" else f"v{y}" if x == "0" else f"l{x} {y}"


def number(value: float) -> str:
    """Return a coordinate to a tenth of a point, as short as it can be written."""
    text = f"{value:.1f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text

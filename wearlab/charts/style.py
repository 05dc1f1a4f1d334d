"""The one style of all charts: sizes, palette, marks, and how a figure is opened.

The palette is our own. Neighbouring colours differ in lightness as well as hue, and every position also has
its own mark and dash and is labelled directly, so that a chart reads without colour: on grey print, and by
readers who do not tell red from green.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from wearlab.language import localised

INK = "#1d2733"
MUTED = "#566270"
GRID = "#dfe3e8"
PAPER = "#ffffff"
LIMIT = "#8a1c1c"
WORK = "#6b7683"
PALE = "#b3bac2"


@dataclass(frozen=True, slots=True)
class Pen:
    """How one position is drawn: colour, mark and dash (the dash in points, on and off)."""

    colour: str
    marker: str
    dash: tuple[float, ...] = ()

    @property
    def linestyle(self) -> Any:
        """The dash as matplotlib takes it."""
        return (0, self.dash) if self.dash else "-"


_PENS = (
    Pen("#14365c", "o"),
    Pen("#c8601d", "s", (5.0, 1.5)),
    Pen("#0f7f76", "^", (2.0, 1.2)),
    Pen("#8a2a66", "D", (6.0, 1.5, 1.5, 1.5)),
    Pen("#7d6a00", "v", (3.0, 3.0)),
    Pen("#4f7cb8", "P", (8.0, 2.0)),
    Pen("#45484d", "X", (1.0, 1.5)),
    Pen("#b0405a", "h", (4.0, 1.0, 1.0, 1.0, 1.0, 1.0)),
)

#: Fill of a state's bar, one for every word of `records.State`; the word and its mark stand beside it.
STATE_FILL: dict[str, str] = {
    "past limit": "#8a1c1c",
    "book": "#c8601d",
    "test again": "#7a5ca8",
    "watch": "#b8921f",
    "no answer": "#7a838d",
    "no limit": "#b3bac2",
    "steady": "#3f8f86",
}

#: Text is measured with the font that ships with matplotlib and shown with the reader's own.
FONTS = "system-ui, 'Segoe UI', Roboto, 'Noto Sans', 'DejaVu Sans', sans-serif"

_RC: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "svg.fonttype": "none",
    "svg.hashsalt": "wearlab",
    "text.parse_math": False,
    "text.usetex": False,
    "axes.unicode_minus": True,
    "axes.edgecolor": MUTED,
    "axes.linewidth": 0.8,
    "lines.solid_capstyle": "butt",
    "path.simplify": False,
    "savefig.facecolor": PAPER,
    "figure.facecolor": PAPER,
}


def pen(position: str) -> Pen:
    """Return the pen of a position: one for each cylinder number, one for the pump and for a whole set."""
    if position.isdecimal():
        return _PENS[(int(position) - 1) % len(_PENS)]
    return _PENS[0] if position == "pump" else _PENS[6]


@contextmanager
def house_style() -> Iterator[None]:
    """Apply the style to everything made or saved inside; matplotlib's own settings return afterwards."""
    with mpl.rc_context():
        # defaults first: a user's matplotlibrc must not reach into a pack
        current: Any = mpl.rcParams
        current.update({key: default for key, default in mpl.rcParamsDefault.items() if key in _TOUCHED})
        current.update(_RC)
        yield


#: Settings of a user's own file that would show in a chart.
_TOUCHED = (
    "axes.prop_cycle", "axes.spines.top", "axes.spines.right", "axes.grid", "axes.facecolor",
    "axes.labelcolor", "text.color", "text.hinting", "lines.linewidth", "lines.markersize",
    "patch.linewidth", "figure.dpi", "savefig.dpi", "savefig.bbox", "xtick.color", "ytick.color",
    "path.sketch", "path.effects", "svg.id",
)  # fmt: skip


def open_figure(
    width: float, height: float, *, left: float, right: float, top: float, bottom: float
) -> tuple[Figure, Axes]:
    """Return a figure of `width` by `height` points with one set of axes inside fixed margins (points).

    Call inside `house_style`. The axes carry no frame but the lower line.
    """
    figure = Figure(figsize=(width / 72.0, height / 72.0))
    axes = figure.add_axes(
        (left / width, bottom / height, (width - left - right) / width, (height - top - bottom) / height)
    )
    dress(axes)
    return figure, axes


def dress(axes: Axes) -> None:
    """Give axes the house look: a lower line only; scales are drawn by `draw_scales`.

    matplotlib's own ticks take half the time of a small chart, so they are switched off.
    """
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.patch.set_visible(False)
    axes.xaxis.set_visible(False)
    axes.yaxis.set_visible(False)


def draw_scales(axes: Axes, *, below: str = "", numbers_below: bool = True, whole: bool = False) -> None:
    """Draw a light horizontal grid with its numbers, the numbers below, and the words `below` under them.

    Call when both ranges are set. Numbers are round and about five to an axis;
    `whole` keeps them to whole numbers.
    """
    left, right = axes.get_xlim()
    low, high = axes.get_ylim()
    locator = MaxNLocator(nbins=7, steps=[1, 2, 2.5, 5, 10], integer=whole)
    levels = _inside(locator.tick_values(low, high), low, high)
    edges = np.array(levels)
    bars(axes, edges, np.full(edges.size, left), np.full(edges.size, right), across=True, color=GRID, linewidth=0.7,
         zorder=0.5)  # fmt: skip
    look: dict[str, Any] = {"fontsize": 8.5, "color": MUTED, "textcoords": "offset points"}
    for level in levels:
        axes.annotate(localised(f"{level:,.6g}"), (left, level), xytext=(-3, 0), ha="right", va="center", **look)
    if numbers_below:
        for x in _inside(locator.tick_values(left, right), left, right):
            axes.annotate(localised(f"{x:,.6g}"), (x, low), xytext=(0, -3), ha="center", va="top", **look)
    if below:
        drop = -13 if numbers_below else -4
        axes.annotate(below, ((left + right) / 2, low), xytext=(0, drop), ha="center", va="top", **look)


def bars(
    axes: Axes, at: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64], *,
    across: bool = False, **look: Any,
) -> None:  # fmt: skip
    """Draw bars from `low` to `high` at places of shape (n,) as one path: a path each would fill half a page.

    `across` lays them along the x axis.
    """
    along = np.column_stack([low, high, np.full(at.size, np.nan)]).ravel()
    place = np.repeat(at, 3)
    axes.plot(*((along, place) if across else (place, along)), solid_capstyle="butt", **look)


def _inside(values: Iterable[float], low: float, high: float) -> list[float]:
    edge = (high - low) * 1e-9
    return [round(float(value), 12) for value in values if low - edge <= value <= high + edge]

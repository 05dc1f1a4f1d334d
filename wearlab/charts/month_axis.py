"""The ground of a chart over months: days along the x axis, years or months below it, a name above it."""

from __future__ import annotations

from datetime import date

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wearlab.charts.axis import calendar_ticks
from wearlab.charts.style import INK, MUTED, dress
from wearlab.charts.words import cell


def month_place(month: date) -> float:
    """Return the x of a month: its middle, as an ordinal day."""
    return float(month.toordinal()) + 14.5


def panel_axes(made: Figure, box: tuple[float, float, float, float]) -> Axes:
    """Return dressed axes at (left, bottom, width, height) in points."""
    wide, tall = (72.0 * float(size) for size in made.get_size_inches())
    axes = made.add_axes((box[0] / wide, box[1] / tall, box[2] / wide, box[3] / tall))
    dress(axes)
    return axes


def name_panel(axes: Axes, name: str, *, left: float, quiet: str = "") -> None:
    """Write a panel's name above it, `left` points left of the axes, and quiet words behind the name."""
    above = axes.annotate(
        cell(name), xy=(0.0, 1.0), xycoords="axes fraction", xytext=(-left, 6), textcoords="offset points", ha="left",
        va="bottom", fontsize=9, fontweight="bold", color=INK,
    )  # fmt: skip
    if quiet:
        axes.annotate(
            cell(quiet), xy=(1.0, 0.0), xycoords=above, xytext=(6, 0), textcoords="offset points", ha="left",
            va="bottom", fontsize=8, color=MUTED,
        )  # fmt: skip


def draw_years(axes: Axes, *, most: int = 9) -> None:
    """Write years, or months of a short span, below axes over days; at most `most` of them."""
    left, right = axes.get_xlim()
    low = axes.get_ylim()[0]
    ticks = [(float(day.toordinal()), text) for day, text in calendar_ticks(left, right)]
    ticks = [(x, text) for x, text in ticks if left <= x <= right]
    for x, text in ticks[:: max(1, -(-len(ticks) // most))]:
        axes.plot([x, x], [0.0, -0.03], transform=axes.get_xaxis_transform(), color=MUTED, linewidth=0.8, clip_on=False)
        axes.annotate(
            text, (x, low), xytext=(0, -6), textcoords="offset points", ha="center", va="top", fontsize=8, color=MUTED
        )  # fmt: skip

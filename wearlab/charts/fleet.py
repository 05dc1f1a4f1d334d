"""The fleet's charts: parts by state, and forecast crossings by month."""

from __future__ import annotations

from collections.abc import Sequence

from wearlab.charts.series import StateCount
from wearlab.charts.style import GRID, INK, STATE_FILL, house_style, open_figure
from wearlab.charts.svg import Chart, finish
from wearlab.records import STATE_MARK, State

WIDTH = 344.0


def states_chart(counts: Sequence[StateCount]) -> Chart:
    """Return bars of the number of parts in each state, named by word and mark, with the number."""
    most = max((count.parts for count in counts), default=0) or 1
    height = 40.0 + 19.0 * max(1, len(counts))
    with house_style():
        figure, axes = open_figure(WIDTH, height, left=92, right=34, top=28, bottom=10)
        figure.text(4 / WIDTH, 1 - 15 / height, "parts by state", fontsize=9.5, fontweight="bold", color=INK)
        axes.spines["bottom"].set_visible(False)
        axes.set_xlim(0, most)
        axes.set_ylim(len(counts) - 0.4, -0.6)
        for row, count in enumerate(counts):
            axes.barh([row], [count.parts], height=0.66, color=STATE_FILL.get(count.state, GRID), linewidth=0)
            sign = STATE_MARK[State(count.state)] if count.state in STATE_MARK else ""
            axes.annotate(
                f"{count.state}  {sign}", xy=(0, row), xytext=(-6, 0), textcoords="offset points", ha="right",
                va="center", fontsize=9, color=INK,
            )  # fmt: skip
            axes.annotate(
                f"{count.parts:,}", xy=(count.parts, row), xytext=(4, 0), textcoords="offset points",
                ha="left", va="center", fontsize=9, color=INK, annotation_clip=False,
            )  # fmt: skip
        told = ", ".join(f"{count.state} {count.parts}" for count in counts) or "no parts"
        return finish(figure, "Parts by state", f"Number of parts in each state: {told}.")

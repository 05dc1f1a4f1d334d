"""The fleet's charts: parts by state, and forecast crossings by month."""

from __future__ import annotations

from collections.abc import Sequence

from wearlab.charts.series import StateCount
from wearlab.charts.style import GRID, INK, STATE_FILL, house_style, open_figure
from wearlab.charts.svg import Chart, finish
from wearlab.language import _, number
from wearlab.records import STATE_MARK, State

WIDTH = 344.0
#: space for the states' words, and the width of a sign of 9 points, a little more than the font's own
_LEFT, _SIGN = 92.0, 5.3


def states_chart(counts: Sequence[StateCount]) -> Chart:
    """Return bars of the number of parts in each state, named by word and mark, with the number."""
    most = max((count.parts for count in counts), default=0) or 1
    height = 40.0 + 19.0 * max(1, len(counts))
    with house_style():
        figure, axes = open_figure(WIDTH, height, left=label_room(counts), right=34, top=28, bottom=10)
        figure.text(4 / WIDTH, 1 - 15 / height, _("parts by state"), fontsize=9.5, fontweight="bold", color=INK)
        axes.spines["bottom"].set_visible(False)
        axes.set_xlim(0, most)
        axes.set_ylim(len(counts) - 0.4, -0.6)
        for row, count in enumerate(counts):
            axes.barh([row], [count.parts], height=0.66, color=STATE_FILL.get(count.state, GRID), linewidth=0)
            axes.annotate(
                state_label(count.state), xy=(0, row), xytext=(-6, 0), textcoords="offset points", ha="right",
                va="center", fontsize=9, color=INK,
            )  # fmt: skip
            axes.annotate(
                number(count.parts), xy=(count.parts, row), xytext=(4, 0), textcoords="offset points",
                ha="left", va="center", fontsize=9, color=INK, annotation_clip=False,
            )  # fmt: skip
        told = counted(counts) or _("no parts")
        return finish(figure, _("Parts by state"), _("Number of parts in each state: {counts}.", counts=told))


def state_label(state: str) -> str:
    """Return the word of a state with its mark: "past limit  !"."""
    return f"{_(state)}  {STATE_MARK[State(state)] if state in STATE_MARK else ''}"


def label_room(counts: Sequence[StateCount]) -> float:
    """Return the space that the states' words take left of their bars, in points."""
    return max([_LEFT, *(10.0 + _SIGN * len(state_label(count.state)) for count in counts)])


def counted(counts: Sequence[StateCount]) -> str:
    """Return "past limit 2, steady 41"."""
    return ", ".join(f"{_(count.state)} {number(count.parts)}" for count in counts)

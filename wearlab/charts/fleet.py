"""The fleet's charts: parts by state, and forecast crossings by month."""

from __future__ import annotations

from collections.abc import Sequence

from wearlab.charts.series import MonthCount, StateCount
from wearlab.charts.style import GRID, INK, MUTED, STATE_FILL, draw_scales, house_style, open_figure
from wearlab.charts.svg import Chart, finish
from wearlab.charts.words import month_words
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


def crossings_chart(months: Sequence[MonthCount]) -> Chart:
    """Return bars of forecast crossings by month: likely ones filled, possible ones as an outline behind."""
    most = max((max(month.likely, month.possible) for month in months), default=0) or 1
    height = 173.0
    with house_style():
        figure, axes = open_figure(WIDTH, height, left=26, right=10, top=42, bottom=30)
        heading = "forecast crossings by month"
        figure.text(4 / WIDTH, 1 - 15 / height, heading, fontsize=9.5, fontweight="bold", color=INK)
        figure.text(
            4 / WIDTH, 1 - 29 / height, "filled: most likely in that month; outline: possible (10 to 90 %)",
            fontsize=8, color=MUTED,
        )  # fmt: skip
        axes.set_xlim(-0.6, max(len(months), 1) - 0.4)
        axes.set_ylim(0, most * 1.15)
        draw_scales(axes, numbers_below=False, whole=True)
        places = list(range(len(months)))
        axes.bar(
            places, [month.possible for month in months], width=0.8, facecolor="none", edgecolor=MUTED,
            linewidth=0.9, linestyle=(0, (2.0, 1.5)),
        )  # fmt: skip
        axes.bar(places, [month.likely for month in months], width=0.56, color="#14365c", linewidth=0)
        for place, month in enumerate(months):
            if month.likely:
                axes.text(place, month.likely, str(month.likely), ha="center", va="bottom", fontsize=8, color=INK)
        every = 4 if len(months) > 8 else 1
        for place, month in list(zip(places, months, strict=True))[::every]:
            axes.annotate(
                f"{month.month.month:02d}/{month.month.year}", xy=(place, 0), xytext=(0, -4),
                textcoords="offset points", ha="center", va="top", fontsize=8.5, color=MUTED,
            )  # fmt: skip
        told = "; ".join(
            f"{month_words(month.month)}: {month.likely} likely, {month.possible} possible"
            for month in months
            if month.likely or month.possible
        )
        told = told or "none in this span"
        return finish(figure, "Forecast crossings by month", f"Parts that cross their limit: {told}.")

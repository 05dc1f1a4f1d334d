"""Parts by state over the months: a row a state, a bar a month with its number, each row on a scale of its own.

Steady parts are so many that on one common scale the others would not be seen; the numbers stand on the bars.
"""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure

from wearlab.charts.fleet import counted, label_room, state_label, states_chart
from wearlab.charts.fleet_series import StateMonth
from wearlab.charts.month_axis import panel_axes
from wearlab.charts.style import GRID, INK, MUTED, STATE_FILL, house_style
from wearlab.charts.svg import Chart, finish
from wearlab.charts.words import month_tick, month_words
from wearlab.language import _, number

WIDTH = 470.0
#: height of a row and margins, in points
ROW, RIGHT, HEAD, BELOW = 34.0, 10.0, 42.0, 26.0
#: months drawn at most, the newest
MOST = 18


def state_months_chart(months: Sequence[StateMonth]) -> Chart:
    """Return bars by month for each state that any month has; of one month alone, its plain bars."""
    shown = list(months)[-MOST:]
    if len(shown) < 2:
        return states_chart(shown[0].counts if shown else ())
    with house_style():
        return finish(state_months_figure(shown), _("Parts by state over the months"), describe(shown))


def state_months_figure(months: Sequence[StateMonth]) -> Figure:
    """Return the matplotlib figure of two months or more, to be drawn and saved inside `house_style`."""
    states = [count.state for count in months[-1].counts]
    table = {state: [_parts(month, state) for month in months] for state in states}
    told = [state for state in states if any(table[state])]
    height = HEAD + ROW * len(told) + BELOW
    made = Figure(figsize=(WIDTH / 72.0, height / 72.0))
    made.text(
        4 / WIDTH, 1 - 14 / height, _("parts by state over the months"), fontsize=10, fontweight="bold", color=INK
    )  # fmt: skip
    made.text(
        4 / WIDTH, 1 - 28 / height, _("each part by its most pressing state; every row has its own scale"), fontsize=8,
        color=MUTED,
    )  # fmt: skip
    left = label_room(months[-1].counts)
    for row, state in enumerate(told):
        axes = panel_axes(made, (left, height - HEAD - ROW * (row + 1), WIDTH - left - RIGHT, ROW - 14))
        values = table[state]
        axes.set_xlim(-0.6, len(months) - 0.4)
        axes.set_ylim(0, max(values))
        axes.spines["bottom"].set_color(GRID)
        axes.bar(range(len(values)), values, width=0.66, color=STATE_FILL.get(state, GRID), linewidth=0)
        axes.annotate(
            state_label(state), xy=(0.0, 0.0), xycoords="axes fraction", xytext=(-8, 2), textcoords="offset points",
            ha="right", va="bottom", fontsize=9, color=INK,
        )  # fmt: skip
        for place, value in enumerate(values):
            axes.annotate(
                number(value), xy=(place, value), xytext=(0, 1), textcoords="offset points", ha="center", va="bottom",
                fontsize=8, color=INK if value else MUTED, annotation_clip=False,
            )  # fmt: skip
        if row == len(told) - 1:
            every = 1 if len(months) <= 9 else 2
            for place in range(len(months) - 1, -1, -every):
                axes.annotate(
                    month_tick(months[place].month), xy=(place, 0), xytext=(0, -5),
                    textcoords="offset points", ha="center", va="top", fontsize=8, color=MUTED,
                )  # fmt: skip
    return made


def describe(months: Sequence[StateMonth]) -> str:
    """Return the text alternative: every month's numbers."""
    told = []
    for month in months:
        counts = counted([count for count in month.counts if count.parts])
        shown = counts or _("no parts")
        told.append(f"{month_words(month.month)}: {shown}.")
    return " ".join(told)


def _parts(month: StateMonth, state: str) -> int:
    return sum(count.parts for count in month.counts if count.state == state)

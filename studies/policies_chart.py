"""The cost of each policy on every fleet, as a figure: a column a policy, grouped by kind of wear, a panel a stake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wearlab.charts.style import INK, MUTED, bars, draw_scales, dress, house_style, pen
from wearlab.charts.svg import Chart, finish

WIDTH, TALL = 500.0, 170.0
LEFT, RIGHT, ABOVE, BELOW = 40.0, 6.0, 34.0, 40.0
_GAP = 1.2
HEAD = 36.0
_NOTE = (
    "failure: run to failure; age: the best by the fleet's own lives; age*: the best in hindsight; test: what fails it"
)
_TITLE = "Cost of replacing by four policies, for a vehicle and year"
_SHORT = {"run to failure": "failure", "fixed age": "age", "best age": "age*", "test fails": "test", "plan": "plan"}
_STAKES = {"dear": "road failures frequent and dear", "cheap": "road failures rare and cheap"}


@dataclass(frozen=True, slots=True)
class Column:
    """The costs of one policy on fleets of one kind of wear, one a fleet."""

    mechanism: str
    policy: str
    costs: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Panel:
    """The columns under one statement of what a road failure costs; columns of one kind of wear stand together."""

    stakes: str
    columns: tuple[Column, ...]


def policies_chart(panels: Sequence[Panel]) -> Chart:
    """Return the figure as SVG with its text alternative."""
    height = HEAD + len(panels) * (ABOVE + TALL + BELOW)
    with house_style():
        figure = Figure(figsize=(WIDTH / 72.0, height / 72.0))
        figure.text(4 / WIDTH, 1 - 14 / height, _TITLE, fontsize=10, fontweight="bold", color=INK)
        figure.text(4 / WIDTH, 1 - 28 / height, _NOTE, fontsize=8, color=MUTED)
        for place, panel in enumerate(panels):
            low = height - HEAD - place * (ABOVE + TALL + BELOW) - ABOVE - TALL
            width = (WIDTH - LEFT - RIGHT) / WIDTH
            axes = figure.add_axes((LEFT / WIDTH, low / height, width, TALL / height))
            dress(axes)
            _draw(axes, panel)
        return finish(figure, _TITLE, describe(panels))


def describe(panels: Sequence[Panel]) -> str:
    """Return the text alternative: mean and range of every column."""
    told = []
    for panel in panels:
        words = [
            f"{one.mechanism}, {one.policy}: {np.mean(one.costs):,.0f} ({min(one.costs):,.0f} to {max(one.costs):,.0f})"
            for one in panel.columns
        ]
        told.append(f"{_STAKES.get(panel.stakes, panel.stakes)}: {'; '.join(words)}.")
    return " ".join(told)


def _draw(axes: Axes, panel: Panel) -> None:
    policies = list(dict.fromkeys(one.policy for one in panel.columns))
    groups = list(dict.fromkeys(one.mechanism for one in panel.columns))
    wide = len(policies) + _GAP
    axes.set_xlim(-0.8, len(groups) * wide - _GAP - 0.2)
    axes.set_ylim(0.0, 1.06 * max(max(one.costs) for one in panel.columns))
    axes.annotate(
        f"{_STAKES.get(panel.stakes, panel.stakes)}  (crowns; a mark a fleet, a bar their mean)", xy=(0.0, 1.0),
        xycoords="axes fraction", xytext=(4 - LEFT, 8), textcoords="offset points", ha="left", va="bottom",
        fontsize=9, fontweight="bold", color=INK,
    )  # fmt: skip
    draw_scales(axes, numbers_below=False)
    look = {"textcoords": "offset points", "ha": "center", "va": "top"}
    for one in panel.columns:
        place = policies.index(one.policy)
        x, style = groups.index(one.mechanism) * wide + place, pen(str(place + 1))
        aside = np.linspace(-0.22, 0.22, len(one.costs)) if len(one.costs) > 1 else np.zeros(1)
        axes.plot(x + aside, one.costs, style.marker, color=style.colour, markersize=3.4, markeredgewidth=0, zorder=3)
        mean = np.array([np.mean(one.costs)])
        bars(axes, mean, np.array([x - 0.4]), np.array([x + 0.4]), across=True, color=style.colour, linewidth=2.0)
        name = _SHORT.get(one.policy, one.policy)
        axes.annotate(name, (x, 0.0), xytext=(0, -4), fontsize=7.5, color=style.colour, **look)
    for place, group in enumerate(groups):
        middle = place * wide + (len(policies) - 1) / 2
        axes.annotate(group, (middle, 0.0), xytext=(0, -17), fontsize=8.5, color=MUTED, **look)

"""Parts that will pass a limit, by month: the expected number as a bar, nine in ten as a line over it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure

from wearlab.charts.fleet_series import CrossingMonth
from wearlab.charts.style import INK, MUTED, bars, draw_scales, house_style, open_figure
from wearlab.charts.svg import Chart, finish
from wearlab.charts.words import month_tick, month_words
from wearlab.language import _, number

WIDTH, HEIGHT = 470.0, 180.0
_BAR = "#9db4cf"


def crossing_months_chart(months: Sequence[CrossingMonth]) -> Chart:
    """Return the chart as SVG with its text alternative."""
    with house_style():
        return finish(crossing_months_figure(months), _("Parts that will pass a limit, by month"), describe(months))


def crossing_months_figure(months: Sequence[CrossingMonth]) -> Figure:
    """Return the matplotlib figure, to be drawn and saved inside `house_style`."""
    made, axes = open_figure(WIDTH, HEIGHT, left=26, right=10, top=44, bottom=24)
    made.text(
        4 / WIDTH, 1 - 14 / HEIGHT, _("parts that will pass a limit, by month"), fontsize=10, fontweight="bold",
        color=INK,
    )  # fmt: skip
    made.text(
        4 / WIDTH, 1 - 28 / HEIGHT, _("bar: number expected if nothing is done; line: between how many, 9 in 10"),
        fontsize=8, color=MUTED,
    )  # fmt: skip
    most = max((max(float(month.high), month.expected) for month in months), default=0.0) or 1.0
    axes.set_xlim(-0.6, max(len(months), 1) - 0.4)
    axes.set_ylim(0, most * 1.12)
    draw_scales(axes, numbers_below=False, whole=True)
    x = np.arange(len(months), dtype=np.float64)
    expected = np.array([month.expected for month in months], dtype=np.float64)
    low, high = (np.array([getattr(month, name) for month in months], dtype=np.float64) for name in ("low", "high"))
    axes.bar(x, expected, width=0.7, facecolor=_BAR, edgecolor=INK, linewidth=0.6, zorder=1.5)
    bars(axes, x, low, high, color=INK, linewidth=1.3, zorder=2)
    for ends in (low, high):
        axes.plot(x, ends, "_", color=INK, markersize=7, markeredgewidth=1.3, zorder=2.1)
    for place, month in enumerate(months):
        axes.annotate(
            number_words(month.expected), xy=(place, max(float(month.high), month.expected)), xytext=(0, 3),
            textcoords="offset points", ha="center", va="bottom", fontsize=8, color=INK,
        )  # fmt: skip
    every = 3 if len(months) > 8 else 1
    for place in range(0, len(months), every):
        axes.annotate(
            month_tick(months[place].month), xy=(place, 0), xytext=(0, -4),
            textcoords="offset points", ha="center", va="top", fontsize=8.5, color=MUTED,
        )  # fmt: skip
    return made


def number_words(value: float) -> str:
    """Return an expected number with one decimal where it is small."""
    return number(value, 1 if value < 9.95 else 0)


def describe(months: Sequence[CrossingMonth]) -> str:
    """Return the text alternative: every month's expected number and its interval."""
    told = [
        _(
            "{month}: {expected} expected, {low} to {high}",
            month=month_words(month.month),
            expected=number_words(month.expected),
            low=number(month.low),
            high=number(month.high),
        )
        for month in months
    ]
    return f"{'; '.join(told)}." if told else _("No crossing can be told.")

"""Lives of parts as a figure: the share still fitted over distance, with bands, beside the life by wear."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wearlab.charts.labels import Label, write_labels
from wearlab.charts.style import INK, MUTED, Pen, draw_scales, dress, house_style, pen
from wearlab.charts.svg import Chart, finish
from wearlab.charts.words import cell, km_words
from wearlab.language import _, number

WIDTH = 470.0
#: height of a panel and margins, in points
TALL, LEFT, RIGHT, BELOW, ABOVE = 150.0, 34.0, 124.0, 28.0, 24.0
#: a line below the title
LINE = 12.0
#: notes that fit into a panel; the others are told in the text alternative
_NOTES = 4
#: signs of a line and of a label
_LONG, _NAME = 108, 26


@dataclass(frozen=True, slots=True)
class Steps:
    """A stepped share still fitted: at `km` (m values) it falls to `share`, band `low` to `high` (None: none).

    It is told from `since_km` to `until_km`.
    """

    name: str
    since_km: float
    until_km: float
    km: tuple[float, ...]
    share: tuple[float, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Law:
    """A smooth share: (distance in km, share); `seen_to_km` is how far anything was seen (None: all of it).

    `of` names the steps whose colour it takes.
    """

    name: str
    curve: tuple[tuple[float, float], ...]
    seen_to_km: float | None = None
    of: str = ""


@dataclass(frozen=True, slots=True)
class LifePanel:
    """One kind of parts: stepped shares of what was taken out, laws drawn beside them, and what is missing."""

    name: str
    steps: tuple[Steps, ...]
    laws: tuple[Law, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LivesFigure:
    """Panels below each other over one scale of distance; `lines` are written below the title."""

    subject: str
    lines: tuple[str, ...]
    panels: tuple[LifePanel, ...]


def lives_chart(figure: LivesFigure) -> Chart:
    """Return the figure as SVG with its text alternative."""
    with house_style():
        return finish(lives_figure(figure), figure.subject, describe(figure))


def lives_figure(figure: LivesFigure) -> Figure:
    """Return the matplotlib figure, to be drawn and saved inside `house_style`."""
    head = 24.0 + LINE * len(figure.lines)
    height = head + len(figure.panels) * (TALL + ABOVE + BELOW)
    made = Figure(figsize=(WIDTH / 72.0, height / 72.0))
    made.text(4 / WIDTH, 1 - 14 / height, cell(figure.subject)[:78], fontsize=10, fontweight="bold", color=INK)
    for row, line in enumerate(figure.lines):
        text = cell(line)
        text = text if len(text) <= _LONG else text[: _LONG - 1] + "…"
        made.text(4 / WIDTH, 1 - (28 + LINE * row) / height, text, fontsize=8, color=MUTED)
    right = _reach(figure)
    for index, panel in enumerate(figure.panels):
        y = height - head - index * (TALL + ABOVE + BELOW) - ABOVE - TALL
        axes = made.add_axes((LEFT / WIDTH, y / height, (WIDTH - LEFT - RIGHT) / WIDTH, TALL / height))
        dress(axes)
        _draw(axes, panel, right, last=index == len(figure.panels) - 1)
    return made


def describe(figure: LivesFigure) -> str:
    """Return the text alternative: where every curve ends, and what is missing."""
    told = []
    for panel in figure.panels:
        words = []
        for one in panel.steps:
            share = one.share[-1] if one.share else 1.0
            words.append(
                _(
                    "{name}, {share} % still fitted at {distance}",
                    name=one.name,
                    share=number(100 * share),
                    distance=km_words(one.until_km),
                )
            )
        for law in panel.laws:
            half = next((x for x, y in law.curve if y <= 0.5), None)
            if half is None:
                words.append(_("{name}, half beyond all that is drawn", name=law.name))
            else:
                words.append(_("{name}, half by about {distance}", name=law.name, distance=km_words(half, about=True)))
        curves = "; ".join(words) or _("nothing to draw")
        told.append(f"{panel.name}: {curves}.")
        told += [f"{one}." for one in panel.notes]
    return " ".join(told)


def _reach(figure: LivesFigure) -> float:
    """The right end, in 1,000 km: as far as anything was seen, and a tenth more."""
    ends = [one.until_km for panel in figure.panels for one in panel.steps]
    ends += [law.seen_to_km or law.curve[-1][0] for panel in figure.panels for law in panel.laws]
    return 1.1 * max(ends, default=100_000.0) / 1000.0


def _draw(axes: Axes, panel: LifePanel, right: float, *, last: bool) -> None:
    axes.set_xlim(0.0, right)
    axes.set_ylim(0.0, 103.0)
    axes.annotate(
        cell(_("{panel}  (% still fitted)", panel=panel.name)), xy=(0.0, 1.0), xycoords="axes fraction",
        xytext=(4 - LEFT, 6), textcoords="offset points", ha="left", va="bottom", fontsize=9, fontweight="bold",
        color=INK,
    )  # fmt: skip
    draw_scales(axes, below=_("distance since new, {unit}", unit=f"{number(1000)} km") if last else "")
    labels = []
    pens: dict[str, Pen] = {}
    for one in panel.steps:
        pens[one.name] = pen(str(len(pens) + 1))
        labels.append(_steps(axes, one, pens[one.name], banded=len(panel.steps) < 4))
    for law in panel.laws:
        style = pens.get(law.of) or pens.setdefault(law.name, pen(str(len(pens) + 1)))
        labels.append(_law(axes, law, style, right))
    write_labels(axes, labels, TALL, ())
    for row, note in enumerate(panel.notes[:_NOTES]):
        axes.annotate(
            cell(note), xy=(0.0, 0.0), xycoords="axes fraction", xytext=(6, 6 + 10 * row), textcoords="offset points",
            ha="left", va="bottom", fontsize=8, color=MUTED, zorder=4,
        )  # fmt: skip


def _steps(axes: Axes, one: Steps, style: Pen, *, banded: bool) -> Label:
    x = np.array([one.since_km, *one.km, one.until_km]) / 1000.0
    y = 100.0 * np.array([1.0, *one.share, one.share[-1] if one.share else 1.0])
    axes.step(x, y, where="post", color=style.colour, linewidth=1.5, zorder=3)
    axes.plot(x[1:-1], y[1:-1], style.marker, color=style.colour, markersize=3.0, markeredgewidth=0, zorder=3.1)
    if banded and one.share:
        low, high = (
            100.0
            * np.array([1.0, *(np.nan if v is None else v for v in side), np.nan if side[-1] is None else side[-1]])
            for side in (one.low, one.high)
        )
        axes.fill_between(x, low, high, step="post", color=style.colour, alpha=0.15, linewidth=0, zorder=1)
        for edge in (low, high):
            axes.step(x, edge, where="post", color=style.colour, linewidth=0.5, alpha=0.5, zorder=1.1)
    return Label(float(x[-1]), float(y[-1]), _short(one.name), style.colour)


def _law(axes: Axes, law: Law, style: Pen, right: float) -> Label:
    x, y = np.array([pair[0] for pair in law.curve]) / 1000.0, 100.0 * np.array([pair[1] for pair in law.curve])
    # the curve ends at the edge of the chart, not at its last point inside
    x, y = np.append(x[x < right], right), np.append(y[x < right], np.interp(right, x, y))
    seen = right if law.seen_to_km is None else law.seen_to_km / 1000.0
    inside = x <= seen
    look: dict[str, Any] = {"color": style.colour, "zorder": 2.4}
    axes.plot(x[inside], y[inside], linestyle=(0, (5.0, 1.5)), linewidth=1.4, **look)
    first = max(int(inside.sum()) - 1, 0)
    axes.plot(x[first:], y[first:], linestyle=(0, (1.0, 1.4)), linewidth=1.3, **look)
    return Label(float(x[-1]), float(y[-1]), _short(law.name), style.colour)


def _short(name: str) -> str:
    text = cell(name)
    return text if len(text) <= _NAME else text[: _NAME - 1] + "…"

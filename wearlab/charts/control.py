"""Control charts as figures: one chart across, the charts of its parts or tubes as small multiples below it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wearlab.charts.axis import Ground, calendar_ticks, draw_marks
from wearlab.charts.control_series import ControlFigure, ControlPanel, ControlPoint, describe
from wearlab.charts.labels import Label, write_labels
from wearlab.charts.series import Mark
from wearlab.charts.style import INK, LIMIT, MUTED, PALE, PAPER, Pen, bars, draw_scales, dress, house_style, pen
from wearlab.charts.svg import Chart, finish
from wearlab.charts.words import cell
from wearlab.language import _, number

WIDTH = 470.0
#: heights of the charts and margins, in points
MAIN, SMALL = 150.0, 84.0
LEFT, RIGHT, BELOW, ABOVE = 34.0, 62.0, 22.0, 30.0
#: a line below the title, and a line of causes
LINE, CAUSE = 12.0, 11.0
#: lines of causes at most; a further cause is told in the text alternative and the table
_CAUSES = 3
#: width of a sign of 8 points, a little more than the font's own
_SIGN = 4.7
#: signs of a line below the title, and of a cause on the chart
_LONG, _CAUSE_LONG = 104, 52
#: a date axis without distance
_DAYS = Ground(np.zeros(0), np.zeros(0))
_ODOMETERS = 5


def control_chart(figure: ControlFigure) -> Chart:
    """Return the figure as SVG with its text alternative."""
    with house_style():
        return finish(control_figure(figure), figure.subject, describe(figure))


def control_figure(figure: ControlFigure) -> Figure:
    """Return the matplotlib figure, to be drawn and saved inside `house_style`."""
    rows = -(-len(figure.small) // 2)
    head = 24.0 + LINE * len(figure.lines)
    above = ABOVE if figure.by_odometer else ABOVE - 12.0
    tall = (MAIN + above + BELOW) if figure.main is not None else 0.0
    height = head + tall + rows * (SMALL + ABOVE + BELOW)
    made = Figure(figsize=(WIDTH / 72.0, height / 72.0))
    shown = cell(figure.subject)
    made.text(
        4 / WIDTH, 1 - 14 / height, shown if len(shown) <= 78 else shown[:77] + "…", fontsize=10, fontweight="bold",
        color=INK,
    )  # fmt: skip
    for row, line in enumerate(figure.lines):
        text = cell(line)
        text = text if len(text) <= _LONG else text[: _LONG - 1] + "…"
        made.text(
            4 / WIDTH, 1 - (28 + LINE * row) / height, text, fontsize=8.5 if not row else 8,
            color=INK if not row else MUTED,
        )  # fmt: skip
    left, right = _span(figure)
    top = height - head
    if figure.main is not None:
        box = (LEFT, top - above - MAIN, WIDTH - LEFT - RIGHT, MAIN)
        axes = _axes(made, box, height)
        _draw(axes, figure.main, figure, left, right, MAIN, _limits((figure.main,)), main=True)
        top -= tall
    shared = _limits(figure.small)
    wide = WIDTH / 2
    for index, panel in enumerate(figure.small):
        row, column = divmod(index, 2)
        y = top - row * (SMALL + ABOVE + BELOW) - ABOVE - SMALL
        box = (column * wide + LEFT, y, wide - LEFT - RIGHT + 14, SMALL)
        _draw(_axes(made, box, height), panel, figure, left, right, SMALL, shared, main=False)
    return made


def _axes(made: Figure, box: tuple[float, float, float, float], height: float) -> Axes:
    x, y, wide, tall = box
    axes = made.add_axes((x / WIDTH, y / height, wide / WIDTH, tall / height))
    dress(axes)
    return axes


def _span(figure: ControlFigure) -> tuple[float, float]:
    days = [float(point.day.toordinal()) for panel in figure.panels for point in panel.points]
    if not days:
        return 0.0, 1.0
    pad = max((max(days) - min(days)) * 0.03, 10.0)
    return min(days) - pad, max(days) + pad


def _limits(panels: Sequence[ControlPanel]) -> tuple[float, float]:
    """Return the range of values that panels share: values, intervals, limits and centre."""
    values = [
        one
        for panel in panels
        for point in panel.points
        for one in (point.value, point.low, point.high, point.lower, point.upper, point.beside)
        if one is not None
    ]
    values += [panel.centre for panel in panels if panel.centre is not None]
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    room = (high - low) or abs(high) * 0.2 or 1.0
    return low - 0.06 * room, high + 0.08 * room


def _draw(
    axes: Axes, panel: ControlPanel, figure: ControlFigure, left: float, right: float, tall: float,
    ends: tuple[float, float], *, main: bool,
) -> None:  # fmt: skip
    style = pen(panel.position)
    low, high = ends
    axes.set_xlim(left, right)
    told = _causes(panel.points, left, right, axes, main=main)
    rows = 1 + max((row for row, *_ in told), default=-1)
    # room above the values for the lines of causes
    high += (high - low) * rows * CAUSE / max(tall - rows * CAUSE, 1.0)
    axes.set_ylim(low, high)
    name = cell(f"{panel.name}  ({panel.unit})" if panel.unit else panel.name)
    axes.annotate(
        name, xy=(0.0, 1.0), xycoords="axes fraction", xytext=(4 - LEFT, 17 if main and figure.by_odometer else 6),
        textcoords="offset points", ha="left", va="bottom", fontsize=9, fontweight="bold", color=INK,
    )  # fmt: skip
    draw_scales(axes, numbers_below=False)
    _dates(axes, left, right, main=main)
    if main and figure.by_odometer:
        _odometers(axes, panel.points, left, right)
    marks: tuple[Mark, ...] = (*figure.marks, *panel.marks)
    if main:
        draw_marks(axes, _DAYS, marks)
    else:
        for mark in marks:
            axes.axvline(mark.day.toordinal(), color=MUTED, linewidth=0.8, linestyle=(0, (1.0, 2.0)), zorder=1.2)
    _lines(axes, panel)
    _points(axes, panel.points, style, main=main)
    for row, x, y, text, align in told:
        place = high - (row + 0.6) * (high - low) * CAUSE / tall
        axes.plot([x, x], [y, place], color=LIMIT, linewidth=0.5, zorder=1.7)
        axes.annotate(
            text, xy=(x, place), xytext=(3 if align == "left" else -3, 0), textcoords="offset points", ha=align,
            va="center", fontsize=8, color=LIMIT, zorder=4,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.6, "alpha": 0.85},
        )  # fmt: skip
    _ends(axes, panel, style, tall, main=main)


def _lines(axes: Axes, panel: ControlPanel) -> None:
    """Draw centre and limits; limits that change from point to point as steps."""
    if panel.centre is not None:
        axes.axhline(panel.centre, color=PALE, linewidth=1.0, zorder=1.1)
    dash = (0, (7.0, 2.0, 1.5, 2.0))
    x = np.array([point.day.toordinal() for point in panel.points], dtype=np.float64)
    for name in ("lower", "upper"):
        y = np.array([np.nan if getattr(one, name) is None else getattr(one, name) for one in panel.points])
        known = y[np.isfinite(y)]
        if not known.size:
            continue
        if np.ptp(known) <= 1e-9 * max(abs(float(known[0])), 1e-12):
            axes.axhline(float(known[0]), color=LIMIT, linewidth=1.2, linestyle=dash, zorder=1.6)
        else:
            axes.step(x, y, where="mid", color=LIMIT, linewidth=1.0, linestyle=dash, zorder=1.6)


def _points(axes: Axes, points: Sequence[ControlPoint], style: Pen, *, main: bool) -> None:
    read = [point for point in points if point.value is not None]
    x = np.array([point.day.toordinal() for point in read], dtype=np.float64)
    y = np.array([point.value for point in read], dtype=np.float64)
    size = 4.4 if main else 3.2
    between = [k for k, point in enumerate(read) if point.low is not None and point.high is not None]
    if between:
        low, high = (np.array([getattr(read[k], name) for k in between]) for name in ("low", "high"))
        bars(axes, x[between], low, high, color=style.colour, linewidth=1.0, alpha=0.45 if main else 0.22, zorder=1.9)
    axes.plot(x, y, color=style.colour, linewidth=0.7, alpha=0.55, zorder=2)
    axes.plot(x, y, style.marker, color=style.colour, markersize=size, markeredgewidth=0, zorder=3)
    beside = np.array([np.nan if point.beside is None else point.beside for point in read], dtype=np.float64)
    if main and np.isfinite(beside).any():
        axes.plot(x, beside, "_", color=MUTED, markersize=7, markeredgewidth=1.0, zorder=2.5)
    out = np.array([point.outside for point in read], dtype=np.bool_)
    if out.any():
        axes.plot(
            x[out], y[out], "o", markerfacecolor="none", markeredgecolor=LIMIT, markersize=size + 5,
            markeredgewidth=1.3, zorder=3.2,
        )  # fmt: skip
    for bound, marker, place in (("at_least", "^", 1.0), ("at_most", "v", 0.0)):
        days = [point.day.toordinal() for point in points if point.bound == bound]
        axes.plot(
            days, [place] * len(days), marker, transform=axes.get_xaxis_transform(), markerfacecolor="white",
            markeredgecolor=style.colour, markersize=size + 2, markeredgewidth=1.1, clip_on=False, zorder=3.3,
        )  # fmt: skip


def _causes(
    points: Sequence[ControlPoint], left: float, right: float, axes: Axes, *, main: bool
) -> list[tuple[int, float, float, str, str]]:
    """Lay the causes of signals into lines without overlap: line, x, y, words and the side they are aligned to."""
    if not main:
        return []
    sign = _SIGN * (right - left) / (axes.get_position().width * WIDTH)
    named = [point for point in points if point.cause]
    # words reach to one side, so that one order leaves room where the other does not
    return max((_laid(each, left, right, sign) for each in (named, named[::-1])), key=len)


def _laid(
    points: Sequence[ControlPoint], left: float, right: float, sign: float
) -> list[tuple[int, float, float, str, str]]:
    laid: list[tuple[int, float, float, float]] = []
    told = []
    for point in points:
        text = cell(point.cause)
        text = text if len(text) <= _CAUSE_LONG else text[: _CAUSE_LONG - 1] + "…"
        x, reach = float(point.day.toordinal()), (len(text) + 1.3) * sign
        sides = [("left", x, x + reach), ("right", x - reach, x)]
        fit = [side for side in sides if side[1] >= left and side[2] <= right] or sides[:1]
        for row, (align, begin, end) in ((row, side) for row in range(_CAUSES) for side in fit):
            if _free(laid, row, x, begin, end):
                laid.append((row, x, begin, end))
                told.append((row, x, point.value if point.value is not None else 0.0, text, align))
                break
    return told


def _free(laid: Sequence[tuple[int, float, float, float]], row: int, x: float, begin: float, end: float) -> bool:
    """Whether words fit into a line: over no others, cut by no line that leads down to a point, and cutting none."""
    for other, place, first, last in laid:
        if other == row and end >= first and begin <= last:
            return False
        if other < row and begin <= place <= end:
            return False
        if other > row and first <= x <= last:
            return False
    return True


def _ends(axes: Axes, panel: ControlPanel, style: Pen, tall: float, *, main: bool) -> None:
    """Name the last value and the limits at the right."""
    right = axes.get_xlim()[1]
    labels = []
    if panel.read:
        last = panel.read[-1]
        value = panel.figure(last.value or 0.0)
        words = _("last {value}", value=value) if main else value
        labels.append(Label(float(last.day.toordinal()), last.value or 0.0, words, style.colour))
    for name in ("upper", "lower"):
        known = [getattr(point, name) for point in panel.points if getattr(point, name) is not None]
        if known:
            value = panel.figure(known[-1])
            labels.append(Label(right, known[-1], _("limit {value}", value=value) if main else value, LIMIT))
    write_labels(axes, labels, tall, ())


def _dates(axes: Axes, left: float, right: float, *, main: bool) -> None:
    """Write years, or months of a short span, below the axes."""
    low = axes.get_ylim()[0]
    ticks = [(day, text) for day, text in calendar_ticks(left, right) if left <= day.toordinal() <= right]
    most = 9 if main else 5
    for day, text in ticks[:: max(1, -(-len(ticks) // most))]:
        x = float(day.toordinal())
        axes.plot([x, x], [0.0, -0.03], transform=axes.get_xaxis_transform(), color=MUTED, linewidth=0.8, clip_on=False)
        axes.annotate(
            text, (x, low), xytext=(0, -6), textcoords="offset points", ha="center", va="top", fontsize=8, color=MUTED
        )  # fmt: skip
    if not ticks:
        for x, align in ((left, "left"), (right, "right")):
            axes.annotate(
                date.fromordinal(max(int(x), 1)).isoformat(), (x, low), xytext=(0, -4), textcoords="offset points",
                ha=align, va="top", fontsize=8, color=MUTED,
            )  # fmt: skip


def _odometers(axes: Axes, points: Sequence[ControlPoint], left: float, right: float) -> None:
    """Write the odometer above a few visits."""
    known = [point for point in points if point.odometer_km is not None]
    last = float("-inf")
    blend = axes.get_xaxis_transform()
    for point in known:
        x = float(point.day.toordinal())
        if x - last < (right - left) / _ODOMETERS:
            continue
        axes.plot([x, x], [1.0, 1.025], transform=blend, color=MUTED, linewidth=0.8, clip_on=False)
        text = number((point.odometer_km or 0.0) / 1000)
        axes.text(x, 1.03, text, transform=blend, ha="center", va="bottom", fontsize=8, color=MUTED)
        last = x
    if known:
        axes.annotate(
            f"{number(1000)} km", xy=(1.0, 1.03), xycoords="axes fraction", xytext=(3, 0), textcoords="offset points",
            ha="left", va="bottom", fontsize=8, color=MUTED,
        )  # fmt: skip

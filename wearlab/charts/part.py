"""One part's chart: readings with their graduation, the level with its interval, the forecast to the limit."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wearlab.charts.axis import draw_calendar, draw_marks, ground
from wearlab.charts.drawing import draw_limit, draw_series, has_fan, set_ranges
from wearlab.charts.series import LINE, Series, VehicleHistory
from wearlab.charts.style import INK, MUTED, house_style, open_figure
from wearlab.charts.svg import Chart, finish
from wearlab.charts.vehicle import describe
from wearlab.charts.words import cell, limit_words, measure_words, position_words, when_words
from wearlab.language import _, percent

WIDTH, HEIGHT = 440.0, 274.0

#: signs of a note that fit into one line
_LINE = 92


def part_chart(history: VehicleHistory, series: Series) -> Chart:
    """Return the chart of one series of a vehicle's history; the series must have at least one reading."""
    with house_style():
        return finish(part_figure(history, series), part_title(history, series), describe((series,)))


def part_title(history: VehicleHistory, series: Series) -> str:
    """Return vehicle, part and test of a series."""
    return cell(
        f"{history.vehicle} {position_words(series.position)}: {measure_words(series.measure)}, {series.protocol}"
    )


def part_figure(history: VehicleHistory, series: Series, *, always: bool = False) -> Figure:
    """Return the matplotlib figure of the same chart, to be drawn and saved inside `house_style`.

    `always` draws the forecast in every state, not only where something is to be done.
    """
    base = ground(history)
    subject = part_title(history, series)
    figure, axes = open_figure(WIDTH, HEIGHT, left=40, right=62, top=74, bottom=32)
    shown = subject if len(subject) <= 62 else subject[:61] + "…"
    heading = f"{shown}  ({cell(series.unit)})"
    figure.text(4 / WIDTH, 1 - 14 / HEIGHT, heading, fontsize=10, fontweight="bold", color=INK)
    set_ranges(axes, (series,), base, always=always)
    draw_marks(axes, base, history.marks)
    draw_series(axes, series, base, banded=True, always=always)
    lines = notes(series, always=always)
    if series.limit is not None:
        draw_limit(axes, series.limit)
        when = _draw_crossing(axes, series, base.by_distance)
        lines = ((when, *lines) if when else lines)[:3]
    draw_calendar(axes, base)
    for row, text in enumerate(lines):
        figure.text(
            4 / WIDTH, 1 - (28 + 12 * row) / HEIGHT, cell(text), fontsize=8 if row else 8.5, color=MUTED if row else INK
        )
    return figure


def notes(series: Series, *, always: bool = False) -> tuple[str, ...]:
    """Return what the level drawn is and under which conditions, in lines that fit under the title."""
    level = series.level
    if level is None:
        return (_cut(series.no_answer or ""),) if series.no_answer else ()
    share = percent(level.coverage)
    band = _("band {share} of the level", share=share)
    if series.ahead is not None and has_fan(series, always=always):
        band = _("band {share} of the level, fan {fan}", share=share, fan=percent(series.ahead.coverage))
    if level.method == LINE:
        return "; ".join((_("no answer of the wear model"), _(LINE), band)), _("readings and line as measured")
    under = _("level under {reference}", reference=series.reference) if series.reference else _("level as measured")
    hollow = any(not point.used or point.doubt for point in series.points)
    marks = _("marks: as measured, open ones left out") if hollow else _("marks are readings as measured")
    return "; ".join((_(level.method), band, marks)), _cut(under)


def _cut(text: str) -> str:
    return text if len(text) <= _LINE else text[: _LINE - 1] + "…"


def _draw_crossing(axes: Axes, series: Series, by_distance: bool) -> str:
    """Draw the crossing's interval as a bar on the limit; return its words for the line below the title."""
    forecast, limit = series.forecast, series.limit
    if forecast is None or limit is None:
        return ""
    right = axes.get_xlim()[1]
    middle, early, late = forecast.distance_p50_km, forecast.distance_p10_km, forecast.distance_p90_km
    if by_distance and middle is not None and np.isfinite(middle) and early is not None:
        end = late / 1000.0 if late is not None and np.isfinite(late) else right
        axes.plot(
            [early / 1000.0, min(end, right)], [limit.value] * 2, color=INK, linewidth=4.5, alpha=0.55,
            solid_capstyle="butt", zorder=3.2,
        )  # fmt: skip
        if middle / 1000.0 <= right:
            axes.plot([middle / 1000.0], [limit.value], "|", color=INK, markersize=13, markeredgewidth=1.8, zorder=4)
    when = when_words(forecast.date_p10, forecast.date_p50, forecast.date_p90)
    return _("crosses {limit} {when}", limit=limit_words(limit.value, series.unit), when=when) if when else ""

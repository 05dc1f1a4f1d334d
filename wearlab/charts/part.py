"""One part's chart: readings with their graduation, the line with its interval, the forecast to the limit."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from wearlab.charts.axis import draw_calendar, draw_marks, ground
from wearlab.charts.drawing import draw_limit, draw_series, set_ranges
from wearlab.charts.series import Series, VehicleHistory
from wearlab.charts.style import INK, MUTED, house_style, open_figure, pen
from wearlab.charts.svg import Chart, finish
from wearlab.charts.vehicle import describe
from wearlab.charts.words import cell, limit_words, measure_words, position_words, when_words

WIDTH, HEIGHT = 440.0, 262.0


def part_chart(history: VehicleHistory, series: Series) -> Chart:
    """Return the chart of one series of a vehicle's history; the series must have at least one reading."""
    base = ground(history)
    style = pen(series.position)
    where = position_words(series.position)
    subject = cell(f"{history.vehicle} {where}: {measure_words(series.measure)}, {series.protocol}")
    with house_style():
        figure, axes = open_figure(WIDTH, HEIGHT, left=40, right=62, top=62, bottom=32)
        shown = subject if len(subject) <= 62 else subject[:61] + "…"
        heading = f"{shown}  ({cell(series.unit)})"
        figure.text(4 / WIDTH, 1 - 14 / HEIGHT, heading, fontsize=10, fontweight="bold", color=INK)
        set_ranges(axes, (series,), base)
        draw_marks(axes, base, history.marks)
        note, when = series.no_answer or "", ""
        if series.line is not None and base.by_distance:
            km = np.array(series.line.distance_km) / 1000.0
            axes.fill_between(
                km, series.line.low, series.line.high, color=style.colour, alpha=0.13, linewidth=0, zorder=1
            )
            axes.plot(km, series.line.level, color=style.colour, linewidth=1.4, zorder=2.2)
            note = f"{series.line.method}; band {series.line.coverage:.0%} of the level"
        draw_series(axes, series, base)
        if series.limit is not None:
            draw_limit(axes, series.limit)
            when = _draw_crossing(axes, series, base.by_distance)
        draw_calendar(axes, base)
        figure.text(4 / WIDTH, 1 - 27 / HEIGHT, cell(when or note), fontsize=8.5, color=INK)
        if when:
            figure.text(4 / WIDTH, 1 - 39 / HEIGHT, cell(note), fontsize=8, color=MUTED)
        return finish(figure, subject, describe((series,)))


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
    return f"crosses {limit_words(limit.value, series.unit)} {when}" if when else ""

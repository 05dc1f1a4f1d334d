"""What every wear chart draws: one life's readings, readings beyond the scale, a limit, and both ranges."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from wearlab.charts.axis import Ground
from wearlab.charts.series import Limit, Series
from wearlab.charts.style import LIMIT, PALE, pen
from wearlab.charts.words import limit_words

#: States whose forecast is drawn; the others would only cover the readings.
FORECAST_STATES = ("past limit", "book", "watch")


def draw_series(axes: Axes, series: Series, base: Ground) -> tuple[float, float]:
    """Draw one life's readings with their graduation, and its forecast; return where its label belongs."""
    style = pen(series.position)
    colour = style.colour if series.current else PALE
    points = sorted(series.points, key=lambda point: (point.day, base.point(point)))
    x = np.array([base.point(point) for point in points])
    y = np.array([point.level for point in points])
    half = np.array([(point.resolution or 0.0) / 2 if point.bound is None else 0.0 for point in points])
    used = np.array([point.used and point.bound is None for point in points])
    axes.plot(x, y, color=colour, linewidth=1.1, linestyle=style.linestyle, alpha=0.9, zorder=2)
    if np.any(half > 0):
        low, high = (y - half)[half > 0], (y + half)[half > 0]
        axes.vlines(x[half > 0], low, high, color=colour, linewidth=2.0, alpha=0.4)
    axes.plot(x[used], y[used], style.marker, color=colour, markersize=4.2, markeredgewidth=0, zorder=3)
    plain = np.array([not point.used and point.bound is None for point in points])
    if plain.any():
        axes.plot(
            x[plain], y[plain], style.marker, markerfacecolor="white", markeredgecolor=colour, markersize=4.2,
            markeredgewidth=0.9, zorder=3,
        )  # fmt: skip
    for bound, marker, away in (("at_least", "^", 7), ("at_most", "v", -7)):
        for index, point in enumerate(points):
            if point.bound == bound:
                draw_beyond(axes, x[index], y[index], colour, marker, away)
    if series.current and series.line is not None and series.state in FORECAST_STATES:
        km = np.array(series.line.distance_km) / 1000.0
        ahead = np.concatenate(([x[-1]], km[km > x[-1]]))
        if base.by_distance and ahead.size > 1:
            level = np.interp(ahead, km, np.array(series.line.level))
            axes.plot(ahead, level, color=colour, linewidth=1.3, linestyle=(0, (1.0, 1.4)), zorder=2.4)
    return float(x[-1]), float(y[-1])


def draw_beyond(axes: Axes, x: float, y: float, colour: str, marker: str, away: int) -> None:
    """Draw a reading beyond the scale: a bar at the bound with an arrow away from it."""
    axes.annotate(
        "", xy=(x, y), xytext=(0, away * 1.6), textcoords="offset points",
        arrowprops={"arrowstyle": "<|-", "color": colour, "linewidth": 1.1, "shrinkA": 0, "shrinkB": 0},
        annotation_clip=False,
    )  # fmt: skip
    axes.plot([x], [y], "_", color=colour, markersize=7, markeredgewidth=1.6, zorder=3)


def draw_limit(axes: Axes, limit: Limit) -> None:
    """Draw the limit across the axes and name it at the right, with the side that is wrong."""
    axes.axhline(limit.value, color=LIMIT, linewidth=1.3, linestyle=(0, (7.0, 2.0, 1.5, 2.0)), zorder=1.6)
    side = "max" if limit.direction == "above" else "min"
    axes.annotate(
        f"{side} {limit_words(limit.value)}", xy=(1.0, limit.value),
        xycoords=blended_transform_factory(axes.transAxes, axes.transData), xytext=(3, 0),
        textcoords="offset points", ha="left", va="center", fontsize=8.5, color=LIMIT, annotation_clip=False,
    )  # fmt: skip


def set_ranges(axes: Axes, group: Sequence[Series], base: Ground) -> None:
    """Set both ranges: all readings, the limits, and the forecast as far as the readings stay legible."""
    x = np.array([base.point(point) for series in group for point in series.points])
    y = [point.level for series in group for point in series.points]
    y += [series.limit.value for series in group if series.limit is not None]
    start, end = float(x.min()), float(x.max())
    span = max(end - start, 12.0 if base.by_distance else 200.0)
    wanted = [end]
    for series in group:
        if series.forecast is not None and series.current and series.state in FORECAST_STATES:
            km = series.forecast.distance_p90_km or series.forecast.distance_p50_km
            if km is not None and np.isfinite(km) and base.by_distance:
                wanted.append(km / 1000.0)
    end = min(max(wanted), end + span * 0.6)
    pad = (end - start or span) * 0.03
    axes.set_xlim(start - (pad if end > start else span / 2), end + (pad if end > start else span / 2))
    low, high = min(y), max(y)
    room = (high - low) or abs(high) * 0.2 or 1.0
    floor = max(0.0, low - room * 0.12) if low >= 0 else low - room * 0.12
    axes.set_ylim(floor, high + room * 0.16)

"""What every wear chart draws: one life's readings, its level, a limit, and both ranges.

Readings stand as they were measured; the level is told under its reference conditions, so that marks may lie beside
their line where a test ran warmer or at another pressure.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.transforms import blended_transform_factory

from wearlab.charts.axis import Ground
from wearlab.charts.series import GROSS, Level, Limit, Series
from wearlab.charts.style import INK, LIMIT, PALE, bars, pen
from wearlab.charts.words import limit_words
from wearlab.language import _

#: States whose forecast is drawn; the others would only cover the readings.
FORECAST_STATES = ("past limit", "book", "test again", "watch")


def has_fan(series: Series, *, always: bool = False) -> bool:
    """Return whether the forecast of a series is drawn; `always` draws it in every state that has one."""
    return series.current and series.ahead is not None and (always or series.state in FORECAST_STATES)


def draw_series(
    axes: Axes, series: Series, base: Ground, *, banded: bool = False, always: bool = False
) -> tuple[float, float]:
    """Draw one life's readings, level and forecast; return where its label belongs.

    `banded` adds the intervals, which would cover each other where several parts share the axes; `always` draws the
    forecast in every state.
    """
    style = pen(series.position)
    colour = style.colour if series.current else PALE
    place = _draw_level(axes, series, base, colour, banded=banded, always=always)
    points = sorted(series.points, key=lambda point: (point.day, base.point(point)))
    x = np.array([base.point(point) for point in points])
    y = np.array([point.level for point in points])
    joined = {"linewidth": 1.1, "linestyle": style.linestyle, "alpha": 0.9}
    if place is not None:
        joined = {"linewidth": 0.5, "linestyle": "-", "alpha": 0.35}
    if place is None or not banded:
        kept = np.array([point.doubt == "" for point in points])
        axes.plot(x[kept], y[kept], color=colour, zorder=2, **joined)
    half = np.array([(point.resolution or 0.0) / 2 if point.bound is None else 0.0 for point in points])
    if np.any(half > 0):
        low, high = (y - half)[half > 0], (y + half)[half > 0]
        bars(axes, x[half > 0], low, high, color=colour, linewidth=2.0, alpha=0.4)
    used = np.array([point.used and not point.doubt and point.bound is None for point in points])
    axes.plot(x[used], y[used], style.marker, color=colour, markersize=4.2, markeredgewidth=0, zorder=3)
    plain = np.array([(not point.used or bool(point.doubt)) and point.bound is None for point in points])
    if plain.any():
        axes.plot(
            x[plain], y[plain], style.marker, markerfacecolor="white", markeredgecolor=colour, markersize=4.2,
            markeredgewidth=0.9, zorder=3,
        )  # fmt: skip
    for bound, marker, away in (("at_least", "^", 7), ("at_most", "v", -7)):
        for index, point in enumerate(points):
            if point.bound == bound:
                draw_beyond(axes, x[index], y[index], colour, marker, away)
    for index, point in enumerate(points):
        if point.doubt == GROSS:
            draw_gross(axes, x[index], y[index], colour, named=banded)
    return place or (float(x[-1]), float(y[-1]))


def _draw_level(
    axes: Axes, series: Series, base: Ground, colour: str, *, banded: bool, always: bool
) -> tuple[float, float] | None:
    """Draw the level and the forecast; return where the level ends, None where there is none to draw."""
    level = series.level
    if level is None or not base.by_distance:
        return None
    style = pen(series.position)
    km = np.array(level.distance_km) / 1000.0
    shown = {"color": colour, "linestyle": style.linestyle, "linewidth": 1.4, "zorder": 2.2}
    if km.size == 1:
        if banded:
            bars(axes, km, np.array(level.low), np.array(level.high), color=colour, linewidth=1.2, zorder=2.2)
        axes.plot(km, level.level, "_", color=colour, markersize=9, markeredgewidth=1.6, zorder=2.3)
    else:
        axes.plot(km, level.level, **shown)
    if banded:
        fill_level(axes, level, colour, 0.16)
    ahead = series.ahead
    if ahead is not None and has_fan(series, always=always):
        axes.plot(
            np.array(ahead.distance_km) / 1000.0, ahead.level, color=colour, linewidth=1.3,
            linestyle=(0, (1.0, 1.4)), zorder=2.4,
        )  # fmt: skip
        if banded:
            fill_level(axes, ahead, colour, 0.09)
    return float(km[-1]), float(level.level[-1])


def fill_level(axes: Axes, level: Level, colour: str, alpha: float) -> None:
    """Fill a level's interval; its edges are drawn too, for those who do not see the tint."""
    km = np.array(level.distance_km) / 1000.0
    if km.size < 2:
        return
    axes.fill_between(km, level.low, level.high, color=colour, alpha=alpha, linewidth=0, zorder=1)
    for edge in (level.low, level.high):
        axes.plot(km, edge, color=colour, linewidth=0.5, alpha=0.5, zorder=1.1)


def draw_beyond(axes: Axes, x: float, y: float, colour: str, marker: str, away: int) -> None:
    """Draw a reading beyond the scale: a bar at the bound with an arrow away from it."""
    axes.annotate(
        "", xy=(x, y), xytext=(0, away * 1.6), textcoords="offset points",
        arrowprops={"arrowstyle": "<|-", "color": colour, "linewidth": 1.1, "shrinkA": 0, "shrinkB": 0},
        annotation_clip=False,
    )  # fmt: skip
    axes.plot([x], [y], "_", color=colour, markersize=7, markeredgewidth=1.6, zorder=3)


def draw_gross(axes: Axes, x: float, y: float, colour: str, *, named: bool) -> None:
    """Draw a ring with a cross around a gross error; `named` writes the word beside it."""
    axes.plot([x], [y], "o", markerfacecolor="none", markeredgecolor=INK, markersize=9, markeredgewidth=0.9, zorder=3.4)
    axes.plot([x], [y], "x", color=INK, markersize=5, markeredgewidth=1.0, zorder=3.5)
    if named:
        axes.annotate(
            _(GROSS), xy=(x, y), xytext=(7, 0), textcoords="offset points", ha="left", va="center", fontsize=8,
            color=INK, zorder=3.6,
        )  # fmt: skip


def draw_limit(axes: Axes, limit: Limit) -> None:
    """Draw the limit across the axes and name it at the right, with the side that is wrong."""
    axes.axhline(limit.value, color=LIMIT, linewidth=1.3, linestyle=(0, (7.0, 2.0, 1.5, 2.0)), zorder=1.6)
    axes.annotate(
        side_words(limit), xy=(1.0, limit.value),
        xycoords=blended_transform_factory(axes.transAxes, axes.transData), xytext=(3, 0),
        textcoords="offset points", ha="left", va="center", fontsize=8.5, color=LIMIT, annotation_clip=False,
    )  # fmt: skip


def side_words(limit: Limit) -> str:
    """Return "max 45" or "min 1,350", for a label."""
    value = limit_words(limit.value)
    return _("max {limit}", limit=value) if limit.direction == "above" else _("min {limit}", limit=value)


def set_ranges(axes: Axes, group: Sequence[Series], base: Ground, *, always: bool = False) -> None:
    """Set both ranges: all readings and levels, the limits, and the forecast as far as the readings stay legible."""
    x = np.array([base.point(point) for series in group for point in series.points])
    y = [point.level for series in group for point in series.points]
    y += [series.limit.value for series in group if series.limit is not None]
    y += [value for series in group if series.level is not None for value in series.level.level]
    start, end = float(x.min()), float(x.max())
    span = max(end - start, 12.0 if base.by_distance else 200.0)
    wanted = [end]
    for series in group:
        if series.forecast is not None and series.current and (always or series.state in FORECAST_STATES):
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

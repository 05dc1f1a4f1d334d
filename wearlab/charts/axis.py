"""The ground of a wear chart: distance below, dates above, tied together by the vehicle's own usage."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from wearlab.charts.series import Mark, Point, VehicleHistory
from wearlab.charts.style import MUTED, PAPER, WORK, draw_scales
from wearlab.charts.words import cell, month_tick
from wearlab.language import _, number


@dataclass(frozen=True, slots=True)
class Ground:
    """Turns days and distances into places on the x axis.

    `days` (ordinals) and `km` are knots of equal length, both rising; without knots the axis carries days.
    """

    days: NDArray[np.float64]
    km: NDArray[np.float64]

    @property
    def by_distance(self) -> bool:
        """Whether the x axis carries thousand km (else: days)."""
        return self.days.size > 1

    def place(self, day: date, distance_km: float | None = None) -> float:
        """Return the x of a day; a known distance (km) wins over the one the calendar would give."""
        if not self.by_distance:
            return float(day.toordinal())
        if distance_km is not None and np.isfinite(distance_km):
            return distance_km / 1000.0
        return self._km_on(day.toordinal()) / 1000.0

    def point(self, point: Point) -> float:
        """Return the x of a reading."""
        return self.place(point.day, point.distance_km)

    def day_at(self, x: float) -> float:
        """Return the day (ordinal) at a place on the x axis, straight on beyond the last knots."""
        return _along(x * 1000.0, self.km, self.days) if self.by_distance else x

    def _km_on(self, ordinal: float) -> float:
        return _along(ordinal, self.days, self.km)


def ground(history: VehicleHistory) -> Ground:
    """Tie days to distances with every pair the history knows; pairs that run backwards are left out."""
    pairs = {(day.toordinal(), float(km)) for day, km in history.calendar if np.isfinite(km)}
    for series in history.series:
        pairs |= {
            (point.day.toordinal(), float(point.distance_km))
            for point in series.points
            if point.distance_km is not None and np.isfinite(point.distance_km)
        }
    days: list[float] = []
    km: list[float] = []
    for day, distance in sorted(pairs):
        if not days or (day > days[-1] and distance > km[-1]):
            days.append(float(day))
            km.append(distance)
    return Ground(np.array(days), np.array(km))


def draw_calendar(axes: Axes, base: Ground) -> None:
    """Write the years (or months, on a short span) above the axes, and draw the scales."""
    left, right = axes.get_xlim()
    first, last = base.day_at(left), base.day_at(right)
    blend = axes.get_xaxis_transform()
    edge = (right - left) * 0.02
    for day, text in calendar_ticks(first, last):
        x = base.place(day)
        if left + edge <= x <= right - edge * 2:
            axes.plot([x, x], [1.0, 1.025], transform=blend, color=MUTED, linewidth=0.8, clip_on=False)
            axes.text(x, 1.04, text, transform=blend, ha="center", va="bottom", fontsize=8, color=MUTED)
    below = _("distance, {unit}", unit=f"{number(1000)} km") if base.by_distance else _("date (no usable distance)")
    draw_scales(axes, below=below, numbers_below=base.by_distance)


def draw_marks(axes: Axes, base: Ground, marks: tuple[Mark, ...]) -> None:
    """Draw work and events as dotted verticals, named along the line; close ones share one name."""
    left, right = axes.get_xlim()
    last = -np.inf
    for mark in sorted(marks, key=lambda mark: (mark.day, mark.text)):
        x = base.place(mark.day, mark.distance_km)
        if not left <= x <= right:
            continue
        axes.axvline(x, color=WORK, linewidth=0.9, linestyle=(0, (1.0, 2.0)), zorder=1.2)
        if x - last > (right - left) * 0.045:
            text = cell(mark.text)
            text = text if len(text) <= 18 else text[:17] + "…"
            axes.text(
                x, 0.02, text, transform=axes.get_xaxis_transform(), rotation=90, ha="right", va="bottom",
                fontsize=7.5, color=WORK, zorder=1.3,
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.4, "alpha": 0.8},
            )  # fmt: skip
            last = x


def calendar_ticks(first: float, last: float) -> list[tuple[date, str]]:
    """Return days and their labels: every January, or the months of a span under about two years."""
    span = (last - first) / 365.25
    if not np.isfinite(span) or span <= 0 or span > 200 or first < 400:
        return []
    begin, end = date.fromordinal(int(first)), date.fromordinal(int(last))
    if span < 2.0:
        step = 1 if span < 0.5 else 3 if span < 1.2 else 6
        months = range(begin.year * 12, (end.year + 1) * 12)
        days = [date(month // 12, month % 12 + 1, 1) for month in months if month % step == 0]
        return [(day, month_tick(day)) for day in days if begin <= day <= end]
    every = max(1, round(span / 6))
    return [(date(year, 1, 1), str(year)) for year in range(begin.year, end.year + 1) if year % every == 0]


def _along(x: float, knots: NDArray[np.float64], values: NDArray[np.float64]) -> float:
    """Interpolate between knots and go straight on with the overall slope beyond them."""
    if knots[0] <= x <= knots[-1]:
        return float(np.interp(x, knots, values))
    slope = (values[-1] - values[0]) / (knots[-1] - knots[0])
    end = -1 if x > knots[-1] else 0
    return float(values[end] + slope * (x - knots[end]))

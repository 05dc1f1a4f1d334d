"""Wear over the months as a figure: a row for all depots and one for each, level at the left, rate at the right.

The line is the median part; the darker band holds half of the parts, the paler one eight in ten. In a depot's panel
the thin dashes are the median at all depots. Of a long span every second or third month is drawn, the newest always:
the curves are smooth, and the table beside the figure has all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import floor, log10

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from wearlab.charts.drawing import side_words
from wearlab.charts.fleet_series import Spread, WearCohort
from wearlab.charts.labels import Label, write_labels
from wearlab.charts.month_axis import draw_years, month_place, name_panel, panel_axes
from wearlab.charts.style import INK, LIMIT, MUTED, Pen, draw_scales, house_style, pen
from wearlab.charts.svg import Chart, finish
from wearlab.charts.words import cell, levels_words, limit_words, month_words
from wearlab.language import _, _n, number

WIDTH = 470.0
#: heights and margins in points: of the row of all depots, of a depot's row, beside and around the panels
MAIN, SMALL = 108.0, 66.0
LEFT, RIGHT, BELOW, ABOVE = 34.0, 44.0, 18.0, 20.0
HEAD, LINE = 24.0, 12.0
#: depots that get a row of their own; of more those with the most parts
MOST_ROWS = 6
#: a limit this many times as far as the highest band would press the bands flat: it is written, not drawn
_FAR = 1.8
#: months drawn at most
_POINTS = 32


@dataclass(frozen=True, slots=True)
class WearMonthsFigure:
    """All depots together and each of them; `lines` are written below the title."""

    subject: str
    whole: WearCohort
    depots: tuple[WearCohort, ...]
    lines: tuple[str, ...] = ()

    @property
    def drawn(self) -> tuple[WearCohort, ...]:
        """The depots with a row of their own, in order of name; one depot alone is the whole."""
        here = [one for one in self.depots if one.parts_now]
        if len(here) < 2:
            return ()
        most = sorted(here, key=lambda one: (-one.parts_now, one.depot))[:MOST_ROWS]
        return tuple(one for one in here if one in most)


def wear_months_chart(figure: WearMonthsFigure) -> Chart:
    """Return the figure as SVG with its text alternative."""
    with house_style():
        return finish(wear_months_figure(figure), figure.subject, describe(figure))


def wear_months_figure(figure: WearMonthsFigure) -> Figure:
    """Return the matplotlib figure, to be drawn and saved inside `house_style`."""
    whole = _thinned(figure.whole)
    rows = [(whole, MAIN), *((_thinned(one), SMALL) for one in figure.drawn)]
    head = HEAD + LINE * len(figure.lines)
    height = head + sum(tall + ABOVE + BELOW for cohort, tall in rows)
    made = Figure(figsize=(WIDTH / 72.0, height / 72.0))
    made.text(4 / WIDTH, 1 - 14 / height, cell(figure.subject)[:82], fontsize=10, fontweight="bold", color=INK)
    for place, line in enumerate(figure.lines):
        made.text(4 / WIDTH, 1 - (28 + LINE * place) / height, cell(line)[:112], fontsize=8, color=MUTED)
    cohorts = [cohort for cohort, tall in rows]
    top = height - head
    for row, (cohort, tall) in enumerate(rows):
        for side, name in enumerate(("level", "rate")):
            box = (side * WIDTH / 2 + LEFT, top - ABOVE - tall, WIDTH / 2 - LEFT - RIGHT, tall)
            axes = panel_axes(made, box)
            _range(axes, cohorts, name, whole)
            quiet = _n("{n} part", "{n} parts", cohort.parts_now) if cohort.parts_now else _("no parts now")
            name_panel(axes, _title(cohort, name, row), left=LEFT - 4, quiet=quiet if name == "level" else "")
            draw_scales(axes, numbers_below=False)
            draw_years(axes, most=5)
            _draw(axes, cohort, whole if row else None, name, pen(str(row + 1)), tall)
        top -= tall + ABOVE + BELOW
    return made


def _title(cohort: WearCohort, name: str, row: int) -> str:
    """What stands above a panel: what it shows in the first row, the depot at the left of the others."""
    if row:
        return (cell(cohort.depot) or _("no depot")) if name == "level" else ""
    return _("level, {unit}", unit=cohort.unit) if name == "level" else _("rate, {unit}", unit=cohort.rate_unit)


def describe(figure: WearMonthsFigure) -> str:
    """Return the text alternative: level and rate in the first and the last month that tell one, by depot."""
    told = []
    for cohort in (figure.whole, *figure.depots):
        name = cohort.depot or (_("all depots") if cohort is figure.whole else _("no depot"))
        for what, unit in (("level", cohort.unit), ("rate", cohort.rate_unit)):
            known = [(one.month, spread) for one in cohort.months if (spread := _side(one, what)) is not None]
            if not known:
                continue
            figures = levels_words if what == "level" else rates_words
            (first, before), (last, now) = known[0], known[-1]
            value, month = figures(before.median)[0], month_words(first)
            words = [_("median {value} {unit} in {month}", value=value, unit=unit, month=month)]
            if last != first:
                words.append(_("{value} in {month}", value=figures(now.median)[0], month=month_words(last)))
            if now.p10 is not None and now.p90 is not None:
                low, high = figures(now.p10, now.p90)
                words.append(_("eight in ten between {low} and {high}", low=low, high=high))
            words.append(_n("{n} part", "{n} parts", now.parts))
            if what == "level":
                told.append(_("{name}, level: {figures}.", name=name, figures=", ".join(words)))
            else:
                told.append(_("{name}, rate: {figures}.", name=name, figures=", ".join(words)))
    limit = figure.whole.limit
    if limit is not None:
        told.append(_("The limit is {limit}.", limit=limit_words(limit.value, figure.whole.unit)))
    return " ".join(told) or _("No part tells a level.")


def rates_words(*values: float) -> tuple[str, ...]:
    """Return rates that belong together with the digits of the largest: two that count, however small it is."""
    size = max(abs(value) for value in values)
    if size >= 0.1 or size == 0:
        return levels_words(*values)
    digits = min(1 - floor(log10(size)), 9)
    return tuple(number(value, digits) for value in values)


def _thinned(cohort: WearCohort) -> WearCohort:
    step = -(-len(cohort.months) // _POINTS)
    return replace(cohort, months=cohort.months[::-1][:: max(step, 1)][::-1])


def _side(month: object, name: str) -> Spread | None:
    found = getattr(month, name)
    return found if isinstance(found, Spread) else None


def _column(cohort: WearCohort, side: str, name: str) -> NDArray[np.float64]:
    """One quantile by month (M,), NaN where it is not told."""
    values = [getattr(spread, name) if (spread := _side(one, side)) is not None else None for one in cohort.months]
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _range(axes: Axes, cohorts: Sequence[WearCohort], side: str, whole: WearCohort) -> None:
    """All rows share both ranges, so that depots compare by eye."""
    places = [month_place(one.month) for one in whole.months] or [0.0, 1.0]
    axes.set_xlim(min(places) - 16, max(places) + 16)
    values = np.concatenate(
        [_column(one, side, name) for one in cohorts for name in ("median", "p10", "p90")] or [np.zeros(0)]
    )
    values = values[np.isfinite(values)]
    low, high = (float(values.min()), float(values.max())) if values.size else (0.0, 1.0)
    if side == "level" and whole.limit is not None and _near(whole.limit.value, low, high):
        low, high = min(low, whole.limit.value), max(high, whole.limit.value)
    if side == "rate":
        low = min(low, 0.0)
    elif 0 <= low < 0.5 * high:
        low = 0.0
    room = (high - low) or abs(high) * 0.2 or 1.0
    axes.set_ylim(low - (0.04 * room if low else 0.0), high + 0.08 * room)


def _near(limit: float, low: float, high: float) -> bool:
    return limit <= _FAR * high if limit > high else limit >= low / _FAR


def _draw(axes: Axes, cohort: WearCohort, whole: WearCohort | None, side: str, style: Pen, tall: float) -> None:
    x = np.array([month_place(one.month) for one in cohort.months], dtype=np.float64)
    for (low, high), alpha in ((("p10", "p90"), 0.13), (("p25", "p75"), 0.22)):
        ends = [_column(cohort, side, name) for name in (low, high)]
        axes.fill_between(x, ends[0], ends[1], color=style.colour, alpha=alpha, linewidth=0, zorder=1)
        for edge in ends if low == "p10" else ():
            axes.plot(x, edge, color=style.colour, linewidth=0.5, alpha=0.5, zorder=1.1)
    if whole is not None:
        axes.plot(x, _column(whole, side, "median"), color=INK, linewidth=0.8, linestyle=(0, (2.0, 2.0)), zorder=2)
    middle = _column(cohort, side, "median")
    axes.plot(x, middle, color=style.colour, linewidth=1.6, zorder=3)
    known = np.flatnonzero(np.isfinite(middle))
    alone = [k for k in known if not np.isfinite(middle[max(k - 1, 0) : k + 2]).sum() > 1]
    axes.plot(x[alone], middle[alone], style.marker, color=style.colour, markersize=3.4, markeredgewidth=0, zorder=3)
    labels = []
    if known.size:
        last = int(known[-1])
        words = (levels_words if side == "level" else rates_words)(float(middle[last]))[0]
        labels.append(Label(float(x[last]), float(middle[last]), words, style.colour))
        if whole is None:
            for name, share in (("p90", _("9 in 10")), ("p10", _("1 in 10"))):
                end = float(_column(cohort, side, name)[last])
                if np.isfinite(end):
                    labels.append(Label(float(x[last]), end, share, MUTED))
    if side == "level" and whole is None and cohort.limit is not None:
        _limit(axes, cohort, labels)
    write_labels(axes, labels, tall, ())


def _limit(axes: Axes, cohort: WearCohort, labels: list[Label]) -> None:
    """Draw the limit where it lies near the parts, else write where it lies."""
    if cohort.limit is None:
        return
    value = cohort.limit.value
    low, high = axes.get_ylim()
    words = side_words(cohort.limit)
    if low <= value <= high:
        axes.axhline(value, color=LIMIT, linewidth=1.2, linestyle=(0, (7.0, 2.0, 1.5, 2.0)), zorder=1.6)
        labels.append(Label(axes.get_xlim()[1], value, words, LIMIT))
    else:
        place, align = (1.0, "top") if value > high else (0.0, "bottom")
        axes.annotate(
            _("{limit}, off the chart", limit=words), xy=(0.0, place), xycoords="axes fraction",
            xytext=(4, -2 if place else 2), textcoords="offset points", ha="left", va=align, fontsize=8, color=LIMIT,
            zorder=4,
        )  # fmt: skip

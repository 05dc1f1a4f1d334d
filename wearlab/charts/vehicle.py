"""One vehicle's figure: small multiples, a panel for each measure and protocol, all on the same ground."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wearlab.charts.axis import Ground, draw_calendar, draw_marks, ground
from wearlab.charts.drawing import FORECAST_STATES, draw_limit, draw_series, set_ranges
from wearlab.charts.labels import Label, write_labels
from wearlab.charts.series import GROSS, LINE, Series, VehicleHistory
from wearlab.charts.style import INK, dress, house_style, open_figure, pen
from wearlab.charts.svg import Chart, finish
from wearlab.charts.words import (
    bound_words,
    cell,
    day_words,
    level_words,
    limit_words,
    measure_words,
    position_words,
    when_words,
)
from wearlab.language import _, _n, percent

#: Size and margins of a panel, in points.
WIDTH, HEIGHT = 344.0, 206.0
LEFT, RIGHT, TOP, BOTTOM = 36.0, 66.0, 36.0, 32.0
#: height that a heading takes, in points
HEADING = 24.0


def panels(history: VehicleHistory) -> tuple[tuple[Series, ...], ...]:
    """Group the series by measure and protocol, in the order they first appear, without empty ones."""
    groups: dict[tuple[str, str], list[Series]] = {}
    for series in history.series:
        if series.points:
            groups.setdefault((series.measure, series.protocol), []).append(series)
    return tuple(tuple(group) for group in groups.values())


def vehicle_charts(history: VehicleHistory) -> tuple[Chart, ...]:
    """Return one chart a panel, all of one size, to be laid out side by side or below each other."""
    base = ground(history)
    charts = []
    for group in panels(history):
        with house_style():
            figure, axes = open_figure(WIDTH, HEIGHT, left=LEFT, right=RIGHT, top=TOP, bottom=BOTTOM)
            draw_panel(axes, history, group, base)
            title = f"{history.vehicle}: {measure_words(group[0].measure)}, {group[0].protocol}"
            charts.append(finish(figure, title, describe(group)))
    return tuple(charts)


def vehicle_figure(history: VehicleHistory, *, columns: int = 2, heading: str = "") -> Figure:
    """Return the same panels as one matplotlib figure below a heading, to be saved as a picture (in `house_style`)."""
    groups = panels(history)
    base = ground(history)
    across = max(1, min(columns, len(groups)))
    down = max(1, -(-len(groups) // across))
    wide, tall = across * WIDTH, down * HEIGHT + (HEADING if heading else 0.0)
    figure = Figure(figsize=(wide / 72.0, tall / 72.0))
    if heading:
        figure.text(4 / wide, 1 - 15 / tall, cell(heading), fontsize=11, fontweight="bold", color=INK)
    for index, group in enumerate(groups):
        x = (index % across) * WIDTH + LEFT
        y = (down - 1 - index // across) * HEIGHT + BOTTOM
        axes = figure.add_axes(
            (x / wide, y / tall, (WIDTH - LEFT - RIGHT) / wide, (HEIGHT - TOP - BOTTOM) / tall),
        )
        dress(axes)
        draw_panel(axes, history, group, base)
    return figure


def draw_panel(axes: Axes, history: VehicleHistory, group: Sequence[Series], base: Ground) -> None:
    """Draw readings, lines, limit and marks of one measure and protocol into dressed axes."""
    name = cell(f"{measure_words(group[0].measure)}, {group[0].protocol}")
    name = name if len(name) <= 38 else name[:37] + "…"
    unit = cell(group[0].unit)
    axes.annotate(
        f"{name}  ({unit})", xy=(0.0, 1.0), xycoords="axes fraction", xytext=(4 - LEFT, 20),
        textcoords="offset points", ha="left", va="bottom", fontsize=9.5, fontweight="bold", color=INK,
    )  # fmt: skip
    set_ranges(axes, group, base)
    draw_marks(axes, base, history.marks)
    labels = []
    for series in group:
        end = draw_series(axes, series, base)
        if series.current:
            labels.append(Label(*end, _end_label(series, base.by_distance), pen(series.position).colour))
    limits = {(s.limit.value, s.limit.direction): s.limit for s in group if s.limit is not None}
    for limit in limits.values():
        draw_limit(axes, limit)
    draw_calendar(axes, base)
    write_labels(axes, labels, HEIGHT - TOP - BOTTOM, [limit.value for limit in limits.values()])


def describe(group: Sequence[Series]) -> str:
    """Return the text alternative of a panel: span, last readings, levels, doubts, the limit and crossings."""
    days = [point.day for series in group for point in series.points]
    now = [series for series in group if series.current] or list(group)
    sentences = [_("Readings from {first} to {last}.", first=day_words(min(days)), last=day_words(max(days)))]
    last = []
    for series in now:
        point = max(series.points, key=lambda point: point.day)
        last.append(f"{position_words(series.position)} {bound_words(point.level, point.bound)}")
    sentences.append(_("Last readings in {unit}: {readings}.", unit=now[0].unit, readings=", ".join(last)))
    sentences += _level_sentences(now) + _doubt_sentences(group)
    for limit in {s.limit for s in group if s.limit is not None}:
        value = limit_words(limit.value, now[0].unit)
        if limit.direction == "above":
            sentences.append(_("Limit {limit}: more is past it.", limit=value))
        else:
            sentences.append(_("Limit {limit}: less is past it.", limit=value))
    for series in now:
        if series.forecast is not None and series.state in FORECAST_STATES:
            dates = (series.forecast.date_p10, series.forecast.date_p50, series.forecast.date_p90)
            when = when_words(*dates)
            if when:
                where, state = _first(position_words(series.position)), _(series.state)
                sentences.append(_("{part} ({state}) crosses the limit {when}.", part=where, state=state, when=when))
    return " ".join(sentences)


def _level_sentences(now: Sequence[Series]) -> list[str]:
    """Tell the levels at the last test with their intervals, one sentence a method and reference."""
    told: dict[tuple[str, str, float], list[str]] = {}
    for series in now:
        level = series.level
        if level is not None:
            words = _(
                "{part} {level} ({low} to {high})",
                part=position_words(series.position), level=level_words(level.level[-1]),
                low=level_words(level.low[-1]), high=level_words(level.high[-1]),
            )  # fmt: skip
            told.setdefault((level.method, series.reference, level.coverage), []).append(words)
    return [_levels(*key, ", ".join(parts)) for key, parts in told.items()]


def _levels(method: str, reference: str, coverage: float, levels: str) -> str:
    told = {"share": percent(coverage), "levels": levels}
    if method == LINE and reference:
        return _(
            "Levels at the last test by a simple line, not calibrated under {reference}, with {share} interval: "
            "{levels}.",
            reference=reference,
            **told,
        )
    if method == LINE:
        return _(
            "Levels at the last test by a simple line, not calibrated, as measured, with {share} interval: {levels}.",
            **told,
        )
    told["method"] = _(method)
    if reference:
        return _(
            "Levels at the last test by the {method} under {reference}, with {share} interval: {levels}.",
            reference=reference,
            **told,
        )
    return _("Levels at the last test by the {method}, as measured, with {share} interval: {levels}.", **told)


def _doubt_sentences(group: Sequence[Series]) -> list[str]:
    """Name the gross errors one by one, and count what else stays out of the level."""
    sentences = []
    for series in group:
        where = _first(position_words(series.position))
        for point in series.points:
            if point.doubt == GROSS:
                reading, day = bound_words(point.level, point.bound), day_words(point.day)
                sentences.append(
                    _("{part} reads {reading} on {day}: gross error.", part=where, reading=reading, day=day)
                )
    others: dict[str, int] = {}
    for series in group:
        for point in series.points:
            if point.doubt and point.doubt != GROSS:
                others[point.doubt] = others.get(point.doubt, 0) + 1
    for doubt, count in others.items():
        sentences.append(_n("{n} reading {doubt}.", "{n} readings {doubt}.", count, doubt=_(doubt)))
    return sentences


def _first(text: str) -> str:
    return text[:1].upper() + text[1:]


def _end_label(series: Series, by_distance: bool) -> str:
    short = series.position if series.position.isdecimal() else cell(position_words(series.position))
    if series.level is not None and by_distance:
        return f"{short}: {level_words(series.level.level[-1])}"
    last = max(series.points, key=lambda point: point.day)
    sign = {"at_least": "≥", "at_most": "≤"}.get(last.bound or "", "")
    return f"{short}: {sign}{level_words(last.level)}"

"""The charts of a pack with the tables of what they draw."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from wearlab.charts.drawing import FORECAST_STATES
from wearlab.charts.part import part_chart
from wearlab.charts.series import Point, Series, VehicleHistory
from wearlab.charts.svg import Chart
from wearlab.charts.vehicle import panels, vehicle_charts
from wearlab.charts.words import bound_words, day_words, km_words, position_words
from wearlab.language import _
from wearlab.pack.order import urgency
from wearlab.study.reading_error import doubt_words

#: States whose parts get a chart of their own; every part stands in its vehicle's panels.
PART_CHART_STATES = ("past limit", "book")


@dataclass(frozen=True, slots=True)
class Table:
    """A table of finished text: one header a column, one row a visit; the first cell names the row."""

    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel of a vehicle's figure, its readings as a table, and the unit they are told in."""

    chart: Chart
    unit: str
    table: Table


@dataclass(frozen=True, slots=True)
class VehiclePictures:
    """The charts of one vehicle."""

    panels: tuple[Panel, ...] = ()
    parts: tuple[Chart, ...] = ()


def no_signal(series: Series) -> bool:
    """Return False: no signal asks for a chart of this series."""
    del series
    return False


def vehicle_pictures(
    history: VehicleHistory | None, signalled: Callable[[Series], bool] = no_signal
) -> VehiclePictures:
    """Draw a vehicle's panels, and a chart for each current part that is past its limit, to be booked or `signalled`.

    `signalled` tells of a series whether a signal asks for its chart.
    """
    if history is None:
        return VehiclePictures()
    groups = panels(history)
    drawn = tuple(
        Panel(chart, group[0].unit, readings_table(group))
        for chart, group in zip(vehicle_charts(history), groups, strict=True)
    )
    # a reader, and a sheet of paper, take the first ones: what presses, then what has a limit
    order = sorted(range(len(groups)), key=lambda place: _pressing(groups[place]))
    parts = tuple(
        part_chart(history, series)
        for group in groups
        for series in group
        if series.current and series.level is not None and (series.state in PART_CHART_STATES or signalled(series))
    )
    return VehiclePictures(tuple(drawn[place] for place in order), parts)


def _pressing(group: Sequence[Series]) -> tuple[int, bool]:
    """Sort key of a panel: its most pressing state, all that ask for nobody alike, then whether it has a limit."""
    now = [series for series in group if series.current]
    told = [urgency(one.state) for one in now if one.state in FORECAST_STATES]
    return min(told, default=urgency(None)), all(one.limit is None for one in now)


def readings_table(group: Sequence[Series]) -> Table:
    """Return a row for every day and odometer and a column for every position; repeats share a cell."""
    positions = sorted({series.position for series in group}, key=position_order)
    cells: dict[tuple[str, str, str], list[str]] = {}
    keys: dict[tuple[str, str], tuple[int, float]] = {}
    for series in group:
        for point in series.points:
            row = (day_words(point.day), km_words(point.odometer_km))
            keys[row] = (point.day.toordinal(), point.odometer_km or 0.0)
            cells.setdefault((*row, series.position), []).append(_reading_words(point))
    return Table(
        (_("date"), _("odometer"), *(position_words(position) for position in positions)),
        tuple(
            (*row, *("; ".join(cells.get((*row, position), ["–"])) for position in positions))
            for row in sorted(keys, key=lambda row: keys[row])
        ),
    )


def position_order(position: str) -> tuple[int, str]:
    """Sort key: cylinder numbers by value, then pump and set."""
    return (int(position), "") if position.isdecimal() else (10_000, position)


def _reading_words(point: Point) -> str:
    doubts = [] if point.quality == "good" else [doubt_words(point.quality)]
    doubts += [_(point.doubt)] if point.doubt else []
    return bound_words(point.level, point.bound) + (f" ({', '.join(doubts)})" if doubts else "")

"""Figures of control charts: they draw the series they are given, as text, and nothing stands on anything else."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from xml.etree import ElementTree

import numpy as np
import pytest

from wearlab.charts.control import control_chart, control_figure
from wearlab.charts.control_series import ControlFigure, ControlPanel, ControlPoint, control_table, describe
from wearlab.charts.series import Mark
from wearlab.charts.style import house_style

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = "<script>alert(1)</script> $x_1$ & \\frac{1}{2}"
VALUES = (0.3, -1.2, 0.8, None, 4.1, 0.9, -0.4, 1.7)


def panel(name: str = "injector 3", **changed: object) -> ControlPanel:
    points = tuple(
        ControlPoint(
            day=date(2023, 2, 1) + timedelta(days=150 * k),
            value=value,
            lower=-3.3,
            upper=3.3,
            outside=value is not None and abs(value) > 3.3,
            bound="at_least" if value is None else None,
            odometer_km=100_000.0 + 20_000 * k,
            beside=None if value is None else value - 0.2,
            cause="step, +4.2 ml/min" if k == 4 else "",
        )
        for k, value in enumerate(VALUES)
    )
    return replace(ControlPanel(name, "sd", points, position="3"), **changed)  # type: ignore[arg-type]


@pytest.fixture
def figure() -> ControlFigure:
    small = tuple(replace(panel(f"injector {k}"), position=str(k)) for k in (1, 2, 3))
    return ControlFigure("V12: return flow, warm idle", ("what it shows", "a second line"), panel("whole visit"), small)


def texts(figure: ControlFigure) -> list[str]:
    root = ElementTree.fromstring(control_chart(figure).svg)
    return ["".join(one.itertext()) for one in root.iter(f"{SVG}text")]


def test_the_lines_are_the_values(figure: ControlFigure) -> None:
    with house_style():
        drawn = control_figure(figure)
    assert len(drawn.axes) == 4
    days = [point.day.toordinal() for point in figure.panels[0].points]
    for axes, one in zip(drawn.axes, figure.panels, strict=True):
        marks = [line for line in axes.lines if line.get_marker() not in ("", "None", "_", "o", "^", None)]
        marks += [line for line in axes.lines if line.get_marker() in ("o", "^") and len(line.get_xdata()) == 7]
        mine = next(line for line in marks if len(line.get_xdata()) == 7)
        assert mine.get_ydata().tolist() == [value for value in VALUES if value is not None]
        assert mine.get_xdata().tolist() == [day for day, v in zip(days, VALUES, strict=True) if v is not None]
        low, high = axes.get_ylim()
        assert low < -3.3
        assert high > 4.1
        assert one.points[0].day.toordinal() > axes.get_xlim()[0]


def test_a_reading_beyond_the_scale_is_a_mark_at_the_edge_and_no_number(figure: ControlFigure) -> None:
    with house_style():
        axes = control_figure(replace(figure, small=())).axes[0]
    at = figure.panels[0].points[3].day.toordinal()
    here = [
        line for line in axes.lines if at in np.atleast_1d(line.get_xdata()).tolist() and line.get_marker() != "None"
    ]
    numbers = [line for line in here if line.get_transform() == axes.transData]
    assert not numbers
    edge = next(line for line in here if line.get_marker() == "^")
    assert edge.get_transform() == axes.get_xaxis_transform()
    assert np.atleast_1d(edge.get_ydata()).tolist() == [1.0]
    assert "beyond the scale" in {row[3] for row in control_table(figure)[1]}
    assert "Beyond the scale of the tube: at least on 26 April 2024." in describe(figure)


def test_limits_last_values_odometers_and_causes_are_written(figure: ControlFigure) -> None:
    told = texts(figure)
    for words in ("limit +3.3", "limit -3.3", "last +1.7", "+1.7", "1,000 km", "100", "step, +4.2 ml/min", "2024"):
        assert words in told
    assert "injector 2 (sd)" in told
    assert "limit +3.3" in texts(replace(figure, main=replace(figure.panels[0], points=panel().points[:4])))


def test_the_text_alternative_and_the_table_say_what_is_drawn(figure: ControlFigure) -> None:
    told = control_chart(figure).description
    assert "Whole visit: 7 tests, outside on 23 September 2024; last +1.7 sd, limits -3.3 to +3.3." in told
    assert "Signal raised on 23 September 2024: step, +4.2 ml/min." in told
    heads, rows = control_table(figure)
    assert len(rows) == 4 * len(VALUES)
    assert all(len(row) == len(heads) for row in rows)
    assert rows[4] == (
        "whole visit", "2024-09-23", "180,000", "+4.1 sd", "-3.3 to +3.3", "yes", "step, +4.2 ml/min"
    )  # fmt: skip
    assert describe(ControlFigure("x", (), None)) == "Nothing was read."


def test_text_stays_text_and_the_same_input_gives_the_same_bytes(figure: ControlFigure) -> None:
    main = figure.panels[0]
    points = tuple(replace(point, cause=HOSTILE if point.cause else "") for point in main.points)
    wild = replace(figure, subject=HOSTILE, main=replace(main, name=HOSTILE, points=points), lines=(HOSTILE,))
    chart = control_chart(wild)
    assert chart.svg == control_chart(wild).svg
    assert "<script" not in chart.svg
    assert sum(text.startswith("<script>alert(1)</script> $x_1$") for text in texts(wild)) >= 3


@pytest.mark.parametrize("gap", [20, 60, 200])
def test_causes_do_not_cover_each_other(gap: int) -> None:
    """Words are measured as they are drawn; every cause that is written stands clear of the others."""
    points = tuple(
        ControlPoint(
            day=date(2023, 1, 1) + timedelta(days=gap * k), value=k % 3 - 1.0, lower=-3.3, upper=3.3,
            cause=f"one reading off, +{k}.5 ml/min (or another cause)" if k % 2 else "",
        )
        for k in range(7)
    )  # fmt: skip
    with house_style():
        made = control_figure(ControlFigure("V12", (), ControlPanel("injector 1", "sd", points)))
        from matplotlib.backends.backend_agg import FigureCanvasAgg

        canvas = FigureCanvasAgg(made)
        canvas.draw()
        renderer = canvas.get_renderer()
        words = [one for one in made.axes[0].texts if "reading off" in one.get_text()]
        assert len(words) >= 2
        boxes = [one.get_window_extent(renderer) for one in words]
        leads = [line for line in made.axes[0].lines if line.get_linewidth() == 0.5 and len(line.get_xdata()) == 2]
        for k, box in enumerate(boxes):
            assert box.x1 <= made.bbox.x1
            assert box.x0 >= 0
            assert all(not box.overlaps(other) for other in boxes[k + 1 :])
        for line in leads:
            (x, low), (_, high) = made.axes[0].transData.transform(
                np.column_stack([line.get_xdata(), line.get_ydata()])
            )
            inside = [
                b for b in boxes if b.x0 + 1 < x < b.x1 - 1 and b.y1 > min(low, high) + 1 and b.y0 < max(low, high) - 1
            ]
            assert not inside


def test_a_rig_has_intervals_and_calibrations_and_no_odometer() -> None:
    points = tuple(
        ControlPoint(day=date(2024, 1, 15) + timedelta(days=30 * k), value=2.0 * k, lower=-8.0 - k, upper=8.0 + k,
                     low=2.0 * k - 3, high=2.0 * k + 3)
        for k in range(6)
    )  # fmt: skip
    rig = ControlFigure(
        "Rig R-lake", ("%",), ControlPanel("all tubes", "%", points), (), (Mark(date(2024, 3, 15), "calibration"),),
        each="month", by_odometer=False,
    )  # fmt: skip
    told = texts(rig)
    assert "calibration" in told
    assert "1,000 km" not in told
    assert "limit +13.0" in told
    assert re.search(r"6 months, none outside; last \+10.0 %", describe(rig))
    assert control_table(rig)[1][2][3] == "+4.0 % (+1.0 to +7.0)"

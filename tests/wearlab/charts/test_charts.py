"""Charts: the same bytes for the same input, text as text, a text alternative, and legible without colour."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest

from wearlab.charts.axis import ground
from wearlab.charts.fleet import states_chart
from wearlab.charts.labels import spread
from wearlab.charts.part import part_chart
from wearlab.charts.series import Level, Mark, Point, Series, StateCount, VehicleHistory
from wearlab.charts.style import STATE_FILL, house_style, pen
from wearlab.charts.svg import Chart
from wearlab.charts.vehicle import panels, vehicle_charts, vehicle_figure
from wearlab.records import STATE_MARK, State

SVG = "{http://www.w3.org/2000/svg}"
DRAWING_TAGS = {"svg", "title", "desc", "g", "path", "text", "tspan", "use", "defs", "clipPath", "rect"}
HOSTILE = "<script>alert(1)</script> $x_1$ \"q\" 'a' & \\frac{1}{2} ]]>"


def all_charts(history: VehicleHistory) -> list[Chart]:
    return [
        *vehicle_charts(history),
        part_chart(history, history.series[3]),
        states_chart([StateCount(state.value, 3) for state in State]),
    ]


def texts(chart: Chart) -> list[str]:
    return ["".join(one.itertext()) for one in ElementTree.fromstring(chart.svg).iter(f"{SVG}text")]


def test_same_input_same_bytes_whatever_matplotlib_is_set_to(history: VehicleHistory) -> None:
    first = [chart.svg for chart in all_charts(history)]
    with mpl.rc_context({"lines.linewidth": 9, "font.size": 30, "savefig.bbox": "tight"}):
        second = [chart.svg for chart in all_charts(history)]
    assert first == second
    changed = replace(history.series[0].points[0], level=history.series[0].points[0].level + 5)
    other = replace(history.series[0], points=(changed, *history.series[0].points[1:]))
    assert vehicle_charts(replace(history, series=(other, *history.series[1:])))[0].svg != first[0]


def test_matplotlib_settings_return_after_drawing(history: VehicleHistory) -> None:
    before = dict(mpl.rcParams)
    vehicle_charts(history)
    assert dict(mpl.rcParams) == before


def test_every_chart_has_a_text_alternative_and_unique_ids(history: VehicleHistory) -> None:
    charts = all_charts(history)
    ids = [found for chart in charts for found in re.findall(r'\bid="([^"]+)"', chart.svg)]
    assert len(ids) == len(set(ids))
    for chart in charts:
        root = ElementTree.fromstring(chart.svg)
        assert root.get("role") == "img"
        by_id = {one.get("id"): one.text for one in root.iter() if one.get("id")}
        named = [by_id[key] for key in root.get("aria-labelledby", "").split()]
        assert named == [chart.title, chart.description]
        assert len(chart.title) > 5
        assert len(chart.description) > 20
        for reference in re.findall(r'(?:url\(|href=")#([^)"]+)', chart.svg):
            assert reference in by_id


def test_description_tells_levels_limit_and_crossing(history: VehicleHistory) -> None:
    told = vehicle_charts(history)[0].description
    assert "Last readings in ml/min: injector 1 21.8, injector 2 15.8, injector 3 36.5" in told
    for how, level in (
        ("the wear model under 300 bar, 60 °C", "injector 3 37.2 (34.1 to 40.3)"),
        ("a simple line, not calibrated, as measured", "injector 1 22.2 (19.1 to 25.3)"),
    ):
        assert f"Levels at the last test by {how}, with 90% interval: {level}." in told
    assert "Injector 3 reads 53.2 on 29 August 2023: gross error." in told
    assert "1 reading outside the range of correction." in told
    assert "Limit 45 ml/min: more is past it." in told
    assert "Injector 3 (book) crosses the limit between September 2026 and February 2028" in told


def test_hostile_text_is_shown_as_text(history: VehicleHistory) -> None:
    series = tuple(replace(one, protocol=HOSTILE[:30], part=HOSTILE, unit="$u$&<b>\x07") for one in history.series[:5])
    marks = (Mark(date(2024, 1, 5), "$x$ <b>&\n\x00"),)
    bad = replace(history, vehicle=HOSTILE, series=series, marks=marks)
    for chart in (*vehicle_charts(bad), part_chart(bad, series[3])):
        root = ElementTree.fromstring(chart.svg)
        assert {one.tag.removeprefix(SVG) for one in root.iter()} <= DRAWING_TAGS
        assert HOSTILE in chart.title
        assert "$x$ <b>&" in texts(chart)
        assert "<script" not in chart.svg
        assert not re.search(r"\son\w+=", re.sub(r">[^<]*<", "><", chart.svg))


def test_signs_that_no_measuring_font_has_raise_no_warning(history: VehicleHistory) -> None:
    charts = vehicle_charts(replace(history, marks=(Mark(date(2024, 1, 5), "交換 🥛"),)))
    assert "交換 🥛" in texts(charts[0])


def test_no_style_attribute_and_no_outside_reference(history: VehicleHistory) -> None:
    for chart in all_charts(history):
        assert "style=" not in chart.svg
        assert "<style" not in chart.svg
        assert "http" not in chart.svg.replace('xmlns="http://www.w3.org/2000/svg"', "")
        assert len(chart.svg) < 20_000


def test_positions_are_labelled_directly_with_level_or_last_reading(history: VehicleHistory) -> None:
    idle, crank, pump = vehicle_charts(history)
    assert {"1: 22.2", "2: 15.8", "3: 37.2", "4: 21.5", "max 45"} <= set(texts(idle))
    assert {"1: ≥60.0", "2: ≤0.50"} <= set(texts(crank))
    assert any(text.startswith("pump: ") for text in texts(pump))
    assert "distance, 1,000 km" in texts(idle)
    assert {"2023", "2024", "2025"} <= set(texts(idle))


def test_a_part_taken_out_has_no_label_of_its_own(history: VehicleHistory) -> None:
    assert sum(text.startswith("2: ") for text in texts(vehicle_charts(history)[0])) == 1


def test_part_chart_names_method_and_interval(history: VehicleHistory) -> None:
    shown = " ".join(texts(part_chart(history, history.series[3])))
    assert "wear model; band 90% of the level, fan 80%; marks: as measured, open ones left out" in shown
    assert "level under 300 bar, 60 °C" in shown
    rival = " ".join(texts(part_chart(history, history.series[0])))
    assert "no answer of the wear model; simple line, not calibrated; band 90% of the level" in rival
    assert "crosses 45 ml/min between September 2026 and February 2028, most likely May 2027" in shown


def test_a_fan_is_named_only_where_it_is_drawn(history: VehicleHistory) -> None:
    whole = replace(history.series[3], points=tuple(point for point in history.series[3].points if not point.doubt))
    for state, drawn in (("test again", True), ("watch", True), ("steady", False)):
        shown = " ".join(texts(part_chart(history, replace(whole, state=state))))
        assert ("fan 80%" in shown) == drawn
        assert "marks are readings as measured" in shown


def test_without_distance_the_charts_run_over_dates() -> None:
    points = tuple(Point(date(year, 5, 2), 20.0 + year - 2022) for year in (2022, 2023, 2025))
    history = VehicleHistory("K1", date(2026, 1, 1), (Series("return_flow", "idle", "ml/min", "1", "p", points),))
    assert not ground(history).by_distance
    shown = texts(vehicle_charts(history)[0])
    assert "date (no usable distance)" in shown
    assert {"2023", "2024", "2025"} <= set(shown)


def test_one_reading_alone_is_drawn() -> None:
    point = Point(date(2026, 5, 2), 20.0, 100_000.0)
    history = VehicleHistory("K1", date(2026, 6, 1), (Series("return_flow", "idle", "ml/min", "1", "p", (point,)),))
    assert "1: 20.0" in texts(vehicle_charts(history)[0])


def test_ground_leaves_out_pairs_that_run_backwards() -> None:
    points = tuple(Point(date(2024, month, 1), 20.0, km) for month, km in ((1, 10_000.0), (2, 9_000.0), (3, 20_000.0)))
    base = ground(VehicleHistory("K1", date(2026, 6, 1), (Series("return_flow", "idle", "ml/min", "1", "p", points),)))
    assert base.km.tolist() == [10_000.0, 20_000.0]
    assert base.place(date(2024, 1, 31)) == pytest.approx(15.0)
    assert base.day_at(base.place(date(2025, 7, 9))) == pytest.approx(date(2025, 7, 9).toordinal())


def test_one_figure_holds_all_panels(history: VehicleHistory) -> None:
    with house_style():
        figure = vehicle_figure(history)
    assert len(figure.axes) == len(panels(history)) == 3


def test_labels_keep_apart_and_move_little() -> None:
    rng = np.random.default_rng(7)
    for _ in range(50):
        wanted = rng.uniform(0, 100, size=6).tolist()
        places = spread(wanted, 8.0, 0.0, 100.0, taken=[50.0])
        gaps = np.diff(np.sort(places))
        assert gaps.min() >= 8.0 - 1e-6
        assert min(abs(place - 50.0) for place in places) >= 8.0
        assert np.argsort(places, kind="stable").tolist() == np.argsort(wanted, kind="stable").tolist()
    alone = spread([33.0], 8.0, 0.0, 100.0)
    assert abs(alone[0] - 33.0) <= 1.01
    assert spread([1.0] * 40, 8.0, 0.0, 100.0) == [1.0] * 40


def test_every_state_has_a_fill_and_shows_word_and_mark() -> None:
    assert set(STATE_FILL) == {state.value for state in State}
    shown = texts(states_chart([StateCount(state.value, 1) for state in State]))
    for state in State:
        assert any(state.value in text and STATE_MARK[state] in text for text in shown)


def test_positions_differ_without_colour() -> None:
    pens = [pen(str(number)) for number in range(1, 9)]
    assert len({one.marker for one in pens}) == 8
    assert len({one.dash for one in pens}) == 8


@pytest.mark.parametrize("number", range(1, 9))
def test_pens_stand_out_from_the_card(number: int) -> None:
    # 3:1 for graphics: Web Content Accessibility Guidelines 2.2, success criterion 1.4.11
    assert contrast(pen(str(number)).colour, "#ffffff") >= 3.0


def contrast(first: str, second: str) -> float:
    """Contrast ratio as the Web Content Accessibility Guidelines 2.2 define it."""

    def light(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((light(first), light(second)))
    return (high + 0.05) / (low + 0.05)


def test_empty_fleet_charts_are_drawn() -> None:
    assert "no parts" in states_chart([]).description


def test_a_gross_error_is_told_by_mark_and_word(history: VehicleHistory) -> None:
    bad = history.series[3]
    good = replace(bad, points=tuple(replace(point, doubt="") for point in bad.points))
    charts = [part_chart(history, series) for series in (bad, good)]
    assert ["gross error" in texts(chart) for chart in charts] == [True, False]
    assert ["gross error" in chart.description for chart in charts] == [True, False]
    # a ring and a cross more than without it
    drawn = [chart.svg.count("<path") + chart.svg.count("<use") for chart in charts]
    assert drawn[0] >= drawn[1] + 2


def test_one_test_alone_has_its_level_as_a_bar(history: VehicleHistory) -> None:
    first = history.series[3]
    level = Level((60_000.0,), (19.4,), (17.0,), (21.8,))
    series = replace(first, points=first.points[:1], level=level, ahead=None, forecast=None, state="steady")
    chart = part_chart(replace(history, series=(series,)), series)
    assert "injector 3 19.4 (17.0 to 21.8)" in chart.description


def test_levels_of_a_part_without_distance_are_told_but_not_drawn(history: VehicleHistory) -> None:
    points = tuple(Point(date(year, 5, 2), 20.0 + year - 2022) for year in (2022, 2023, 2025))
    series = Series("return_flow", "idle", "ml/min", "1", "p", points)
    chart = vehicle_charts(VehicleHistory("K1", date(2026, 1, 1), (series,)))[0]
    assert "1: 23.0" in texts(chart)

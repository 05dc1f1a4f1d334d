"""Charts speak the language that is spoken: words, numbers, dates; what is left as it was given is data."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from xml.etree import ElementTree

import pytest

from bracketed import brackets, untold
from wearlab.charts.control import control_chart
from wearlab.charts.control_series import ControlFigure, ControlPanel, ControlPoint, control_table
from wearlab.charts.crossing_months import crossing_months_chart
from wearlab.charts.fleet_series import CrossingMonth, RigOffset, Spread, StateMonth, WearCohort, WearMonth
from wearlab.charts.lives import Law, LifePanel, LivesFigure, Steps, lives_chart
from wearlab.charts.part import part_chart
from wearlab.charts.rig_months import rig_figures, rig_months_chart
from wearlab.charts.series import Limit, StateCount, VehicleHistory
from wearlab.charts.state_months import state_months_chart
from wearlab.charts.svg import Chart
from wearlab.charts.vehicle import vehicle_charts
from wearlab.charts.wear_months import WearMonthsFigure, wear_months_chart
from wearlab.charts.words import bound_words, day_words, km_words, limit_words, measure_words, position_words
from wearlab.charts.words import short_day_words as short_day
from wearlab.charts.words import when_words as when
from wearlab.language import speaking
from wearlab.records import State

SVG = "{http://www.w3.org/2000/svg}"

#: names, units, protocols, marks and conditions of the figures below, which no language changes
DATA = (
    "K07", "ml/min", "bar", "km", "sd", "warm idle", "crank", "bench 20 ml", "replacement", "filter", "van", "Lake",
    "Mill", "R-lake", "from", "step off", "a line", "visit as a whole", "tube three", "vans", "pumps",
)  # fmt: skip

FIRST = date(2021, 1, 1)


def months(count: int) -> list[date]:
    return [date(2021 + k // 12, k % 12 + 1, 1) for k in range(count)]


def wear() -> Chart:
    def cohort(depot: str, direction: str = "above", limit: float = 28.0) -> WearCohort:
        told = tuple(
            WearMonth(month, Spread(20, 10 + 0.1 * k, 7.0, 8.5, 12.0, 15.0), Spread(20, 0.012))
            for k, month in enumerate(months(30))
        )
        return WearCohort(
            "return_flow", "warm idle", "van", depot, "ml/min", "ml/min", "300 bar", told, Limit("l", limit, direction)
        )

    gone = replace(cohort(""), months=(*cohort("").months[:-1], WearMonth(months(30)[-1], None, None)))
    return wear_months_chart(
        WearMonthsFigure("van", cohort("", "below", 400.0), (cohort("Lake"), cohort("Mill"), gone), ("a line",))
    )


def control(each: str) -> ControlFigure:
    values = (0.3, -1.2, None, 4.1, 0.9)
    points = tuple(
        ControlPoint(
            day=FIRST + timedelta(days=200 * k), value=value, lower=-3.3, upper=3.3,
            low=None if value is None else -1.0, high=None if value is None else 9.0,
            outside=value is not None and value > 3.3,
            bound="at_least" if value is None else None, odometer_km=1e5 + 2e4 * k,
            cause="step off" if k == 3 else "",
        )
        for k, value in enumerate(values)
    )  # fmt: skip
    silent = ControlPanel("tube three", "sd", (ControlPoint(FIRST, None, bound="at_most"),))
    main = ControlPanel("visit as a whole", "sd", points)
    return ControlFigure("K07", ("a line",), main, (silent, replace(main, points=points[:1])), each=each)


def rigs() -> list[Chart]:
    def offset(size: float, half: float | None, *, year: int = 2023, base: bool = False) -> RigOffset:
        ends = (None, None) if half is None else (size - half, size + half)
        return RigOffset(
            "return_flow", "warm idle", "R-lake", "from 2023-03-15", date(year, 3, 20), date(year + 1, 3, 1), 40, size,
            *ends, base,
        )  # fmt: skip

    found = (offset(0.0, None, year=2021, base=True), offset(-2.6, 1.5), offset(1.0, 2.0), offset(3.0, 1.0))
    return [rig_months_chart(one) for one in rig_figures(found)]


def lives() -> Chart:
    curve = Steps("vans", 2e4, 2.4e5, (9e4, 1.5e5), (0.9, 0.75), (0.8, None), (0.95, None))
    law = Law("vans", tuple((k * 1e4, 1.0 - k / 40) for k in range(41)), 2.5e5)
    never = Law("pumps", ((0.0, 1.0), (9e5, 1.0)))
    return lives_chart(
        LivesFigure("vans", ("a line",), (LifePanel("vans", (curve,), (law, never)), LifePanel("pumps", (), ())))
    )


def fleet() -> list[Chart]:
    counts = tuple(StateCount(state.value, place) for place, state in enumerate(State))
    states = [StateMonth(month, month, counts) for month in months(3)]
    none = StateMonth(FIRST, FIRST, tuple(StateCount(state.value, 0) for state in State))
    crossings = [CrossingMonth(month, 0.4 * k, k // 2, k + 1) for k, month in enumerate(months(12))]
    return [
        state_months_chart([none, *states]), state_months_chart(states[:1]), state_months_chart([]),
        crossing_months_chart(crossings), crossing_months_chart([]),
    ]  # fmt: skip


def vehicle(history: VehicleHistory) -> list[Chart]:
    unsure = replace(history.series[3], level=None, ahead=None, no_answer=None, limit=Limit("p", 9.0, "below"))
    other = replace(history, series=(unsure, *history.series))
    parts = [part_chart(history, series) for series in (history.series[0], history.series[3])]
    return [*vehicle_charts(other), *parts, part_chart(replace(history, calendar=()), unsure)]


def texts(charts: Sequence[Chart]) -> list[str]:
    shown = [
        "".join(one.itertext())
        for chart in charts
        for one in ElementTree.fromstring(chart.svg).iter()
        if one.tag in (f"{SVG}text", f"{SVG}title", f"{SVG}desc")
    ]
    assert len(shown) > 3 * len(charts)
    return shown


def test_every_word_of_a_chart_is_a_message_or_data(history: VehicleHistory) -> None:
    with brackets():
        charts = [*vehicle(history), *fleet(), *rigs(), wear(), lives()]
        charts += [control_chart(control(each)) for each in ("test", "month", "day")]
        shown = texts(charts)
    assert untold(shown, DATA) == set()


def test_every_word_of_the_table_of_a_control_chart_is_a_message_or_data() -> None:
    with brackets():
        heads, rows = control_table(control("test"))
    assert untold([*heads, *(text for row in rows for text in row)], DATA) == set()


def test_figures_are_written_as_the_locale_writes_them(history: VehicleHistory) -> None:
    with speaking("en", "de_DE"):
        shown = texts([*vehicle_charts(history), *rigs(), wear(), control_chart(control("day"))])
        rows = control_table(control("test"))[1]
    shown += [text for row in rows for text in row]
    points = [found for text in shown for found in re.findall(r"\d+(?:\.\d+)+", text)]
    # a point stands between thousands alone
    assert "1.000" in points
    assert [found for found in points if not re.fullmatch(r"[1-9]\d{0,2}(?:\.\d{3})+", found)] == []
    assert {"+3,0", "0,012", "+4,1 sd (-1,0 to +9,0)", "140.000"} <= set(shown)


def test_axes_have_the_thousands_of_the_locale() -> None:
    with speaking("en", "de_CH"):
        assert "distance since new, 1’000 km" in texts([lives()])
    with speaking("en", "de_DE"):
        assert "distance since new, 1.000 km" in texts([lives()])


def test_long_words_of_states_have_room(monkeypatch: pytest.MonkeyPatch) -> None:
    def start(chart: Chart) -> float:
        root = ElementTree.fromstring(chart.svg)
        return min(
            float(one.get("d", "").split()[1]) for one in root.iter(f"{SVG}path") if one.get("fill") == "#8a1c1c"
        )

    def both() -> list[float]:
        told = [StateMonth(month, month, tuple(StateCount(state.value, 3) for state in State)) for month in months(3)]
        return [start(state_months_chart(told)), start(state_months_chart(told[:1]))]

    short = both()
    monkeypatch.setattr("wearlab.charts.fleet._", lambda state, **places: f"{state}, told in many letters")
    assert all(long > before + 50 for long, before in zip(both(), short, strict=True))


def test_words_of_the_trade_are_messages() -> None:
    with brackets():
        assert measure_words("pump_rise") == "⟦pump rise⟧"
        assert [position_words(one) for one in ("3", "pump", "set", "bank 2")] == [
            "⟦injector 3⟧", "⟦pump⟧", "⟦whole set⟧", "⟦bank 2⟧",
        ]  # fmt: skip
        assert bound_words(60.0, "at_least", "ml/min") == "⟦at least 60.0 ml/min⟧"
    assert position_words("bank 2") == "bank 2"


def test_numbers_in_words_follow_the_locale() -> None:
    with speaking("en", "de_DE"):
        assert km_words(328_612.0) == "328.612 km"
        assert limit_words(1350.25, "bar") == "1.350,25 bar"
        assert bound_words(60.0, "at_most", "ml/min") == "at most 60,0 ml/min"
        assert day_words(date(2027, 5, 3)) == "3 May 2027"


@pytest.mark.parametrize("early", [None, date(2027, 3, 4)])
@pytest.mark.parametrize("middle", [None, date(2027, 5, 9)])
@pytest.mark.parametrize("late", [None, date(2027, 7, 30), date(2028, 7, 30)])
@pytest.mark.parametrize("as_of", [None, date(2027, 1, 1), date(2027, 4, 1), date(2027, 6, 1), date(2029, 1, 1)])
def test_a_crossing_is_one_message(
    early: date | None, middle: date | None, late: date | None, as_of: date | None
) -> None:
    with brackets():
        told = when(early, middle, late, as_of)
    assert (told.count("⟦"), told[:1], told[-1:]) == (1, "⟦", "⟧") if told else (early, middle, late) == (None,) * 3


def test_a_short_date_has_three_letters_in_english() -> None:
    assert short_day(date(2026, 9, 5)) == "5 Sep 2026"
    assert short_day(date(2026, 6, 15)) == "15 Jun 2026"

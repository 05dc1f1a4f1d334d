"""The charts of the fleet over the months: the same bytes, text as text, and what they say is what they were given."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from xml.etree import ElementTree

import matplotlib as mpl
import pytest

from wearlab.charts.crossing_months import crossing_months_chart
from wearlab.charts.fleet_series import CrossingMonth, RigOffset, Spread, StateMonth, WearCohort, WearMonth
from wearlab.charts.rig_months import offset_words, rig_figures, rig_months_chart
from wearlab.charts.series import Limit, StateCount
from wearlab.charts.state_months import state_months_chart
from wearlab.charts.svg import Chart
from wearlab.charts.wear_months import WearMonthsFigure, rates_words, wear_months_chart
from wearlab.records import State

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = "<script>alert(1)</script> $x_1$ & \\frac{1}{2}"
IDLE = ("return_flow", "warm idle")


def month(number: int) -> date:
    return date(2021 + number // 12, number % 12 + 1, 1)


def spread(median: float, parts: int = 20) -> Spread:
    return Spread(parts, median, 0.7 * median, 0.85 * median, 1.2 * median, 1.5 * median)


def cohort(depot: str, start: float, count: int = 50) -> WearCohort:
    return WearCohort(
        *IDLE, "van", depot, "ml/min", "ml/min per 10,000 km", "280 bar, 45 °C",
        tuple(
            WearMonth(month(k), spread(start + 0.1 * k), None if k < 6 else spread(0.012)) for k in range(count)
        ),
        Limit("idle", 28.0, "above"),
    )  # fmt: skip


def offset(rig: str, year: int, size: float, half: float | None, *, base: bool = False) -> RigOffset:
    low, high = (None, None) if half is None else (size - half, size + half)
    days = date(year, 3, 20), date(year + 1, 3, 10)
    return RigOffset(*IDLE, rig, f"from {year}-03-15", *days, 40, size, low, high, base)


FIGURE = WearMonthsFigure("return flow, warm idle: van", cohort("", 10.0), (cohort("Lake", 9.0), cohort("Mill", 12.0)))
STATES = tuple(
    StateMonth(month(k), month(k), tuple(StateCount(state.value, 3 * k + place) for place, state in enumerate(State)))
    for k in range(1, 5)
)
CROSSINGS = tuple(CrossingMonth(month(k), 0.4 * k, k // 2, k + 1) for k in range(18))
OFFSETS = (
    offset("R-lake", 2023, 0.0, None, base=True), offset("R-lake", 2024, -2.6, 1.5), offset("R-mill", 2024, 1.0, 2.0)
)  # fmt: skip


def charts() -> list[Chart]:
    return [
        wear_months_chart(FIGURE),
        state_months_chart(STATES),
        crossing_months_chart(CROSSINGS),
        *(rig_months_chart(one) for one in rig_figures(OFFSETS)),
    ]


def texts(chart: Chart) -> list[str]:
    return ["".join(one.itertext()) for one in ElementTree.fromstring(chart.svg).iter(f"{SVG}text")]


def test_same_input_same_bytes_whatever_matplotlib_is_set_to() -> None:
    first = [chart.svg for chart in charts()]
    with mpl.rc_context({"lines.linewidth": 9, "font.size": 30, "savefig.bbox": "tight"}):
        assert [chart.svg for chart in charts()] == first
    other = replace(FIGURE, whole=cohort("", 10.5))
    assert wear_months_chart(other).svg != first[0]


def test_every_chart_is_named_described_and_small() -> None:
    for chart in charts():
        root = ElementTree.fromstring(chart.svg)
        by_id = {one.get("id"): one.text for one in root.iter() if one.get("id")}
        assert [by_id[key] for key in root.get("aria-labelledby", "").split()] == [chart.title, chart.description]
        assert len(chart.description) > 40
        assert "style=" not in chart.svg
        assert len(chart.svg) < 60_000


def test_hostile_names_are_shown_as_text() -> None:
    figure = replace(FIGURE, subject=HOSTILE, depots=(cohort(HOSTILE, 9.0), cohort("\x00$a$\n<b>", 9.5)))
    rigs = tuple(replace(one, rig=HOSTILE, protocol=HOSTILE) for one in OFFSETS)
    for chart in (wear_months_chart(figure), *(rig_months_chart(one) for one in rig_figures(rigs))):
        assert "<script" not in chart.svg
        assert any(HOSTILE[:20] in text for text in texts(chart))
    assert "$a$ <b>" in texts(wear_months_chart(figure))


def test_wear_labels_the_newest_month_of_every_row() -> None:
    shown = texts(wear_months_chart(FIGURE))
    assert {"level, ml/min", "rate, ml/min per 10,000 km", "Lake", "Mill", "20 parts", "max 28"} <= set(shown)
    # 10, 9 and 12 with 49 months of 0.1 each
    assert {"14.9", "13.9", "16.9"} <= set(shown)
    assert shown.count("0.012") == 3
    assert (
        "Lake, level: median 9.0 ml/min in January 2021, 13.9 in February 2025" in wear_months_chart(FIGURE).description
    )


def test_a_limit_far_off_is_written_not_drawn() -> None:
    far = replace(FIGURE, whole=replace(FIGURE.whole, limit=Limit("idle", 400.0, "above")))
    assert "max 400, off the chart" in texts(wear_months_chart(far))


def test_one_depot_has_no_row_of_its_own_and_one_gone_neither() -> None:
    alone = texts(wear_months_chart(replace(FIGURE, depots=FIGURE.depots[:1])))
    assert "Lake" not in alone
    gone = replace(FIGURE.depots[1], months=(*FIGURE.depots[1].months[:-1], WearMonth(month(49), None, None)))
    assert "Mill" not in texts(wear_months_chart(replace(FIGURE, depots=(FIGURE.depots[0], gone))))


def test_states_carry_word_mark_and_every_number() -> None:
    shown = texts(state_months_chart(STATES))
    assert {str(3 * k + place) for k in range(1, 5) for place in range(7)} <= set(shown)
    assert any(text.startswith("past limit") for text in shown)
    assert {"02/2021", "05/2021"} <= set(shown)
    plain = texts(state_months_chart(STATES[:1]))
    assert "parts by state" in plain


def test_crossings_tell_expected_number_and_interval() -> None:
    chart = crossing_months_chart(CROSSINGS)
    assert {"0.4", "4.8", "6.8"} <= set(texts(chart))
    assert "March 2021: 0.8 expected, 1 to 3" in chart.description


def test_only_a_rig_apart_from_zero_carries_its_figure() -> None:
    shown = texts(rig_months_chart(rig_figures(OFFSETS)[0]))
    assert {"base", "−2.6"} <= set(shown)
    assert "+1.0" not in shown


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (OFFSETS[0], "from 15 March 2023: the others are told against it"),
        (OFFSETS[1], "from 15 March 2024: reads 2.6 % low (1.1 to 4.1 %)"),
        (OFFSETS[2], "from 15 March 2024: reads 1.0 % high (between 1.0 % low and 3.0 % high)"),
    ],
)
def test_offsets_in_words(one: RigOffset, words: str) -> None:
    assert offset_words(one) == words


def test_rates_keep_two_digits_that_count() -> None:
    assert rates_words(0.0123, 0.004) == ("0.012", "0.004")
    assert rates_words(0.391) == ("0.39",)
    assert rates_words(0.0, 0.0) == ("0.00", "0.00")
    assert not re.search(r"\d{6}", rates_words(2e-12)[0][4:8])

"""From the text of a cell to a number, date or word."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.sheets.cells import cells_of, combine
from pipelines.sheets.dates import DateStatus, read_date, read_dates
from pipelines.sheets.hints import hint, mark_meaning
from pipelines.sheets.packed import told_events, unpack
from pipelines.sheets.values import Status, Style, numbers, other_reading, read_number
from pipelines.sheets.words import measured_unit, position_of, yes_no
from wearlab.errors import UnitError
from wearlab.records import Driven, Measure, WorkKind

POINT = Style()
COMMA = Style(",", (" ",))


@pytest.mark.parametrize(
    ("text", "style", "value"),
    [
        ("12.5", POINT, 12.5),
        ("12,5", COMMA, 12.5),
        ("182 450", COMMA, 182450.0),
        ("219\u00a0940", COMMA, 219940.0),
        ("1\u202f250,5", COMMA, 1250.5),
        ("1'204'500.5", Style(".", ("'",)), 1204500.5),
        ("1’204", Style(".", ("'",)), 1204.0),
        ("70,980", Style(".", (",",)), 70980.0),
        ("1.234,75", Style(",", (".",)), 1234.75),
        ("-1.5", POINT, -1.5),
        ("−4", POINT, -4.0),
        (".5", POINT, 0.5),
        ("1.2e3", POINT, 1200.0),
        ("16.5", Style(",", (), workbook=True), 16.5),
        ("16,5", Style(",", (), workbook=True), 16.5),
    ],
)
def test_numbers_are_read_with_the_declared_marks(text: str, style: Style, value: float) -> None:
    found = read_number(text, style)
    assert (found.status, found.value, found.bound, found.unit) == (Status.MEASURED, value, 0, "")


@pytest.mark.parametrize(
    ("text", "style"),
    [
        ("12,5", POINT),
        ("12.5", COMMA),
        ("1 25", COMMA),
        ("1 2345", COMMA),
        ("12-14", POINT),
        ("1.2.3", POINT),
        ("=cmd", POINT),
        ("12 apples", POINT),
        ("1e999", POINT),
        (">12+", POINT),
        ("nan", POINT),
        ("inf", POINT),
        ("***", POINT),
    ],
)
def test_what_the_marks_do_not_explain_is_unreadable(text: str, style: Style) -> None:
    assert read_number(text, style).status == Status.UNREADABLE


def test_the_other_reading_is_only_suggested() -> None:
    assert other_reading("16,5", POINT) == "16.5"
    assert other_reading("70,980", POINT) == "70.98 or 70980"
    assert other_reading("spoon", POINT) is None


@pytest.mark.parametrize(
    ("text", "value", "bound"),
    [
        (">50", 50, 1),
        ("≥ 50", 50, 1),
        (">= 120 ml", 120, 1),
        ("100+", 100, 1),
        ("over 80", 80, 1),
        ("<1", 1, -1),
        ("≤0.5", 0.5, -1),
        ("less than 2", 2, -1),
    ],
)
def test_bounds(text: str, value: float, bound: int) -> None:
    found = read_number(text, POINT)
    assert (found.status, found.value, found.bound) == (Status.MEASURED, value, bound)


def test_not_measured_spoiled_and_beyond_are_told_apart() -> None:
    for text in ("", "n/a", "N/A", "?", "-", "—", "hose off", "--"):
        assert read_number(text, POINT).status == Status.NOT_MEASURED, text
    for text in ("spilled", "Spoiled"):
        assert read_number(text, POINT).status == Status.SPOILED, text
    for text in ("full", "off scale", "ran over"):
        assert read_number(text, POINT).status == Status.BEYOND, text


def test_units_marks_and_steps_stay_with_the_number() -> None:
    found = read_number("12 ml", POINT)
    assert (found.value, found.unit) == (12.0, "ml")
    starred = read_number("22*", POINT)
    assert (starred.value, starred.mark) == (22.0, "*")
    assert read_number("~12", POINT).mark == "~"
    assert read_number("1.0 US fl oz", POINT).step == pytest.approx(0.1)
    assert read_number("14 500 psi", Style(".", (" ",))).step == 1.0


@given(
    st.integers(-(10**9), 10**9),
    st.integers(0, 3),
    st.sampled_from([(".", ""), (".", ","), (".", "'"), (",", "."), (",", " "), (",", "\u00a0")]),
)
def test_any_number_written_with_its_marks_is_read_back(whole: int, places: int, marks: tuple[str, str]) -> None:
    decimal, mark = marks
    value = whole / 10**places
    text = f"{value:,.{places}f}".replace(",", "T").replace(".", "D").replace("T", mark).replace("D", decimal)
    style = Style(decimal, (" " if mark == "\u00a0" else mark,) if mark else ())
    assert read_number(text, style).value == pytest.approx(value, rel=1e-12)


@given(st.lists(st.text(max_size=12), max_size=30))
def test_no_text_makes_reading_numbers_fail(texts: list[str]) -> None:
    found = numbers(cells_of(texts), COMMA)
    assert len(found.value) == len(texts)
    assert np.isnan(found.value[found.status != Status.MEASURED]).all()


def test_dates_follow_declared_formats_only() -> None:
    formats = ("%d/%m/%Y",)
    assert read_date("14/07/2025", formats, False) == (date(2025, 7, 14), DateStatus.GOOD)
    assert read_date("31/09/2025", formats, False) == (None, DateStatus.IMPOSSIBLE)
    assert read_date("2025-07-14", formats, False) == (None, DateStatus.UNREADABLE)
    assert read_date("01/02/2025", ("%d/%m/%Y", "%m/%d/%Y"), False) == (None, DateStatus.AMBIGUOUS)
    assert read_date("25/02/2025", ("%d/%m/%Y", "%m/%d/%Y"), False)[0] == date(2025, 2, 25)
    assert read_date("", formats, False)[1] == DateStatus.BLANK


def test_a_day_number_is_a_date_only_in_a_workbook() -> None:
    # 45810 counted from 1900 as workbooks do is 2025-06-02 (checked with a calendar: 45658 is 2025-01-01)
    assert read_date("45658", ("%Y-%m-%d",), True) == (date(2025, 1, 1), DateStatus.SERIAL)
    assert read_date("45810", ("%Y-%m-%d",), True) == (date(2025, 6, 2), DateStatus.SERIAL)
    assert read_date("45810", ("%Y-%m-%d",), False)[0] is None


def test_cells_typed_as_dates_are_iso_whatever_the_layout_declares() -> None:
    typed = np.array([True, False])
    days, status = read_dates(cells_of(["2025-04-07", "09.06.2025"]), ("%d.%m.%Y",), typed=typed, workbook=True)
    assert [str(day) for day in days] == ["2025-04-07", "2025-06-09"]
    assert (status == DateStatus.GOOD).all()


@pytest.mark.parametrize(
    ("text", "position"),
    [
        ("1", "1"),
        ("01", "1"),
        ("cyl 1", "1"),
        ("Cyl. 3", "3"),
        ("#2", "2"),
        ("Zyl 4", "4"),
        ("pump", "pump"),
        ("set", "set"),
        ("total", "set"),
        ("0", None),
        ("25", None),
        ("left", None),
        ("1-3", None),
    ],
)
def test_positions(text: str, position: str | None) -> None:
    assert position_of(text) == position


def test_yes_and_no() -> None:
    assert (yes_no("Yes"), yes_no("nein"), yes_no("perhaps")) == (True, False, None)


def test_units_with_their_own_seconds_and_open_ounces() -> None:
    # 1 US fl oz = 29.5735 ml, 1 UK fl oz = 28.4131 ml (definitions of the two gallons)
    assert measured_unit("ml per 30 s").over_s == 30
    assert measured_unit("cc/15s").over_s == 15
    assert measured_unit("fl oz").open_choice
    assert measured_unit("fl oz", "uk").factor == pytest.approx(28.4131, abs=1e-4)
    assert measured_unit("fl oz", "us").factor == pytest.approx(29.5735, abs=1e-4)
    with pytest.raises(UnitError):
        measured_unit("spoons")


def test_remarks_tell_what_a_test_needs() -> None:
    assert hint("50 ml tube").tube_ml == 50
    assert hint("rail never above 90").rail_never_above == 90
    assert hint("gauge end stop 1600").stop_at == 1600
    assert hint("relief opened").stop
    assert hint("rig leaks 4 bar/s alone").rig_leak
    assert hint("order written 1-3-4-2").order == ("1", "3", "4", "2")
    assert hint("US").country == "us"
    assert repr(hint("hot day")) == repr(hint(""))
    assert mark_meaning("* foam", "*") == "foam"


def test_packed_cells() -> None:
    found = unpack("idle 60 s ml")
    assert (found.driven, found.duration_s, found.unit, found.event) == (Driven.IDLE, 60.0, "ml", False)
    assert unpack("pump peak crank bar").measure == Measure.PUMP_PEAK
    assert unpack("EVENT").event
    assert unpack("corrections mm3").other


def test_events_told_in_words() -> None:
    (swap,) = told_events("swapped 1<->3 to prove")
    assert (swap.kind, swap.position, swap.position_to) == (WorkKind.SWAP, "1", "3")
    (new,) = told_events("S13 out, S21 new in cyl 1, coded")
    assert (new.kind, new.position, new.serial_out, new.serial_in, new.origin) == (
        WorkKind.REPLACEMENT, "1", "S13", "S21", "new",
    )  # fmt: skip
    assert told_events("washed the cab")[0].kind == WorkKind.OTHER


@given(st.lists(st.tuples(st.integers(0, 3), st.sampled_from([1.5, float("nan"), 2.5])), min_size=1, max_size=40))
def test_combined_codes_are_equal_exactly_where_all_columns_are(rows: list[tuple[int, float]]) -> None:
    first = np.array([row[0] for row in rows], dtype=np.int64)
    second = np.array([row[1] for row in rows])
    code = combine([first, second], len(rows))
    spelled = [f"{a}|{b}" for a, b in rows]
    for left in range(len(rows)):
        for right in range(len(rows)):
            assert (code[left] == code[right]) == (spelled[left] == spelled[right])

"""Mill's workbook: a title, two header rows, the vehicle's name merged over the tests of its visit."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import datetime
from itertools import groupby
from typing import Any

import xlsxwriter

from pipelines.demo.columns import MILL, MOST_CYLINDERS, reason_written
from pipelines.demo.fleet import Fleet
from pipelines.demo.sheet_text import Sheets, spelled, years
from pipelines.demo.visits import DemoTest, Shown

NAME = "mill.xlsx"
_TEST_WORDS = {"idle": "hot idle", "crank": "starter", "pump": "pump block"}
_HEADER_ROW = 2
_UPPER = (
    "Vehicle", "Date", "Odo", "Test", "Run", "Dur.", "Rail", "Fuel", "Crank", "Batt.", "Supply", "Filter, air",
)  # fmt: skip
_LOWER = ("", "", "[km]", "", "", "[s]", "[bar]", "[°C]", "[rpm]", "[V]", "[bar]", "")
_SUPPLY_SEEN = len(_UPPER) - 1
_LAST = ("Reason", "Complaint", "DTC", "Mech.", "Remarks")
_FIRST_TUBE = len(_UPPER)
_PEAK = _FIRST_TUBE + MOST_CYLINDERS


def write_mill(fleet: Fleet, tests: Sequence[DemoTest], sheets: Sheets) -> None:
    """Add Mill's workbook, one sheet a year."""
    target = io.BytesIO()
    book = xlsxwriter.Workbook(target, {"in_memory": True})
    book.set_properties({"title": "Mill workshop tests", "created": datetime(2026, 10, 31, 12, 0, 0)})
    formats = {
        "title": book.add_format({"bold": True, "font_size": 13}),
        "head": book.add_format({"bold": True, "align": "center", "bottom": 1}),
        "date": book.add_format({"num_format": "dd/mm/yyyy"}),
        "name": book.add_format({"valign": "top"}),
    }
    for year, group in years(tests).items():
        _sheet(book.add_worksheet(year), formats, f"Mill workshop, injection tests {year}", fleet, group, sheets)
    book.close()
    sheets.files[NAME] = target.getvalue()


def _sheet(
    page: Any, formats: dict[str, Any], title: str, fleet: Fleet, tests: Sequence[DemoTest], sheets: Sheets
) -> None:
    page.merge_range(0, 0, 0, len(MILL.headers) - 1, title, formats["title"])
    for column, (upper, lower) in enumerate(zip(_UPPER, _LOWER, strict=True)):
        page.write_string(_HEADER_ROW, column, upper, formats["head"])
        if lower:
            page.write_string(_HEADER_ROW + 1, column, lower, formats["head"])
    page.merge_range(_HEADER_ROW, _FIRST_TUBE, _HEADER_ROW, _PEAK - 1, "Return flow", formats["head"])
    for number in range(1, MOST_CYLINDERS + 1):
        page.write_string(_HEADER_ROW + 1, _FIRST_TUBE + number - 1, f"#{number} [ml]", formats["head"])
    page.merge_range(_HEADER_ROW, _PEAK, _HEADER_ROW, _PEAK + 1, "Pump", formats["head"])
    for column, text in ((_PEAK, "Peak [bar]"), (_PEAK + 1, "Rise to 1000 bar [s]")):
        page.write_string(_HEADER_ROW + 1, column, text, formats["head"])
    for column, text in enumerate(_LAST, start=_PEAK + 2):
        page.write_string(_HEADER_ROW, column, text, formats["head"])
    page.freeze_panes(_HEADER_ROW + 2, 1)
    page.set_column(1, 1, 11)
    row = _HEADER_ROW + 2
    for _, visit in groupby(tests, key=lambda test: (test.day, test.vehicle.key)):
        group = list(visit)
        name = spelled(fleet, group[0])
        if len(group) > 1:
            page.merge_range(row, 0, row + len(group) - 1, 0, name, formats["name"])
        else:
            page.write_string(row, 0, name, formats["name"])
        for test in group:
            _row(page, row, test, formats)
            for place in test.readings:
                sheets.note(test, place, NAME, page.get_name(), row + 1)
            row += 1


def _row(page: Any, row: int, test: DemoTest, formats: dict[str, Any]) -> None:
    page.write_datetime(row, 1, datetime(test.day.year, test.day.month, test.day.day), formats["date"])
    page.write_string(row, 3, _TEST_WORDS[test.kind])
    numbers: dict[int, float | None] = {
        2: test.odometer,
        4: test.run,
        5: test.duration_s,
        6: test.rail_bar,
        7: test.temp_c,
        8: test.speed_rpm,
        9: test.battery_v,
        10: test.supply_bar,
    }
    for column, number in numbers.items():
        if number is not None:
            page.write_number(row, column, number)
    for place, shown in test.readings.items():
        pump_column = {"peak": _PEAK, "rise": _PEAK + 1}.get(place)
        _reading(page, row, _FIRST_TUBE + int(place) - 1 if pump_column is None else pump_column, shown)
    texts = (
        reason_written("Mill", test.reason), test.complaint, test.fault_codes, test.technician, test.note,
    )  # fmt: skip
    for column, text in ((_SUPPLY_SEEN, test.supply_note), *enumerate(texts, start=_PEAK + 2)):
        if text:
            page.write_string(row, column, text)


def _reading(page: Any, row: int, column: int, shown: Shown) -> None:
    if shown.over:
        page.write_string(row, column, f">{shown.value:g}")
    else:
        page.write_number(row, column, round(shown.value, 2))

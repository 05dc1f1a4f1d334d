"""The workbook and the PDF of a month: every table read back equal to the view, hostile text, what a PDF holds."""

from __future__ import annotations

import io
import math
from ctypes.util import find_library
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from pypdf import PdfReader

from outside import need
from pipelines.steps import month_files
from pipelines.steps.month_files import PDF, WORKBOOK, month_tables_of, write_month_pdf, write_month_workbook
from pipelines.steps.plan_view import PlanView, plan_view
from pipelines.steps.signals import SignalBudget, SignalsTold
from pipelines.steps.view_table import Table
from plan_example import AS_OF, example, parts_example
from wearlab.pack.about_page import AboutPage, LimitRow
from wearlab.pack.first_page import FirstPage, IssuedPart
from wearlab.pack.fleet_page import (
    CrossingsAhead,
    DataQuality,
    FleetPage,
    LeftOut,
    RemarkCount,
    RigSection,
    StatesOverTime,
)
from wearlab.pack.pack_view import PackView
from wearlab.pack.pdf import PdfMade
from wearlab.pack.view import FileRow, MonthView, OpenQuestion, PartState, Unsaid, VehicleView
from wearlab.plan.schedule import Infeasible
from wearlab.records import NoAnswer

HOSTILE = "=cmd|'/C calc'!A0<script>&$x$"


def state(**other: Any) -> PartState:
    told: dict[str, Any] = {
        "position": "3", "part": "I-12-3", "measure": "return_flow", "protocol": "warm idle", "unit": "ml/min",
        "state": "book", "readings": 12, "level": 27.126, "level_low": 25.5, "level_high": 28.75, "rate": 0.51234,
        "rate_unit": "ml/min per 10,000 km", "limit": 28.0, "direction": "above", "rule": "van idle",
        "limit_version": 2, "date_p10": date(2027, 1, 4), "date_p50": date(2027, 3, 9), "date_p90": date(2027, 6, 1),
        "odometer_p50_km": 215_300.4, "past": 0.125, "within_90": 0.4321, "last_test": date(2026, 8, 2),
        "cause": "a new test", "state_before": "watch", "changed": "its last test read higher",
        "retest_by": date(2027, 2, 1),
    }  # fmt: skip
    return PartState(**{**told, **other})


def view(*vehicles: VehicleView) -> PackView:
    month = MonthView("October 2026", AS_OF, "milk round", "1.0", vehicles=vehicles)
    first: dict[str, Any] = dict.fromkeys(
        ("summary", "counts", "no_plan", "book", "not_booked", "tests", "changes", "signals", "weak_tests", "orders",
         "missing", "cautions"), (),
    )  # fmt: skip
    files = (FileRow("north.csv", 40, 36, 1, 2, 1, 3, 120, layout="north", loaded_on=date(2026, 10, 3)),)
    quality = DataQuality(
        sentence="",
        files=files,
        remarks=(RemarkCount("duplicate", "row set aside", 2, 1, "The row repeats row 4.", "north.csv, row 9"),),
        questions=(OpenQuestion("Which year is 01/02?", 4, "north.csv"),),
        left_out=(LeftOut("return_flow", "warm idle", 120, 3, 1, 2, 0),),
    )
    return PackView(
        month=month,
        first=FirstPage(
            title=month.title, as_of=AS_OF, workspace=month.workspace, currency="crowns", changes_since=None,
            changes_sentence="", signals_sentence="", order_sentence="", issued=IssuedPart(None, ""),
            unsaid=(Unsaid("V07 pump", "it has no test", "V07"),), **first,
        ),
        fleet=FleetPage(
            AS_OF, (), StatesOverTime((), ""), CrossingsAhead((), 0, 0.0, 0, ""), RigSection((), ()), quality
        ),
        about=AboutPage(
            run=(("run", "4"),),
            limits=(LimitRow("van idle", "return flow", "at most 28 ml/min", "vans", 2, None, "the manual"),),
        ),
    )  # fmt: skip


def signal(**other: Any) -> dict[str, Any]:
    told: dict[str, Any] = {
        "key": "5c04", "vehicle": "V12", "position": "3", "rig": None, "channel": None, "depot": None, "vehicles": None,
        "measure": "return_flow", "protocol": "warm idle", "kind": "step", "detected_on": date(2026, 9, 3),
        "onset_on": date(2026, 9, 3), "onset_early": date(2026, 5, 1), "onset_late": date(2026, 9, 3), "size": 4.2,
        "size_low": 3.1, "size_high": 5.3, "unit": "ml/min", "percent": 21.04, "z": 4.567, "alternatives": [],
        "telling": "one more test", "question": "", "open": True, "closed": None, "acknowledged": None,
    }  # fmt: skip
    return {**told, **other}


def signals(*told: dict[str, Any]) -> SignalsTold:
    return SignalsTold(AS_OF, SignalBudget(1.0, 3.3, 12.0, 0.9, 2), told, len(told))


CAR = VehicleView(
    "V12", family="van", depot="North", states=(state(), state(position="pump", level=None, past=math.nan))
)


def read_back(path: Path) -> dict[str, list[tuple[object, ...]]]:
    book = openpyxl.load_workbook(path)
    return {
        page.title: [
            tuple(cell.value.date() if isinstance(cell.value, datetime) else cell.value for cell in row)
            for row in page.iter_rows()
        ]
        for page in book
    }


def column(table: Table, head: str) -> list[object]:
    at = [one.head for one in table.columns].index(head)
    return [row[at] for row in table.rows]


def test_the_workbook_read_back_is_the_view(tmp_path: Path) -> None:
    plan, told = plan_view(example(), parts_example()), signals(signal())
    path = write_month_workbook(view(CAR), plan, told, tmp_path)
    assert path == tmp_path / WORKBOOK
    tables = month_tables_of(view(CAR), plan, told)
    found = read_back(path)
    assert list(found) == [table.name for table in tables]
    assert list(found)[:4] == ["plan", "visits", "tests", "forecasts"]
    for table in tables:
        heads, *rows = found[table.name]
        assert heads == tuple(one.title for one in table.columns)
        # a table without a row has an empty one
        assert rows == (list(table.rows) or [(None,) * len(heads)])
    book = openpyxl.load_workbook(path)
    for page in book:
        assert page.freeze_panes == "B2"
        (real,) = page.tables.values()
        assert real.autoFilter.ref == page.dimensions
    assert len({real.displayName for page in book for real in page.tables.values()}) == len(tables)
    assert path.read_bytes() == write_month_workbook(view(CAR), plan, told, tmp_path).read_bytes()


def test_forecasts_tell_what_the_vehicles_tell() -> None:
    (table,) = (
        one for one in month_tables_of(view(CAR), plan_view(example(), None), signals()) if one.name == "forecasts"
    )
    assert column(table, "part") == ["injector 3", "pump"]
    assert column(table, "level now") == [27.13, None]
    assert column(table, "rate") == [0.5123, 0.5123]
    assert column(table, "passes, middle") == [date(2027, 3, 9)] * 2
    assert column(table, "past it now") == [12.5, None]
    assert column(table, "past it within 90 days") == [43.2, 43.2]
    assert column(table, "odometer, middle") == [215_300, 215_300]
    # what is not known is empty, not an empty text
    assert column(table, "next visit") == column(table, "note") == [None, None]


def test_signals_tell_cause_size_and_what_to_check() -> None:
    acknowledged = signal(key="77", vehicle=None, position=None, rig="R-lake", vehicles=4, kind="rig", open=False,
                          acknowledged="calibrated since", alternatives=[signal(kind="reading")])  # fmt: skip
    told = signals(signal(), acknowledged)
    (table,) = (one for one in month_tables_of(view(), plan_view(example(), None), told) if one.name == "signals")
    assert column(table, "where") == ["injector 3", "rig R-lake"]
    assert column(table, "open") == ["yes", "no"]
    assert column(table, "in percent") == [21.0, 21.0]
    assert column(table, "departs by, in sd") == [4.57, 4.57]
    assert column(table, "acknowledged") == [None, "calibrated since"]
    whats = [str(one) for one in column(table, "what")]
    assert "since some day between 1 May 2026 and 3 September 2026" in whats[0]
    assert str(column(table, "may also be")[1]).startswith("one reading of")
    assert all(str(one).endswith(".") for one in column(table, "check first"))


def test_hostile_text_is_text_in_every_sheet(tmp_path: Path) -> None:
    car = replace(CAR, vehicle=HOSTILE, states=(state(part=HOSTILE, cause=HOSTILE, protocol=HOSTILE),))
    told = signals(signal(vehicle=HOSTILE, telling=HOSTILE))
    path = write_month_workbook(view(car), plan_view(example(), None), told, tmp_path)
    cells = [cell for page in openpyxl.load_workbook(path) for row in page.iter_rows() for cell in row]
    assert sum(cell.value == HOSTILE for cell in cells) == 6
    assert not [cell for cell in cells if cell.data_type == "f" or cell.hyperlink]


def test_where_nothing_is_planned_the_workbook_opens_on_the_reason(tmp_path: Path) -> None:
    plan = plan_view(example(schedule=Infeasible(()), lines=(), visits=(), budgets=(), rivals=()), None)
    assert plan.no_plan
    path = write_month_workbook(view(CAR), PlanView(plan.as_of, plan.no_plan, plan.tables), signals(), tmp_path)
    book = openpyxl.load_workbook(path)
    assert book.active is not None
    assert book.active.title == "about"
    assert plan.no_plan[0] in {cell.value for row in book.active.iter_rows() for cell in row}


def pages(folder: Path, *cars: str) -> dict[str, str]:
    (folder / "vehicles").mkdir(parents=True)
    names = {car: f"vehicles/{car}.html" for car in cars}
    for name, heading in {"index.html": "First", "fleet.html": "Fleet", **{names[car]: car for car in cars}}.items():
        (folder / name).write_text(f"<!doctype html><title>t</title><h1>{heading}</h1>", "utf-8")
    return names


def test_a_pdf_holds_the_vehicles_that_call_for_hands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    need(find_library("pango-1.0"), "Pango")
    states = {"V1": "steady", "V2": "watch", "V3": None, "V4": "past limit", "V5": "book"}
    told = view(*(VehicleView(name, worst_state=word) for name, word in states.items()))
    names = pages(tmp_path, *states)
    made = write_month_pdf(told, tmp_path, names)
    assert isinstance(made, PdfMade)
    assert [heading for heading, _ in made.starts] == ["First", "Fleet", "V4", "V5"]
    assert (tmp_path / PDF).read_bytes() == made.content
    monkeypatch.setattr(month_files, "MOST_VEHICLES", 1)
    fewer = write_month_pdf(told, tmp_path, names)
    assert isinstance(fewer, PdfMade)
    assert [heading for heading, _ in fewer.starts] == ["First", "Fleet", "V4"]
    text = " ".join(sheet.extract_text() for sheet in PdfReader(io.BytesIO(fewer.content)).pages)
    assert "Of 2 vehicles past a limit, to be booked or with an open signal the 1 most urgent" in " ".join(text.split())


def test_without_a_pdf_an_older_one_does_not_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = pages(tmp_path, "V4")
    (tmp_path / PDF).write_bytes(b"of last time")
    monkeypatch.setattr(month_files, "make_pdf", lambda *told, **more: NoAnswer("Pango is missing"))
    assert write_month_pdf(view(VehicleView("V4", worst_state="book")), tmp_path, names) == NoAnswer("Pango is missing")
    assert not (tmp_path / PDF).exists()

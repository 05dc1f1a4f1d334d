"""Workbooks and CSV of a plan, read back by other programs; texts that a spreadsheet would run."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from python_calamine import CalamineWorkbook

from pipelines.steps.plan_files import csv_text, harmless, workbook, write_plan
from pipelines.steps.plan_view import plan_view
from pipelines.steps.view_table import Column, Table
from plan_example import AS_OF, example, line, parts_example, visit
from wearlab.errors import InputError, UnknownName
from wearlab.plan.schedule import Bite, Infeasible

#: what a spreadsheet would run, or what would break out of a cell, a line or a file
HOSTILE = (
    "=cmd|'/C calc'!A0",
    "+1+1",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "\n=1",
    "  =1",
    "＝1+1",
    '=HYPERLINK("https://example.org","x")',
)
PLAIN = (
    "00712",
    "1e5",
    "https://example.org",
    'a "quote", comma; semicolon',
    "two\nlines",
    "$x",
    "{=1}",
    "<b>&",
    "Čž 車",
)


def table(*texts: str) -> Table:
    return Table("plan", (Column("vehicle"), Column("cost", "money")), tuple((text, -1.5) for text in texts), True)


def read_csv(content: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode("utf-8"), newline="")))


def test_all_tables_are_read_back_from_the_workbook(tmp_path: Path) -> None:
    view = plan_view(example(), parts_example())
    path = tmp_path / "plan.xlsx"
    assert write_plan(view, path) == view.names
    book = openpyxl.load_workbook(path)
    assert tuple(book.sheetnames) == view.names
    for told in view.tables:
        page = book[told.name]
        found = [tuple(cell.value for cell in row) for row in page.iter_rows()]
        assert found[0] == tuple(column.title for column in told.columns)
        assert [tuple(v.date() if isinstance(v, datetime) else v for v in row) for row in found[1:]] == list(told.rows)
        assert page.freeze_panes == "B2"
        (real,) = page.tables.values()
        assert real.ref == real.autoFilter.ref == page.dimensions
        assert [column.name for column in real.tableColumns] == list(found[0])


def test_cells_are_dated_and_counted_as_their_column_says(tmp_path: Path) -> None:
    write_plan(plan_view(example(), None), tmp_path / "plan.xlsx")
    page = openpyxl.load_workbook(tmp_path / "plan.xlsx")["plan"]
    by_head = {cell.value: page.cell(2, cell.column) for cell in page[1]}
    assert by_head["day"].is_date
    assert by_head["day"].number_format == "yyyy-mm-dd"
    cost = by_head["cost: all work of the day, or the test [crowns]"]
    assert (cost.value, cost.number_format, cost.data_type) == (812.5, "#,##0.00", "n")
    assert by_head["vehicle"].number_format == "@"
    assert by_head["why now"].alignment.wrap_text


@pytest.mark.parametrize("text", [*HOSTILE, *PLAIN])
def test_no_text_is_a_formula_or_a_link_in_a_workbook(text: str) -> None:
    view = plan_view(example(), None)
    made = workbook(view, [table(text)])
    page = openpyxl.load_workbook(io.BytesIO(made))["plan"]
    cell = page["A2"]
    assert (cell.data_type, cell.hyperlink) == ("s", None)
    assert cell.value.replace("_x000D_", "\r") == text
    assert page["B2"].value == -1.5
    with ZipFile(io.BytesIO(made)) as parts:
        assert b"<f>" not in parts.read("xl/worksheets/sheet1.xml")
    assert CalamineWorkbook.from_filelike(io.BytesIO(made)).get_sheet_by_index(0).to_python()[1][0] == text


@pytest.mark.parametrize("text", HOSTILE)
def test_what_would_run_has_an_apostrophe_before_it_in_csv(text: str) -> None:
    (_, row) = read_csv(csv_text(table(text)))
    assert row == [f"'{text}", "-1.50"]


@pytest.mark.parametrize("text", PLAIN)
def test_what_runs_nowhere_is_written_as_it_is(text: str) -> None:
    (_, row) = read_csv(csv_text(table(text)))
    assert row[0] == text


@given(st.text(st.characters(exclude_categories=["Cs"])))
@settings(max_examples=200, deadline=None, derandomize=True)
def test_a_text_comes_back_and_never_begins_with_a_sign_that_runs(text: str) -> None:
    (_, row) = read_csv(csv_text(table(text)))
    assert row[0].removeprefix("'") == text.removeprefix("'")
    assert not row[0].lstrip(" \t\r\n").startswith(("=", "+", "-", "@"))
    assert harmless(harmless(text)) == harmless(text)


def test_a_csv_holds_one_table(tmp_path: Path) -> None:
    view = plan_view(example(), parts_example())
    assert write_plan(view, tmp_path / "plan.CSV") == ("plan",)
    content = (tmp_path / "plan.CSV").read_bytes()
    assert not content.startswith(b"\xef\xbb\xbf")
    head, first, *others = read_csv(content)
    row = dict(zip(head, first, strict=True))
    assert len(others) == 2
    assert (row["vehicle"], row["part"], row["day"], row["next visit"]) == (
        "V12", "injector 3", "2026-11-12", "2027-05-20",
    )  # fmt: skip
    assert row["past the limit if left [km]"] == "5230"
    assert row["chance past the limit by then [%]"] == "61.0"
    assert write_plan(view, tmp_path / "order.csv", "parts to order") == ("parts to order",)
    order = read_csv((tmp_path / "order.csv").read_bytes())
    assert [row[0] for row in order] == ["part number", "IV-20", "van, pump, no number"]
    assert order[2][order[0].index("order now")] == ""
    assert write_plan(view, tmp_path / "one.xlsx", "tests") == ("tests",)
    assert openpyxl.load_workbook(tmp_path / "one.xlsx").sheetnames == ["tests"]


def test_names_that_are_hostile_pass_through_every_table(tmp_path: Path) -> None:
    bad = "=1+1\nV,;$"
    plan = example(
        currency="=c\n", lines=(line(vehicle=bad),), visits=(visit(vehicle=bad, depot=bad),),
        missing=(bad,), left_out=((bad, bad),),
    )  # fmt: skip
    view = plan_view(plan, replace(parts_example(), missing=(bad,)))
    write_plan(view, tmp_path / "plan.xlsx")
    book = openpyxl.load_workbook(tmp_path / "plan.xlsx")
    assert all(cell.data_type != "f" for page in book for row in page.iter_rows() for cell in row)
    assert (book["plan"]["A2"].value, book["plan"]["B2"].value) == (bad, bad)
    for told in view.tables:
        for row in read_csv(csv_text(told)):
            assert not any(value.startswith(("=", "+", "@", "\t", "\r")) for value in row)


def test_the_same_view_gives_the_same_bytes(tmp_path: Path) -> None:
    view = plan_view(example(), parts_example())
    assert workbook(view, view.tables) == workbook(plan_view(example(), parts_example()), view.tables)
    assert csv_text(view.table("plan")) == csv_text(plan_view(example(), None).table("plan"))
    write_plan(view, tmp_path / "a.xlsx")
    made = openpyxl.load_workbook(tmp_path / "a.xlsx").properties
    assert (made.created, made.modified) == (datetime(2026, 10, 31), datetime(2026, 10, 31))


def test_an_empty_plan_has_its_heads(tmp_path: Path) -> None:
    view = plan_view(example(lines=(), visits=(), tests=(), budgets=(), rivals=(), failures=(), missing=()), None)
    write_plan(view, tmp_path / "plan.xlsx")
    page = openpyxl.load_workbook(tmp_path / "plan.xlsx")["plan"]
    assert page["A1"].value == "vehicle"
    assert len(page.tables) == 1
    assert page["A2"].value is None
    write_plan(view, tmp_path / "plan.csv")
    assert len(read_csv((tmp_path / "plan.csv").read_bytes())) == 1


def test_without_a_plan_the_workbook_opens_with_the_reason_and_no_csv_is_written(tmp_path: Path) -> None:
    no_plan = Infeasible((Bite("budget", True, 1250.0, "money", ("0",)),))
    view = plan_view(example(schedule=no_plan, lines=(), visits=(), budgets=(), rivals=()), parts_example())
    write_plan(view, tmp_path / "plan.xlsx")
    book: Any = openpyxl.load_workbook(tmp_path / "plan.xlsx")
    assert book.active.title == "about"
    assert "Without the monthly budget there is one" in " ".join(str(cell.value) for cell in book["about"]["B"])
    with pytest.raises(InputError, match=r"monthly budget.*Nothing was written"):
        write_plan(view, tmp_path / "plan.csv")
    assert not (tmp_path / "plan.csv").exists()
    assert write_plan(view, tmp_path / "order.csv", "parts to order") == ("parts to order",)


def test_what_cannot_be_written_is_said(tmp_path: Path) -> None:
    view = plan_view(example(), None)
    with pytest.raises(InputError, match=r"ends in \.xlsx or \.csv"):
        write_plan(view, tmp_path / "plan.ods")
    with pytest.raises(UnknownName, match='no table "orders"'):
        write_plan(view, tmp_path / "plan.csv", "orders")
    with pytest.raises(InputError, match="cannot be written"):
        write_plan(view, tmp_path / "none" / "plan.xlsx")


def test_long_and_odd_cells_are_held() -> None:
    view = plan_view(example(), None)
    odd = Table("plan", (Column("a"), Column("b", "date")), (("x" * 40_000, date(1850, 1, 2)), ("a\x00\ud800b", AS_OF)))
    page = openpyxl.load_workbook(io.BytesIO(workbook(view, [odd])))["plan"]
    assert page["A2"].value == "x" * 32_767
    assert (page["B2"].value, page["B3"].value) == ("1850-01-02", datetime(2026, 10, 31))
    assert "a" in page["A3"].value
    assert read_csv(csv_text(odd))[2][0] == "a\x00?b"

"""Workbooks: true rows, numbers as text, dates, merges, hidden sheets, errors, formulas."""

from __future__ import annotations

import datetime as dt
import math
import zipfile
from pathlib import Path

import openpyxl
import pytest
import xlsxwriter

from pipelines.sheets.files import read_file
from pipelines.sheets.read_workbook import number_text
from pipelines.sheets.scan import cell_name

ODS_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?><office:document-content '
    'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    'xmlns:style="urn:oasis:names:tc:opendocument:xmlns:style:1.0" '
    'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
    'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" '
    'xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0">'
    '<office:automatic-styles><style:style style:name="off" style:family="table">'
    '<style:table-properties table:display="false"/></style:style></office:automatic-styles>'
    "<office:body><office:spreadsheet>"
)


def write_ods(path: Path, tables: str) -> Path:
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr(
            "META-INF/manifest.xml",
            '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>',
        )
        archive.writestr(
            "content.xml",
            ODS_HEAD + tables + "</office:spreadsheet></office:body></office:document-content>",
            compress_type=zipfile.ZIP_DEFLATED,
        )
    return path


def test_a_sheet_as_workshops_keep_it(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "2025"
    sheet["A1"] = "Spring round"
    sheet.merge_cells("A1:D1")
    sheet["A3"], sheet["B3"], sheet["C3"] = "Vehicle", "Date", "Return flow"
    sheet.merge_cells("C3:D3")
    sheet["C4"], sheet["D4"] = "#1 ml", "#2 ml"
    sheet["A5"] = "Tanker 4"
    sheet.merge_cells("A5:A6")
    sheet["B5"], sheet["C5"], sheet["D5"] = dt.date(2025, 4, 7), 18, 17.5
    sheet["B6"], sheet["C6"], sheet["D6"] = 45810, "16,5", "—"
    sheet["A8"], sheet["C8"] = "Average", "=AVERAGE(C5:C6)"
    hidden = book.create_sheet("old")
    hidden["A1"] = "secret"
    hidden.sheet_state = "hidden"
    book.create_sheet("legend")["A2"] = "* foam"
    book.create_sheet("nothing")
    path = tmp_path / "round.xlsx"
    book.save(path)

    file = read_file(path)
    assert file.kind == "xlsx"
    assert [each.sheet for each in file.sheets] == ["2025", "legend"]
    assert file.notes == ('sheet "old" is hidden and was not read: unhide it in the workbook if its rows belong here',)
    first = file.sheets[0]
    assert first.rows == [
        ["Spring round"] * 4,
        ["", "", "", ""],
        ["Vehicle", "Date", "Return flow", "Return flow"],
        ["", "", "#1 ml", "#2 ml"],
        ["Tanker 4", "2025-04-07", "18", "17.5"],
        ["Tanker 4", "45810", "16,5", "—"],
        ["", "", "", ""],
        ["Average", "", "=AVERAGE(C5:C6)", ""],
    ]
    assert first.date_cells == {(4, 1)}
    assert set(first.merged) == {(0, 0, 0, 3), (2, 2, 2, 3), (4, 0, 5, 0)}
    assert first.notes[0].startswith("1 formula without a stored result (first C8)")
    assert file.sheets[1].rows == [[""], ["* foam"]]


def test_error_cells_dates_times_and_stored_formulas(tmp_path: Path) -> None:
    path = tmp_path / "kinds.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        day = book.add_format({"num_format": "dd/mm/yyyy"})
        clock = book.add_format({"num_format": "hh:mm"})
        lasting = book.add_format({"num_format": "[h]:mm:ss"})
        sheet.write_formula("B2", "=1/0", None, "#DIV/0!")
        sheet.write_formula("C2", "=1+1", None, 2)
        sheet.write_string("D2", "00712")
        sheet.write_boolean("E2", True)
        sheet.write_datetime("B3", dt.datetime(2025, 3, 4, 10, 30), day)
        sheet.write_number("C3", 0.25, clock)
        sheet.write_number("D3", 1.5, lasting)
        sheet.write_number("E3", 4294967295)
        sheet.write_formula("F4", "=NA()", None, "#N/A")
    sheet_read = read_file(path).sheets[0]
    assert sheet_read.rows[1][1:5] == ["#DIV/0!", "2", "00712", "TRUE"]
    assert sheet_read.rows[2][1:5] == ["2025-03-04T10:30:00", "06:00:00", "36:00:00", "4294967295"]
    # an error alone at the edge of the table is not lost
    assert sheet_read.rows[3][5] == "#N/A"
    assert sheet_read.date_cells == {(2, 1)}
    assert "2 cells with an error (first B2)" in sheet_read.notes[0]


def test_days_from_1904(tmp_path: Path) -> None:
    path = tmp_path / "old.xlsx"
    with xlsxwriter.Workbook(path, {"date_1904": True}) as book:
        sheet = book.add_worksheet()
        sheet.write_datetime("A1", dt.datetime(2025, 3, 4), book.add_format({"num_format": "yyyy-mm-dd"}))
        sheet.write_number("B1", 44348)
    read = read_file(path).sheets[0]
    assert read.rows == [["2025-03-04", "44348"]]
    assert read.from_1904
    assert read.notes == ("the workbook counts its days from 1904-01-01",)


def test_a_merged_date_is_a_date_in_every_cell(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet["A1"], sheet["B1"], sheet["B2"] = dt.date(2025, 3, 4), 1, 2
    sheet.merge_cells("A1:A2")
    book.save(tmp_path / "m.xlsx")
    read = read_file(tmp_path / "m.xlsx").sheets[0]
    assert read.rows == [["2025-03-04", "1"], ["2025-03-04", "2"]]
    assert read.date_cells == {(0, 0), (1, 0)}


def test_formatted_but_empty_cells_far_away_do_not_matter(tmp_path: Path) -> None:
    path = tmp_path / "far.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        sheet.write_number("A1", 5)
        sheet.write_blank("XFD1048576", None, book.add_format({"bold": True}))
    assert read_file(path).sheets[0].rows == [["5"]]


def test_macro_workbook_is_read_and_told(tmp_path: Path) -> None:
    plain = tmp_path / "a.xlsx"
    with xlsxwriter.Workbook(plain) as book:
        book.add_worksheet().write_string("A1", "x")
    with zipfile.ZipFile(plain, "a") as archive:
        archive.writestr("xl/vbaProject.bin", b"\xd0\xcf\x11\xe0 not looked into")
    file = read_file(plain)
    assert file.kind == "xlsm"
    assert file.notes == ("the workbook holds macros, which were not run",)


def test_ods_with_repeats_merges_errors_and_a_hidden_table(tmp_path: Path) -> None:
    path = write_ods(
        tmp_path / "a.ods",
        '<table:table table:name="T"><table:table-row table:number-rows-repeated="2">'
        '<table:table-cell table:number-columns-repeated="16384"/></table:table-row><table:table-row>'
        '<table:table-cell office:value-type="string" table:number-columns-spanned="2"><text:p>title</text:p>'
        "</table:table-cell><table:covered-table-cell/>"
        '<table:table-cell office:value-type="date" office:date-value="2025-03-04"><text:p>4.3.</text:p>'
        '</table:table-cell></table:table-row><table:table-row table:number-rows-repeated="2">'
        '<table:table-cell table:number-columns-repeated="2" office:value-type="float" office:value="12.50">'
        "<text:p>12,5</text:p></table:table-cell>"
        '<table:table-cell table:formula="of:=1/0" office:value-type="string" office:string-value="" '
        'calcext:value-type="error"><text:p>#DIV/0!</text:p></table:table-cell>'
        '<table:table-cell table:formula="of:=[.A1]"/></table:table-row>'
        '<table:table-row table:number-rows-repeated="1048571">'
        '<table:table-cell table:number-columns-repeated="16384"/></table:table-row></table:table>'
        '<table:table table:name="H" table:style-name="off"><table:table-row>'
        '<table:table-cell office:value-type="string"><text:p>x</text:p></table:table-cell>'
        "</table:table-row></table:table>",
    )
    file = read_file(path)
    assert file.kind == "ods"
    assert "hidden" in file.notes[0]
    sheet = file.sheets[0]
    assert sheet.rows == [
        ["", "", ""],
        ["", "", ""],
        ["title", "title", "2025-03-04"],
        ["12.5", "12.5", "#DIV/0!", "=[.A1]"],
        ["12.5", "12.5", "#DIV/0!", "=[.A1]"],
    ]
    assert sheet.date_cells == {(2, 2)}
    assert sheet.merged == ((2, 0, 2, 1),)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (45810.0, "45810"),
        (0.1 + 0.2, "0.3"),
        (16.399999999999999, "16.4"),
        (-3.0, "-3"),
        (1e-7, "1e-07"),
        (123456789.123, "123456789.123"),
        (999999999999999.0, "999999999999999"),
        (1e22, "1e+22"),
        (-0.0, "0"),
        (math.inf, "inf"),
    ],
)
def test_numbers_as_a_spreadsheet_shows_them(value: float, text: str) -> None:
    assert number_text(value) == text


@pytest.mark.parametrize(
    ("place", "name"), [((0, 0), "A1"), ((4, 25), "Z5"), ((0, 26), "AA1"), ((1048575, 16383), "XFD1048576")]
)
def test_cell_names(place: tuple[int, int], name: str) -> None:
    assert cell_name(*place) == name

"""The blank test sheet: the page has every field, the workbook loads back by the built-in layout."""

from __future__ import annotations

import datetime as dt
import tomllib
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

import openpyxl
import pytest

from pipelines.sheets.files import read_file
from pipelines.sheets.form import blank_form_html, form_columns, write_blank_form_xlsx
from pipelines.sheets.layout import built_in_layouts
from pipelines.sheets.match import find_layout
from wearlab.config import Family, Settings
from wearlab.errors import InputError, SheetError
from wearlab.limit_settings import Protocol
from wearlab.records import Driven, Measure

SETTINGS = Settings(
    name="Meadow & Sons <workshop>",
    families={"van": Family(cylinders=4), "truck": Family(cylinders=6)},
    protocols={
        "warm idle": Protocol(measure=Measure.RETURN_FLOW, driven=Driven.IDLE, duration_s=60),
        "closed volume": Protocol(measure=Measure.PUMP_PEAK, driven=Driven.CRANK, volume_ml=20),
    },
)


class _Words(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.cells = 0
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.cells += tag == "td"
        self.links += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_data(self, data: str) -> None:
        self.words.append(data.strip())


def _parsed(page: str) -> _Words:
    words = _Words()
    words.feed(page)
    return words


def test_the_page_has_every_field_and_the_table() -> None:
    page = _parsed(blank_form_html(SETTINGS, "M-017", repeats=3))
    text = " ".join(page.words)
    for label in (
        "Vehicle M-017",
        "Date",
        "Odometer",
        "Reason",
        "Complaint",
        "Fault codes",
        "Protocol",
        "Rail pressure",
        "Fuel temp.",
        "cranking speed",
        "Battery",
        "Supply pressure",
        "Duration",
        "Closed volume",
        "Peak (bar)",
        "Rise time (s)",
        "Held (bar)",
        "Cyl 6",
        "Repeat 3",
        "warm idle, closed volume",
        "Tube size",
    ):
        assert label in text
    assert "Cyl 7" not in text
    # three repeats of six cylinders, and of five pump values
    assert page.cells == 3 * 6 + 3 * 5
    assert page.links == []


def test_names_cannot_break_the_page() -> None:
    page = blank_form_html(SETTINGS, "<script>alert(1)</script>", 4)
    assert "<script>" not in page
    assert "Meadow &amp; Sons &lt;workshop&gt;" in page


def test_cautions_are_on_both_and_clear_nothing(tmp_path: Path) -> None:
    write_blank_form_xlsx(tmp_path / "form.xlsx", SETTINGS)
    guide = openpyxl.load_workbook(tmp_path / "form.xlsx")["How to fill"]
    sheet_text = " ".join(str(row[0]) for row in guide.iter_rows(values_only=True))
    for text in (blank_form_html(SETTINGS).replace("&#39;", "'"), sheet_text):
        for words in ("Local rules, the vehicle maker's instruction", "through skin", "ten minutes", "trim code"):
            assert words in text
        assert "safe to drive" not in text


@pytest.mark.parametrize(
    ("families", "expected"), [({}, 6), ({"van": Family(cylinders=4)}, 4), ({"big": Family(cylinders=12)}, 8)]
)
def test_cylinders_come_from_the_families(tmp_path: Path, families: dict[str, Family], expected: int) -> None:
    write_blank_form_xlsx(tmp_path / "form.xlsx", Settings(families=families))
    header = read_file(tmp_path / "form.xlsx").sheets[0].rows[0]
    found = [name for name in header if name.startswith("Cyl")]
    assert found == [f"Cyl {number} (ml)" for number in range(1, expected + 1)]


def test_a_filled_form_reads_back_under_the_built_in_layout(tmp_path: Path) -> None:
    path = tmp_path / "form.xlsx"
    write_blank_form_xlsx(path, SETTINGS, "00712", cylinders=8)
    book = openpyxl.load_workbook(path)
    sheet = book["Tests"]
    place = {cell.value: cell.column for cell in sheet[1]}
    flow = {
        "Test date": dt.date(2026, 3, 4),
        "Odometer (km)": 182450,
        "Reason": "planned",
        "Protocol": "warm idle",
        "Driven by": "idle",
        "Duration (s)": 60,
        "Rail pressure (bar)": 280,
        "Cyl 1 (ml)": 12.5,
        "Cyl 2 (ml)": ">120",
        "Injectors connected": "yes",
    }
    pump = {
        "Vehicle": "00712",
        "Test date": dt.date(2026, 3, 4),
        "Odometer (km)": 182450,
        "Driven by": "crank",
        "Protocol": "closed volume",
        "Pump peak (bar)": 1180,
        "Pump rise time (s)": 1.4,
        "Closed volume (ml)": 20,
        "Speed (rpm)": 210,
    }
    for row, values in ((2, flow), (3, pump)):
        for header, value in values.items():
            sheet.cell(row, place[header], value)
    book.save(path)

    file = read_file(path)
    assert file.notes == ()
    tests = next(each for each in file.sheets if each.sheet == "Tests")
    source = files("pipelines.sheets").joinpath("layouts/form.toml")
    layout = tomllib.loads(source.read_text(encoding="utf-8"))
    assert layout["file"]["sheet"] == "Tests"
    assert tests.rows[0] == [column["header"] for column in layout["columns"]]
    assert len(tests.rows) == 3
    match = find_layout(tests, built_in_layouts())
    assert match is not None
    assert match.layout.name == layout["name"]
    assert (match.header, match.first, match.unmapped) == (0, 1, ())
    assert len(match.columns) == len(layout["columns"])
    at = {column["header"]: index for index, column in enumerate(layout["columns"])}
    first, second = tests.rows[1], tests.rows[2]
    assert [first[at[name]] for name in ("Vehicle", "Test date", "Odometer (km)", "Duration (s)")] == [
        "00712",
        "2026-03-04",
        "182450",
        "60",
    ]
    assert [first[at["Cyl 1 (ml)"]], first[at["Cyl 2 (ml)"]], first[at["Cyl 3 (ml)"]]] == ["12.5", ">120", ""]
    assert (1, at["Test date"]) in tests.date_cells
    assert [second[at["Pump peak (bar)"]], second[at["Pump rise time (s)"]]] == ["1180", "1.4"]


def test_the_needed_columns_are_in_the_smallest_form(tmp_path: Path) -> None:
    write_blank_form_xlsx(tmp_path / "one.xlsx", Settings(), cylinders=1)
    header = set(read_file(tmp_path / "one.xlsx").sheets[0].rows[0])
    assert {column.header for column in form_columns() if not column.optional} <= header
    sheet = read_file(tmp_path / "one.xlsx").sheets[0]
    assert find_layout(sheet, built_in_layouts()) is not None


def test_choices_are_offered_and_identifiers_are_text(tmp_path: Path) -> None:
    write_blank_form_xlsx(tmp_path / "form.xlsx", SETTINGS)
    book = openpyxl.load_workbook(tmp_path / "form.xlsx")
    sheet = book["Tests"]
    lists = {rule.formula1 for rule in sheet.data_validations.dataValidation}
    assert "'How to fill'!$D$2:$D$3" in lists
    guide = book["How to fill"]
    assert [guide["D2"].value, guide["D3"].value] == ["warm idle", "closed volume"]
    assert '"crank,idle,raised,bench"' in lists
    assert sheet.column_dimensions["A"].width > 10


def test_refusals(tmp_path: Path) -> None:
    path = tmp_path / "form.xlsx"
    with pytest.raises(InputError, match="1 to 8 cylinders"):
        write_blank_form_xlsx(path, SETTINGS, cylinders=9)
    with pytest.raises(InputError, match="rows cannot be prepared"):
        write_blank_form_xlsx(path, SETTINGS, rows=0)
    with pytest.raises(InputError, match="25 cylinders"):
        blank_form_html(SETTINGS, cylinders=25)
    with pytest.raises(InputError, match="5 repeats"):
        blank_form_html(SETTINGS, repeats=5)
    with pytest.raises(SheetError, match="cannot be written"):
        write_blank_form_xlsx(tmp_path / "no" / "form.xlsx", SETTINGS)
    path.write_text("filled by hand")
    with pytest.raises(SheetError, match="never overwritten"):
        write_blank_form_xlsx(path, SETTINGS)
    assert path.read_text() == "filled by hand"

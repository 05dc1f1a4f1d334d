"""The pack in another language: no English sentence of the catalogue is left on its pages or in its workbook."""

from __future__ import annotations

import re
import shutil
from datetime import date
from html import unescape
from pathlib import Path

import pytest
from babel.messages.pofile import read_po
from openpyxl import load_workbook

from page_reader import Page
from pipelines.steps import month
from pipelines.workspace import open_workspace
from wearlab.language import speaking
from wearlab.records import NoAnswer

ROOT = Path(__file__).parents[3]
DAY = date(2026, 10, 31)
#: so many letters of a message beside each other are no chance
LONG = 14


@pytest.fixture(scope="module")
def home(demo_home: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    copy = tmp_path_factory.mktemp("deutsch") / "fuhrpark"
    shutil.copytree(demo_home, copy)
    shutil.rmtree(copy / "reports")
    with pytest.MonkeyPatch.context() as patch, speaking("de"):
        # the same pages make the PDF: they are looked at here
        patch.setattr(month, "write_month_pdf", lambda *_: NoAnswer("not asked for"))
        month.write_month(open_workspace(copy), "2026-10", DAY)
    return copy


@pytest.fixture(scope="module")
def english(home: Path) -> list[re.Pattern[str]]:
    """Messages as patterns that differ in German; without those that the run stored, which stay in its language."""
    with (ROOT / "wearlab/words/de.po").open("rb") as file:
        catalogue = read_po(file, locale="de")
    stored = _stored(home)
    found = []
    for message in catalogue:
        forms = message.id if isinstance(message.id, (list, tuple)) else [message.id]
        told = message.string if isinstance(message.string, (list, tuple)) else [message.string]
        for form in forms:
            pieces = [piece for piece in re.split(r"\{[^}]*\}|<[^>]*>", form) if piece.strip()]
            if form in told or max(map(len, pieces), default=0) < LONG:
                continue
            pattern = re.compile(r"\b" + r".{1,60}?".join(map(re.escape, pieces)), re.DOTALL)
            if not pattern.search(stored):
                found.append(pattern)
    return found


def _stored(home: Path) -> str:
    with open_workspace(home).open(read_only=True) as db:
        columns = db.rows(
            "SELECT table_name, column_name, data_type FROM information_schema.columns WHERE data_type LIKE 'VARCHAR%' "
            "AND table_name NOT IN ('raw_row', 'raw_sheet', 'reading', 'row_print', 'touched')"
        )
        texts: set[str] = set()
        for table, column, kind in columns:
            told = f'unnest("{column}")' if kind.endswith("[]") else f'"{column}"'
            rows = db.rows(f'SELECT DISTINCT {told} FROM "{table}" WHERE "{column}" IS NOT NULL')  # noqa: S608
            texts |= {str(text) for (text,) in rows}
    return "\n".join(sorted(texts))


def _left(text: str, english: list[re.Pattern[str]]) -> set[str]:
    return {pattern.pattern for pattern in english if pattern.search(text)}


def test_the_patterns_find_english(demo_home: Path, english: list[re.Pattern[str]]) -> None:
    page = Page((demo_home / "reports/2026-10/index.html").read_text("utf-8"))
    assert len(_left(page.words, english)) > 20


def test_pages_say_nothing_in_english(home: Path, english: list[re.Pattern[str]]) -> None:
    pages = sorted((home / "reports/2026-10").rglob("*.html"))
    assert len(pages) > 20
    left: dict[str, str] = {}
    for path in pages:
        text = path.read_text("utf-8")
        assert '<html lang="de">' in text
        told = (
            Page(text).words
            + " "
            + " ".join(unescape(one) for one in re.findall(r'(?:aria-label|title|alt)="([^"]+)"', text))
        )
        left |= dict.fromkeys(_left(told, english), path.name)
    assert not left


def test_dates_and_decimals_are_german(home: Path) -> None:
    text = Page((home / "reports/2026-10/index.html").read_text("utf-8")).words
    assert re.search(r"\b\d{1,2}\. (Oktober|November|Dezember) 2026\b", text)
    assert re.search(r"\d,\d", text)
    assert not re.search(r"\b\d+\.\d(?!\d\d)\b(?!\.)", re.sub(r"\b\d{1,2}\.\d{1,2}\.", "", text))
    assert not re.search(r"\b(January|March|May|October|December)\b", text)


def test_the_workbook_has_german_heads_and_numbers_of_a_number(home: Path, english: list[re.Pattern[str]]) -> None:
    book = load_workbook(home / "reports/2026-10/pack.xlsx")
    assert "Hinweise" in book.sheetnames
    heads = " | ".join(str(cell.value) for sheet in book for cell in next(sheet.iter_rows(max_row=1)))
    assert not _left(heads, english)
    assert any(
        isinstance(cell.value, float) for row in book["Prognosen"].iter_rows(min_row=2, max_row=20) for cell in row
    )

"""Inputs that fuzzing found, each cut down to the smallest that shows what went wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from fuzz.containers import XLSX, packed
from hostile import answered, quick
from pipelines.sheets import read_workbook
from pipelines.sheets.aside_file import read_choices
from pipelines.sheets.layout import parse_layout
from pipelines.sheets.values import Status, Style, read_number
from wearlab.errors import LONGEST, SheetError, one_line

#: One column of which the file says that no value is missing; the first one is. The library believes the file where it
#: asks for missing values, and hands one out all the same.
_DENIED = bytes.fromhex(
    "504152311500156215622c1506150015061506000021000000410600000000000000000000000000000000000000000000000000"
    "0000000000000200000078310200000078321502192c3500180d6475636b64625f736368656d61150200150c2502180161250000"
    "1606191c191c26001c150c191500191801611500160616840116840126083c180278321802783116002802783218027831111100"
    "191c150015001502000000168401160626081684010028284475636b44422076657273696f6e2076322e302e3120286275696c64"
    "203864373831313465393029191c1c0000009c00000050415231"
)


def test_a_missing_value_that_the_file_denies_is_a_blank_cell(tmp_path: Path) -> None:
    (raw,) = answered(tmp_path / "a.parquet", _DENIED)
    assert raw.sheets[0].rows == [["a"], [""], ["x1"], ["x2"]]


def test_a_text_of_nothing_but_a_quote(tmp_path: Path) -> None:
    """Its one row was taken for the end of the file and lost."""
    assert answered(tmp_path / "a.csv", b'"') == []
    (raw,) = answered(tmp_path / "b.csv", b'""')
    assert raw.sheets[0].rows == [[""]]


@pytest.mark.parametrize("sign", ["\x07", "\x1b[2J", "\u202e", "\u2028"])
def test_a_list_whose_id_does_not_print(tmp_path: Path, bench: Any, sign: str) -> None:
    from pipelines.sheets.choices import check_choices

    path = tmp_path / "list.csv"
    path.write_text(f"id,decision,value,why\n{sign}1b91,accept,,\n" + "," * 80 + "\n", encoding="utf-8")
    fault = quick(lambda: check_choices(bench.db, bench.settings, [], read_choices(path)))
    assert "nothing has the id" in str(fault)


def test_a_layout_with_a_field_that_does_not_print() -> None:
    text = b'name = "a"\nkind = "tests"\n[[columns]]\nheader = "d"\nfield = "durati\\u0000on"\n'
    assert "is no field of a sheet of tests" in str(quick(lambda: parse_layout(text, "a.toml")))


def test_a_header_that_does_not_print_is_told_without_it(bench: Any) -> None:
    text = "Vehicle;Plate;Family;\x06Depot;In service\nM 7;AB 1;van;north;2020-01-01\nM 8;AB 2;van;north;2020-01-01\n"
    account = bench.one("register.csv", text)
    assert account.status == "loaded", account.sentence
    assert any("Depot" in line for line in account.proposed)
    assert all(line.isprintable() for line in account.proposed)


@pytest.mark.parametrize("text", ["1e999", "-1e400", "1e" + "9" * 5000])
@pytest.mark.parametrize("typed", [True, False])
def test_an_exponent_that_no_number_has(text: str, typed: bool) -> None:
    assert read_number(text, Style(workbook=True, typed=typed)).status == Status.UNREADABLE


def test_a_panic_of_the_library_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a library of another language raises when it gives up is no `Exception`."""

    class PanicException(BaseException):
        pass

    class Book:
        @staticmethod
        def from_filelike(_: object) -> object:
            raise PanicException("index out of bounds")

    monkeypatch.setattr(read_workbook, "CalamineWorkbook", Book)
    assert answered(tmp_path / "a.xlsx", packed(XLSX, b"")) == []

    def leave(_: object) -> object:
        raise KeyboardInterrupt

    monkeypatch.setattr(Book, "from_filelike", staticmethod(leave))
    with pytest.raises(KeyboardInterrupt):
        read_workbook.read_workbook("a.xlsx", packed(XLSX, b""))


def test_sentences_are_one_line_of_a_bearable_length() -> None:
    fault = SheetError("a\nb\x1b[2J\ud800" + "x" * 9000 + " export it again")
    assert str(fault).startswith("a b?[2J?xxx")
    assert str(fault).endswith("xxx export it again")
    assert len(str(fault)) == LONGEST
    assert one_line("a plain text") == "a plain text"
    assert one_line("no\u00a0break") == "no break"


def test_notes_on_sheets_whose_names_do_not_print(tmp_path: Path) -> None:
    name = "hid&#x202E;den"
    book = XLSX["xl/workbook.xml"].replace(
        "<sheets>", f'<sheets><sheet name="{name}" sheetId="2" state="hidden" r:id="rId9"/>'
    )
    relations = XLSX["xl/_rels/workbook.xml.rels"]
    one = relations[relations.index("<Relationship ") : relations.index("/>") + 2]
    relations = relations.replace(one, one + one.replace("rId1", "rId9").replace("sheet1.xml", "sheet1.xml"))
    given = {"xl/workbook.xml": book.encode(), "xl/_rels/workbook.xml.rels": relations.encode()}
    (raw,) = answered(tmp_path / "a.xlsx", packed(XLSX, b"", given))
    assert 'sheet "hid?den" is hidden' in raw.notes[0]

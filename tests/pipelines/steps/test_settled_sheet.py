"""The list of what was set aside, filled in as a sheet and read again, whatever it is given."""

from __future__ import annotations

import csv
from pathlib import Path

import openpyxl
import pytest

from garage import HEAD, Garage, values
from pipelines.sheets.aside import question_items, remark_items
from pipelines.sheets.aside_file import COLUMNS, read_choices, write_items
from pipelines.sheets.journal import read_journal
from wearlab.errors import WearlabError


def filled(path: Path, decide: dict[str, tuple[str, str, str]]) -> None:
    """Fill decision, value and why of a written list, by the beginning of the reason."""
    if path.suffix == ".csv":
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file))
        for row in rows[1:]:
            row[8:11] = decide.get(row[0], ("", "", ""))
        with path.open("w", encoding="utf-8-sig", newline="") as file:
            csv.writer(file, delimiter=";").writerows(rows)  # as a spreadsheet of many countries saves it
        return
    book = openpyxl.load_workbook(path)
    sheet = book.active
    assert sheet is not None
    for row in sheet.iter_rows(min_row=2):
        for cell, text in zip(row[8:11], decide.get(str(row[0].value), ("", "", "")), strict=True):
            cell.value = text or None
    book.save(path)


@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
def test_an_edited_list_settles(garage: Garage, suffix: str) -> None:
    path = garage.home / f"aside{suffix}"
    items = garage.items()
    write_items(path, items)
    date_item, cell, alias = garage.item("impossible_date"), garage.item("unreadable"), garage.item("alias")
    filled(
        path,
        {
            date_item.item_id: ("value", "2025-04-30", "Müller says so"),
            cell.item_id: ("Drop", "", "spilt"),
            alias.item_id: ("", "yes", ""),
        },
    )
    choices = read_choices(path)
    assert len(choices) == 3
    settled, _ = garage.settle(*choices)
    assert (settled.answers, settled.decisions) == (1, 2)
    assert len(values(garage, "2025-04-30")) == 2
    assert {one for (one,) in garage.ask(lambda db: db.rows("SELECT DISTINCT vehicle FROM test"))} == {"B22", "V007"}
    assert garage.ask(lambda db: db.value("SELECT reason FROM decision WHERE decision = 'value'")) == "Müller says so"
    with pytest.raises(WearlabError, match="is there already"):
        write_items(path, items)


def test_texts_of_foreign_sheets_are_no_formulas_in_the_list(garage: Garage) -> None:
    garage.write("evil.csv", f"{HEAD}\n=HYPERLINK(1);01.03.2025;1;idle;=cmd|x;@SUM(1);=1+1\n")
    garage.load("evil.csv")
    items = garage.ask(remark_items)
    assert "=cmd|x" in {item.cell for item in items}
    write_items(garage.home / "a.csv", items)
    with (garage.home / "a.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.reader(file))
    assert tuple(rows[0]) == COLUMNS
    assert "'=cmd|x" in {row[5] for row in rows}
    assert not [cell for row in rows for cell in row if cell.startswith(("=", "+", "-", "@"))]
    write_items(garage.home / "a.xlsx", items)
    sheet = openpyxl.load_workbook(garage.home / "a.xlsx").active
    assert sheet is not None
    assert {cell.data_type for row in sheet.iter_rows() for cell in row if cell.value is not None} == {"s"}


ID = "0123456789abcdef"
HEADER = ",".join(COLUMNS)


def answer_sheet(*rows: str) -> str:
    return "\n".join([HEADER, *rows]) + "\n"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (answer_sheet(f"{ID},,,,,,,,drop,,"), "nothing has the id"),
        (answer_sheet("{unreadable},,,,,,,,drop,,", "{unreadable},,,,,,,,accept,,"), "settled twice"),
        (answer_sheet("{unreadable},,,,,,,,value,=1+1,"), "is a formula"),
        (answer_sheet("{unreadable},,,,,,,,value,\"=cmd|' /C calc'!A0\","), "is a formula"),
        (answer_sheet("{unreadable},,,,,,,,value,-2+3+cmd|x,"), "is a formula"),
        (answer_sheet("{unreadable},,,,,,,,drop,,@SUM(A1)"), "is a formula"),
        (answer_sheet("{unreadable},,,,,,,,delete,,"), "is no decision"),
        (answer_sheet("{unreadable},,,,,,,,value,,"), "needs a value"),
        (answer_sheet("{unreadable},,,,,,,,drop,12,"), "keep one of the two"),
        (answer_sheet("{unreadable},,,,,,,,accept,,"), "cannot be accepted"),
        (answer_sheet("{unreadable},,,,,,,,value,twelve,"), "does not settle"),
        (answer_sheet("{impossible_date},,,,,,,,value,2025-02-30,"), "does not settle"),
        (answer_sheet("{duplicate},,,,,,,,value,12,"), "takes no value"),
        (answer_sheet("{alias},,,,,,,,answer,X99,"), "does not answer"),
        (answer_sheet("{protocol},,,,,,,,answer,quickly,"), "give crank, idle, raised or bench"),
        (answer_sheet(",,,,,,,,drop,,"), "has no id"),
        (answer_sheet("{unreadable},,,,,,,,,,"), "decides nothing"),
        ("id,what,decision,value\n{unreadable},,drop,\n", 'no column "why"'),
        ("id,id,decision,value,why\n{unreadable},,drop,,\n", 'more than one column "id"'),
        ("id,decision,value,why,mood\n{unreadable},drop,,,fine\n", 'unknown column "mood"'),
        ("van;day\n1;2\n", 'no column "id"'),
        ("", "empty"),
        ("\n\n\n", "empty"),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), "picture"),
        (b"PK\x03\x04" + b"\0" * 60, "aside.csv"),
        (b"\xff\xfe" + "{}\n".format("\u0000").encode("utf-16-le"), "aside.csv"),
        (HEADER.encode() + b"\n{unreadable},,,,,,,,value,\x81\x8d\xff,\n", "aside.csv"),
        (bytes(range(128, 256)) * 20, "aside.csv"),
    ],
)  # fmt: skip
def test_a_hostile_list_gets_one_sentence_and_changes_nothing(garage: Garage, content: str | bytes, words: str) -> None:
    before = garage.whole(every=True)
    ids = {
        code: next(item.item_id for item in garage.items() if item.code == code)
        for code in ("unreadable", "impossible_date", "duplicate", "alias", "protocol")
    }
    raw = content.encode() if isinstance(content, str) else content
    for code, number in ids.items():
        raw = raw.replace(f"{{{code}}}".encode(), number.encode())
    path = garage.home / "aside.csv"
    path.write_bytes(raw)
    with pytest.raises(WearlabError) as caught:
        garage.settle(*read_choices(path))
    sentence = str(caught.value)
    assert words in sentence
    assert "\n" not in sentence
    assert len(sentence) < 500
    assert garage.whole(every=True) == before
    assert not [entry for entry in read_journal(garage.home) if entry.undone is None]


def test_question_items_are_told_once_with_all_their_files(garage: Garage) -> None:
    garage.write("third.csv", f"{HEAD}\nB22;01.12.2025;15000;;14;14,5;\n")
    garage.load("third.csv")
    (question,) = [item for item in garage.ask(question_items) if item.code == "protocol"]
    assert question.file == "first.csv, third.csv"
    assert question.readings == 4

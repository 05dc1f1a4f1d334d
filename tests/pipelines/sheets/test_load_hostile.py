"""A folder with files that never heard of us: one sentence each, and the one good sheet among them is loaded."""

from __future__ import annotations

import io
import random
import time
import tracemalloc
import zipfile
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from pipelines.sheets.files import find_files

LAYOUT = """
name = "long"
kind = "tests"
[defaults]
measure = "return_flow"
driven = "idle"
duration = "60 s"
unit = "ml"
"""
COLUMNS = """
van | vehicle
day | date
cyl | position
ml | value
note | note
"""
HEADER = "van,day,cyl,ml,note\n"


def _workbook(more: dict[str, bytes], prologue: bytes = b"") -> bytes:
    plain, out = io.BytesIO(), io.BytesIO()
    book = openpyxl.Workbook()
    for row in (["van", "day", "cyl", "ml", "note"], ["E1", "2025-02-01", 1, 12.5, "x"]):
        book.active.append(row)
    book.save(plain)
    with zipfile.ZipFile(plain) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            if prologue and name == "xl/workbook.xml":
                content = (
                    prologue + content[content.index(b"?>") + 2 :]
                    if content.startswith(b"<?xml")
                    else (prologue + content)
                )
            new.writestr(name, content)
        for name, content in more.items():
            new.writestr(name, content)
    return out.getvalue()


def _zip(members: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


GOOD = (HEADER + "E1,2025-02-01,1,12.5,fine\n").encode()
FOLDER = {
    "picture.csv": b"\x89PNG\r\n\x1a\n" + random.Random(1).randbytes(2000),
    "random.csv": random.Random(2).randbytes(50_000),
    "random.txt": bytes(random.Random(3).choices(range(32, 127), k=30_000)),
    "line.csv": b"x," * 4_000_000,
    "bomb.xlsx": _workbook({"xl/worksheets/sheet2.xml": bytes(50_000_000)}),
    "bomb.zip": _zip({"a.csv": GOOD, "b.csv": b"1" * 50_000_000}),
    "climb.zip": _zip({"../../climbed.csv": GOOD}),
    "climb.xlsx": _workbook({"../climbed.xml": b"<a/>"}),
    "link.xlsx": _workbook({"xl/externalLinks/externalLink1.xml": b"<externalLink/>"}),
    "entity.xlsx": _workbook({}, b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]>'),
    "broken.parquet": b"PAR1" + random.Random(4).randbytes(3000) + b"PAR1",
    "nested.jsonl": b'{"van": "E1", "ml": {"value": 3}}\n',
    "quote.csv": HEADER.encode() + b'E1,2025-02-01,1,"12.5,fine\n' * 3,
    "page.csv": b"<!DOCTYPE html><html><table><tr><td>van</td></tr></table></html>",
    "empty.csv": b"",
}


def test_every_hostile_file_of_a_folder_answers_with_one_sentence(bench: Any, columns: Any, tmp_path: Path) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    folder = tmp_path / "in"
    folder.mkdir()
    for name, content in FOLDER.items():
        (folder / name).write_bytes(content)
    empty = bench.everything()
    started = time.monotonic()
    tracemalloc.start()
    accounts = bench.load(*find_files([folder]), roots=[folder])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert time.monotonic() - started < 20
    assert peak < 120_000_000
    assert {one.file for one in accounts} == set(FOLDER)
    for account in accounts:
        assert account.status == "refused", account
        assert account.sentence
        assert "\n" not in account.sentence
        assert "Traceback" not in account.sentence
    after = bench.everything()
    assert {table: rows for table, rows in after.items() if table != "question"} == {
        table: rows for table, rows in empty.items() if table != "question"
    }
    assert not list(tmp_path.parent.glob("**/climbed*"))
    (folder / "good.csv").write_bytes(GOOD)
    again = bench.load(*find_files([folder]), roots=[folder])
    assert [one.file for one in again if one.status == "loaded"] == ["good.csv"]


@pytest.mark.parametrize("text", ["=cmd|' /C calc'!A0", "=1+1", '=HYPERLINK("http://x.example")', "@SUM(1)", "+1+1"])
def test_text_that_looks_like_a_formula_stays_text(bench: Any, columns: Any, text: str) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    quoted = '"' + text.replace('"', '""') + '"'
    bench.one("a.csv", f"{HEADER}E1,2025-02-01,1,12.5,{quoted}\nE1,2025-02-01,2,{quoted},\n")
    assert bench.db.value("SELECT note FROM test") == text
    assert bench.db.value("SELECT cells[5] FROM raw_row WHERE row_no = 2") == text
    # as a value it is no number: that cell is set aside, verbatim
    assert bench.readings(3) == []
    assert bench.db.value("SELECT cells[4] FROM raw_row WHERE row_no = 3") == text
    assert bench.db.value("SELECT cell FROM remark WHERE row_no = 3") == text


def test_a_formula_of_a_workbook_is_never_worked_out(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    book = openpyxl.Workbook()
    for row in (["van", "day", "cyl", "ml", "note"], ["E1", "2025-02-01", 1, "=10+2", "=cmd|' /C calc'!A0"]):
        book.active.append(row)
    book.save(bench.folder / "a.xlsx")
    (account,) = bench.load(bench.folder / "a.xlsx")
    assert (account.readings, account.set_aside) == (0, 1)
    assert "formula" in str(account.sentence)
    assert bench.db.value("SELECT cells[4] FROM raw_row WHERE row_no = 2") == "=10+2"


def test_a_line_of_nearly_two_gigabytes(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    path = bench.folder / "line.csv"
    with path.open("wb") as stream:
        stream.write(HEADER.encode() + b"E1;" * 2_000_000)
        stream.truncate(1_950_000_000)  # the rest is a hole that takes no room on the disk
    tracemalloc.start()
    (account,) = bench.load(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert account.status == "refused"
    assert "1 MB" in str(account.sentence)
    assert peak < 60_000_000


def test_random_texts_change_nothing(bench: Any, columns: Any) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    dice = random.Random(8)
    signs = "abcEé;,\t|\"'\n\r 0123456789.-=<>\u00a0\ufeffß"
    for number in range(60):
        text = "".join(dice.choices(signs, k=dice.randint(1, 400)))
        (account,) = bench.load(bench.write(f"{number}.csv", text))
        assert account.status == "refused", text
        assert "\n" not in str(account.sentence)
    assert bench.db.value("SELECT count(*) FROM source_file") == 0
    assert bench.db.value("SELECT count(*) FROM raw_row") == 0

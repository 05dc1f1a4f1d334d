"""Files that never were a sheet, or that mean harm: one sentence, little memory, nothing read."""

from __future__ import annotations

import io
import random
import struct
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

from pipelines.sheets.files import read_file
from wearlab.errors import SheetError


def _refused(path: Path, sentence: str, most_memory: int = 80_000_000) -> None:
    tracemalloc.start()
    try:
        with pytest.raises(SheetError, match=sentence) as caught:
            read_file(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    told = str(caught.value)
    assert path.name in told
    assert "\n" not in told
    assert peak < most_memory


def _workbook() -> bytes:
    book = openpyxl.Workbook()
    book.active["A1"] = "vehicle"
    book.active["A2"] = 12.5
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _changed(change: Callable[[str, bytes], bytes | None], more: dict[str, bytes] | None = None) -> bytes:
    """Return a small workbook whose parts went through `change`, with `more` parts added."""
    out = io.BytesIO()
    old = zipfile.ZipFile(io.BytesIO(_workbook()))
    with old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for info in old.infolist():
            content = change(info.filename, old.read(info))
            if content is not None:
                new.writestr(info.filename, content)
        for name, content in (more or {}).items():
            new.writestr(name, content)
    return out.getvalue()


def _same(_: str, content: bytes) -> bytes:
    return content


def _page(xml: bytes) -> bytes:
    def change(name: str, content: bytes) -> bytes:
        return xml if name == "xl/worksheets/sheet1.xml" else content

    return _changed(change)


_MAIN = b'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"\x89PNG\r\n\x1a\n" + bytes(50), r"is a picture \(PNG\)"),
        (b"\xff\xd8\xff\xe0" + bytes(50), r"is a picture \(JPEG\)"),
        (b"BM" + struct.pack("<IHHI", 90, 0, 0, 54) + bytes(76), r"is a picture \(BMP\)"),
        (b"%PDF-1.7\n%abc\n", "is a PDF document"),
        (b"\x1f\x8b\x08" + bytes(20), "packed file"),
        (b"PAR1" + bytes(20), "Parquet"),
        (b"<html><body><table><tr><td>1</td></tr></table>", "web page"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "old binary office format"),
        (
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600) + "EncryptedPackage".encode("utf-16-le"),
            "is encrypted",
        ),
        (random.Random(5).randbytes(5000), "NUL bytes"),
        (b"PK\x05\x06" + bytes(18), "empty or split zip"),
        (b"PK\x03\x04" + bytes(60), "damaged zip or workbook"),
        (_workbook()[:-40], "damaged zip or workbook"),
    ],
)
def test_foreign_content_under_a_sheet_name(tmp_path: Path, content: bytes, sentence: str) -> None:
    path = tmp_path / "sheet.csv"
    path.write_bytes(content)
    _refused(path, sentence)


def test_text_that_only_begins_like_a_picture_is_read(tmp_path: Path) -> None:
    path = tmp_path / "bm.csv"
    path.write_bytes(b"BM number;ml\nBM1;12\n")
    assert read_file(path).sheets[0].rows[1] == ["BM1", "12"]


def test_a_workbook_under_another_name_is_read(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_bytes(_workbook())
    file = read_file(path)
    assert file.kind == "xlsx"
    assert file.sheets[0].rows == [["vehicle"], ["12.5"]]


def test_endless_line_is_refused_before_the_file_is_in_memory(tmp_path: Path) -> None:
    path = tmp_path / "line.csv"
    with path.open("wb") as stream:
        stream.write(b"x;" * 3_000_000)
        stream.truncate(1_900_000_000)
    _refused(path, "line of more than 1 MB", 20_000_000)


def test_too_large_a_file(tmp_path: Path) -> None:
    path = tmp_path / "large.csv"
    with path.open("wb") as stream:
        stream.truncate(2_000_000_001)
    _refused(path, "more than the 2 GB that are read", 2_000_000)


def test_zip_bomb(tmp_path: Path) -> None:
    path = tmp_path / "bomb.xlsx"
    path.write_bytes(_changed(_same, {"xl/worksheets/sheet2.xml": bytes(60_000_000)}))
    _refused(path, "would unpack to 60 MB")


def test_bomb_that_lies_about_its_size(tmp_path: Path) -> None:
    # the directory claims 1,000 bytes for a part that inflates to 30 MB
    data = bytearray(_page(b"<worksheet/>" + b" " * 30_000_000))
    real, claimed = struct.pack("<I", 30_000_012), struct.pack("<I", 1000)
    assert data.count(real) >= 1
    path = tmp_path / "liar.xlsx"
    path.write_bytes(bytes(data).replace(real, claimed))
    _refused(path, "is damaged", 20_000_000)


@pytest.mark.parametrize(
    "part",
    ["xl/worksheets/sheet1.xml", "xl/workbook.xml", "xl/styles.xml", "docProps/core.xml", "_rels/.rels"],
)
def test_document_types_and_entities(tmp_path: Path, part: str) -> None:
    def change(name: str, content: bytes) -> bytes:
        if name != part:
            return content
        if content.startswith(b"<?xml"):
            content = content[content.index(b"?>") + 2 :]
        return b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>' + content

    path = tmp_path / "entity.xlsx"
    path.write_bytes(_changed(change))
    _refused(path, f'declares a document type or entity in its part "{part}"')


def test_links_to_other_files(tmp_path: Path) -> None:
    path = tmp_path / "link.xlsx"
    path.write_bytes(_changed(_same, {"xl/externalLinks/externalLink1.xml": b"<externalLink/>"}))
    _refused(path, "takes values from other files")


def test_a_part_that_climbs_out(tmp_path: Path) -> None:
    path = tmp_path / "climb.xlsx"
    path.write_bytes(_changed(_same, {"../../evil.xml": b"<a/>"}))
    _refused(path, "climbs out of its folder")
    assert not (tmp_path.parent.parent / "evil.xml").exists()


def test_a_part_twice(tmp_path: Path) -> None:
    path = tmp_path / "twice.xlsx"
    path.write_bytes(_changed(_same, {"XL/workbook.xml": b"<a/>"}))
    _refused(path, "twice")


@pytest.mark.parametrize(
    ("xml", "sentence"),
    [
        (b'<c r="XFD1048576"><v>1</v></c>', "reaches to cell XFD1048576"),
        (b'<c r="A1"><v>1</v></c><c r="ZZZ1"><v>1</v></c>', "lies outside what a spreadsheet can hold"),
        (b'<c r="A9999999"><v>1</v></c>', "lies outside what a spreadsheet can hold"),
        (b'<c r="A99999999999999999999"><v>1</v></c>', "is no place of a cell"),
        (b'<c r="12"><v>1</v></c>', "is no place of a cell"),
        (b'<c r="A1"><v>1</v>', "is damaged"),
    ],
)
def test_cells_in_impossible_places(tmp_path: Path, xml: bytes, sentence: str) -> None:
    path = tmp_path / "far.xlsx"
    path.write_bytes(
        _page(b"<worksheet " + _MAIN + b'><sheetData><row r="1">' + xml + b"</row></sheetData></worksheet>")
    )
    _refused(path, sentence)


def test_an_unknown_encoding_of_a_part(tmp_path: Path) -> None:
    path = tmp_path / "code.xlsx"
    path.write_bytes(_page(b'<?xml version="1.0" encoding="UTF-A"?><worksheet/>'))
    _refused(path, "is damaged")


def test_a_false_dimension_takes_no_memory(tmp_path: Path) -> None:
    path = tmp_path / "dimension.xlsx"
    cell = b'<sheetData><row r="1"><c r="B1"><v>1</v></c></row></sheetData>'
    path.write_bytes(_page(b"<worksheet " + _MAIN + b'><dimension ref="A1:XFD1048576"/>' + cell + b"</worksheet>"))
    assert read_file(path).sheets[0].rows == [["", "1"]]


def test_one_long_text_shown_in_many_cells(tmp_path: Path) -> None:
    cells = b"".join(b'<c r="A%d" t="s"><v>0</v></c>' % row for row in range(1, 20_001))
    page = b"<worksheet " + _MAIN + b"><sheetData><row>" + cells + b"</row></sheetData></worksheet>"
    shared = b"<sst " + _MAIN + b"><si><t>" + b"x" * 60_000 + b"</t></si></sst>"

    def change(name: str, content: bytes) -> bytes:
        return page if name == "xl/worksheets/sheet1.xml" else content

    path = tmp_path / "texts.xlsx"
    path.write_bytes(_changed(change, {"xl/sharedStrings.xml": shared}))
    _refused(path, "its texts may unfold to 1,200 million characters")


def test_merges_that_overlap_many_times(tmp_path: Path) -> None:
    rows = b"".join(b'<row r="%d"><c r="A%d"><v>1</v></c></row>' % (row, row) for row in range(1, 2001))
    merges = b'<mergeCell ref="A1:A2000"/>' * 2000
    path = tmp_path / "merge.xlsx"
    path.write_bytes(
        _page(
            b"<worksheet "
            + _MAIN
            + b"><sheetData>"
            + rows
            + b"</sheetData><mergeCells>"
            + merges
            + b"</mergeCells></worksheet>"
        )
    )
    _refused(path, "overlap many times")


@pytest.mark.parametrize(
    ("names", "sentence"),
    [
        (["readme.txt"], "is a zip archive and no workbook"),
        (["[Content_Types].xml", "word/document.xml"], "is an office document but no spreadsheet"),
        (["[Content_Types].xml", "xl/workbook.bin"], "XLSB"),
    ],
)
def test_zips_that_are_no_workbook(tmp_path: Path, names: list[str], sentence: str) -> None:
    path = tmp_path / "other.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        for name in names:
            archive.writestr(name, "<a/>")
    _refused(path, sentence)


def _ods(path: Path, table: str, manifest: str = "<m/>") -> Path:
    names = ["office", "table", "text"]
    spaces = " ".join(f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"' for name in names)
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("META-INF/manifest.xml", manifest)
        archive.writestr(
            "content.xml",
            f"<office:document-content {spaces}><office:body><office:spreadsheet>"
            f'<table:table table:name="T">{table}</table:table>'
            "</office:spreadsheet></office:body></office:document-content>",
        )
    return path


_ONE = '<table:table-cell office:value-type="float" office:value="1"'


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        (
            f'<table:table-row table:number-rows-repeated="1048576">{_ONE} '
            'table:number-columns-repeated="16384"/></table:table-row>',
            "reaches to cell XFD1048576",
        ),
        (
            f'<table:table-row table:number-rows-repeated="4000000000">{_ONE}/></table:table-row>',
            "lies outside what a spreadsheet can hold",
        ),
        (
            '<table:table-row table:number-rows-repeated="1000000">'
            f'<table:table-cell office:value-type="string">'
            f"<text:p>{'x' * 2000}</text:p></table:table-cell></table:table-row>",
            "its texts may unfold",
        ),
        ("<table:table-source/><table:table-row/>", "takes values from other files"),
        ("<table:table-row>", "is damaged"),
    ],
)
def test_ods_that_unfolds_or_links(tmp_path: Path, table: str, sentence: str) -> None:
    _refused(_ods(tmp_path / "a.ods", table), sentence)


def test_encrypted_ods(tmp_path: Path) -> None:
    path = _ods(tmp_path / "a.ods", "", "<m:manifest xmlns:m='u'><m:encryption-data/></m:manifest>")
    _refused(path, "is encrypted")


def test_a_workbook_with_every_sheet_hidden_or_empty(tmp_path: Path) -> None:
    path = tmp_path / "empty.xlsx"
    openpyxl.Workbook().save(path)
    _refused(path, "no visible sheet with content")


def test_flipped_bytes_never_give_anything_but_a_sheet_error(tmp_path: Path) -> None:
    whole = _workbook()
    dice = random.Random(11)
    path = tmp_path / "flip.xlsx"
    refused = 0
    for _ in range(150):
        data = bytearray(whole)
        for _ in range(dice.randint(1, 6)):
            data[dice.randrange(len(data))] = dice.randrange(256)
        path.write_bytes(data)
        try:
            read_file(path)
        except SheetError:
            refused += 1
    assert refused > 75

"""Small files that would take much memory or time: each is answered with one sentence before it does."""

from __future__ import annotations

import io
import struct
import tracemalloc
import zipfile
from pathlib import Path

import duckdb
import pytest

from fuzz.containers import ODS, XLSX, packed
from hostile import answered, quick
from pipelines.sheets import lines, read_csv
from pipelines.sheets.files import find_files, read_file
from pipelines.sheets.read_parquet import MOST_COLUMNS

_CELL = '<table:table-cell office:value-type="float" office:value="1.5" table:number-columns-repeated="{}"/>'
_WRONG = '<table:table-cell office:value-type="string" calcext:value-type="error" table:number-columns-repeated="{}"/>'


def _refused(path: Path, content: bytes, sentence: str, most_memory: int = 60_000_000) -> None:
    path.write_bytes(content)
    tracemalloc.start()
    fault = quick(lambda: [read_file(file) for file in find_files([path])])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert sentence in str(fault), fault
    assert peak < most_memory


def _page(cells: str) -> bytes:
    page = XLSX["xl/worksheets/sheet1.xml"]
    return (page[: page.index("<row")] + cells + "</sheetData></worksheet>").encode()


def _table(rows: str) -> bytes:
    content = ODS["content.xml"]
    start, end = content.index("<table:table-row>"), content.index("</table:table>")
    return (content[:start] + rows + content[end:]).encode()


@pytest.mark.parametrize("name", ["a.csv", "a.jsonl"])
def test_ten_million_blank_lines(tmp_path: Path, name: str) -> None:
    _refused(tmp_path / name, b'{"a": 1}' + b"\n" * 10_000_002, "has 10,000,002 lines", 30_000_000)


def test_too_many_cells_of_a_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lines, "MOST_TEXT_CELLS", 5_000)
    (tmp_path / "a.csv").write_bytes(b"a;b\n" + b";\n" * 4_998)
    assert len(read_file(tmp_path / "a.csv").sheets[0].rows) == 4_999
    _refused(tmp_path / "b.csv", b"a;b\n" + b";\n" * 5_000, "has 5,001 cells")


def test_the_delimiter_is_found_from_a_few_long_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    looked_at: list[int] = []
    find = read_csv.find_delimiter

    def counted(found: list[str]) -> object:
        looked_at.append(sum(map(len, found)))
        return find(found)

    monkeypatch.setattr(read_csv, "find_delimiter", counted)
    answered(tmp_path / "a.csv", (b"a;" * 100_000 + b"\n") * 60)
    assert looked_at
    assert looked_at[0] <= 4_300_000


def test_a_cell_of_many_lines_without_end(tmp_path: Path) -> None:
    content = b'a;b\n"1;' + (b"x" * 70 + b"\n") * 400_000
    _refused(tmp_path / "a.csv", content, "is probably not closed")


@pytest.mark.parametrize("content", [b'"', b'a;b\n"', b'a;b\n1;2\n"', b'a;b\n1;"', b'a;b\n1;"\n\n'])
def test_a_quote_at_the_very_end(tmp_path: Path, content: bytes) -> None:
    _refused(tmp_path / "a.csv", content, "that is never closed")


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        (f'<table:table-row table:number-rows-repeated="1000000">{_CELL.format(19)}</table:table-row>', "repetitions"),
        (f'<table:table-row table:number-rows-repeated="1000000">{_WRONG.format(19)}</table:table-row>', "repetitions"),
        (f'<table:table-row table:number-rows-repeated="1000">{_CELL.format(1002)}</table:table-row>', "repetitions"),
        (
            f"<table:table-row>{_CELL.format(1)}</table:table-row>"
            '<table:table-row table:number-rows-repeated="1000000"/><table:table-row>'
            '<table:table-cell table:number-columns-repeated="9"/>' + _CELL.format(1) + "</table:table-row>",
            "but only 2 of its 10,000,020 cells hold anything",
        ),
    ],
)
def test_cells_of_an_open_document_that_are_only_said_to_be(tmp_path: Path, rows: str, sentence: str) -> None:
    _refused(tmp_path / "a.ods", packed(ODS, _table(rows)), sentence)


def test_rows_that_were_filled_down_are_read(tmp_path: Path) -> None:
    rows = f'<table:table-row table:number-rows-repeated="2000">{_CELL.format(5)}</table:table-row>'
    (raw,) = answered(tmp_path / "a.ods", packed(ODS, _table(rows)))
    assert raw.sheets[0].rows == [["1.5"] * 5] * 2000
    assert len(raw.sheets[0].number_cells) == 10_000


_FAR = '<row r="1"><c r="A1"><v>1</v></c></row><row r="1220"><c r="XFD1220"{}><v>1</v></c></row>'


@pytest.mark.parametrize("kind", ["", ' t="e"', ' t="str"'])
def test_a_stray_cell_far_outside(tmp_path: Path, kind: str) -> None:
    content = packed(XLSX, _page(_FAR.format(kind)))
    _refused(tmp_path / "a.xlsx", content, "but only 2 of its 19,988,480 cells hold anything")


_STYLES = "http://schemas.openxmlformats.org/officeDocument/2006/relationships/styles"


def _aside(changes: dict[str, str], more: dict[str, bytes]) -> bytes:
    """A workbook whose relations lead somewhere else than its parts are usually looked for."""
    given = {name: XLSX[name].replace(*change.split("|")).encode() for name, change in changes.items()}
    out = io.BytesIO(packed(XLSX, b"", given))
    with zipfile.ZipFile(out, "a") as archive:
        for name, content in more.items():
            archive.writestr(name, content)
    return out.getvalue()


@pytest.mark.parametrize(
    "content",
    [
        _aside(
            {"_rels/.rels": "xl/workbook.xml|other/workbook.xml"},
            {
                "other/workbook.xml": XLSX["xl/workbook.xml"].encode(),
                "other/_rels/workbook.xml.rels": XLSX["xl/_rels/workbook.xml.rels"].encode(),
                "other/worksheets/sheet1.xml": _page(_FAR.format("")),
            },
        ),
        _aside(
            {"_rels/.rels": "xl/workbook.xml|/other/workbook.dat"},
            {
                "other/workbook.dat": XLSX["xl/workbook.xml"].encode(),
                "other/_rels/workbook.dat.rels": XLSX["xl/_rels/workbook.xml.rels"]
                .replace("sheet1.xml", "far.dat").encode(),
                "other/worksheets/far.dat": _page(_FAR.format("")),
            },
        ),
        _aside(
            {"xl/_rels/workbook.xml.rels": "worksheets/sheet1.xml|xl/worksheets/far.xml"},
            {"xl/worksheets/far.xml": _page(_FAR.format("")), "xl/xl/worksheets/far.xml": _page("<row/>")},
        ),
        _aside(
            {"xl/_rels/workbook.xml.rels": '<Relationship Id="rId2"|<Relationship Id="rId1" Target="far.xml" '
             f'Type="{_STYLES}"/><Relationship Id="rId2"'},
            {"xl/far.xml": _page(_FAR.format("")).replace(b"worksheet", b"sst")},
        ),
    ],
    ids=["another workbook", "another ending", "two ways to read a path", "an id twice"],
)  # fmt: skip
def test_cells_behind_relations_that_mislead(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(content)
    fault = str(quick(lambda: read_file(path)))
    assert "19,988,480 cells hold anything" in fault or "_rels/" in fault


def test_elements_nested_without_end(tmp_path: Path) -> None:
    _refused(tmp_path / "a.xlsx", packed(XLSX, _page("<a>" * 60_000 + "</a>" * 60_000)), "no visible sheet")
    _refused(tmp_path / "b.xlsx", packed(XLSX, _page("<a>" * 60_000)), "is damaged")


@pytest.mark.parametrize(
    "line", [b'{"a": ' + b"[" * 200_000, b'{"a": ' + b'{"a": ' * 100_000, b"[" * 400_000, b'{"a": ' + b"9" * 400_000]
)
def test_objects_nested_or_numbers_written_without_end(tmp_path: Path, line: bytes) -> None:
    assert answered(tmp_path / "a.jsonl", line + b"\n") == []


def test_durations_and_moments_outside_the_calendar(tmp_path: Path) -> None:
    _refused(tmp_path / "a.xlsx", packed(XLSX, _page('<row><c s="2"><v>1e300</v></c></row>')), "cannot be read as")
    moment = '<table:table-cell office:value-type="date" office:date-value="9999-12-31T23:59:59.9999999"/>'
    (raw,) = answered(tmp_path / "a.ods", packed(ODS, _table(f"<table:table-row>{moment}</table:table-row>")))
    assert raw.sheets[0].rows == [["9999-12-31T23:59:59"]]


def test_a_directory_of_many_entries(tmp_path: Path) -> None:
    entry = b"PK\x01\x02" + bytes(42)
    ending = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 65535, 65535, 46 * 100_000, 4, 0)
    _refused(tmp_path / "a.zip", b"PK\x03\x04" + entry * 100_000 + ending, "holds 100,000 parts", 12_000_000)


@pytest.mark.parametrize("offset", [2**64 - 1, 2**63, 2**40])
def test_a_member_that_begins_beyond_the_file(tmp_path: Path, offset: int) -> None:
    """The sizes of the wide form of archives can be larger than any position in a file."""
    extra = struct.pack("<HHQ", 1, 8, offset)
    entry = struct.pack(
        "<4s4B4HL2L5H2L", b"PK\x01\x02", 45, 0, 45, 0, 0, 0, 0, 0, 0, 5, 5, 5, len(extra), 0, 0, 0, 0, 0xFFFFFFFF
    )
    entry += b"a.csv" + extra
    ending = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 1, 1, len(entry), 4, 0)
    _refused(tmp_path / "a.zip", b"PK\x03\x04" + entry + ending, "is a damaged zip or workbook file")


def _varint(number: int) -> bytes:
    number = number << 1
    made = b""
    while number > 127:
        made += bytes([number & 127 | 128])
        number >>= 7
    return made + bytes([number])


def _parquet(tmp_path: Path, sql: str) -> bytes:
    duckdb.sql(sql).write_parquet(str(tmp_path / "made.parquet"))
    return (tmp_path / "made.parquet").read_bytes()


@pytest.mark.parametrize("place", [0, 1, 2])
def test_parquet_that_lies_about_its_rows(tmp_path: Path, place: int) -> None:
    """The number of rows stands in the file's own part, in its column and in its group: each is changed in turn."""
    whole = _parquet(tmp_path, "SELECT 'x' AS a FROM range(77777)")
    size = struct.unpack("<I", whole[-8:-4])[0]
    body, foot = whole[: -8 - size], whole[-8 - size : -8]
    parts = foot.split(_varint(77777))
    assert len(parts) == 4
    joints = [_varint(2_000_000_000 if index == place else 77777) for index in range(3)]
    foot = b"".join(part + joint for part, joint in zip(parts, [*joints, b""], strict=True))
    _refused(
        tmp_path / "a.parquet", body + foot + struct.pack("<I", len(foot)) + b"PAR1", "cannot be read as a Parquet"
    )


def test_parquet_of_many_columns(tmp_path: Path) -> None:
    columns = ", ".join(f"{place} AS c{place}" for place in range(MOST_COLUMNS + 1))
    content = _parquet(tmp_path, f"SELECT {columns}")
    _refused(tmp_path / "a.parquet", content, "has 501 columns, more than the 500 that are read")

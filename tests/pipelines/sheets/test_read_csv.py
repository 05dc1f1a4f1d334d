"""Delimited text: encodings, delimiters, true line numbers, and what is refused."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.sheets.files import read_file
from pipelines.sheets.raw import RawFile
from pipelines.sheets.read_csv import read_csv
from wearlab.errors import SheetError


def _file(folder: Path, content: bytes, name: str = "sheet.csv", **options: object) -> RawFile:
    path = folder / name
    path.write_bytes(content)
    return read_file(path, **options)  # type: ignore[arg-type]


def test_wide_sheet_with_decimal_commas_titles_and_blank_lines(tmp_path: Path) -> None:
    text = (
        "Hillside depot;;;;\r\nReturn flow, warm, idle;;;;\r\n\r\n"
        "Vehicle;Date;Fuel temp °C;Cyl 1 (ml);Cyl 2 (ml)\r\n"
        "M-003;03/02/2025;41;12,5;11,0\r\n;;;;\r\nM-003;14/07/2025;—;15,5;13,0\r\n"
    )
    file = _file(tmp_path, text.encode("cp1252"))
    rows = file.sheets[0].rows
    assert (file.kind, file.encoding, file.delimiter) == ("csv", "cp1252", ";")
    assert len(rows) == 7
    assert rows[2] == []
    assert rows[4] == ["M-003", "03/02/2025", "41", "12,5", "11,0"]
    assert rows[6][2] == "—"
    assert file.sheets[0].row_numbers is None
    assert file.sheets[0].row_number(6) == 7


@pytest.mark.parametrize("sign", [",", ";", "\t", "|"])
def test_every_delimiter_is_found(tmp_path: Path, sign: str) -> None:
    lines = ["Vehicle,Date,Value,Remark", "M1,2025-03-04,12.5,warm", 'M2,2025-03-05,13.0,"one, two"', "M3,,,"]
    rows = list(csv.reader(lines))
    out = io.StringIO()
    csv.writer(out, delimiter=sign).writerows(rows)
    file = _file(tmp_path, out.getvalue().encode())
    assert file.delimiter == sign
    assert file.sheets[0].rows == rows
    assert file.notes == ()


def test_decimal_comma_in_every_row_is_no_delimiter(tmp_path: Path) -> None:
    file = _file(tmp_path, b"1,5;2,5\n2,5;3,0\n3,5;4,0\n")
    assert file.delimiter == ";"
    assert file.sheets[0].rows[0] == ["1,5", "2,5"]


def test_semicolons_inside_cells_do_not_win(tmp_path: Path) -> None:
    file = _file(tmp_path, b"vehicle,codes,ml\nM1,C1;C2,12\nM2,C1;C3,13\nM3,C2;C4,14\n")
    assert file.delimiter == ","
    assert file.sheets[0].rows[1] == ["M1", "C1;C2", "12"]


def test_two_delimiters_that_fit_alike_are_told(tmp_path: Path) -> None:
    file = _file(tmp_path, b"a;b|c\nd;e|f\n")
    assert file.delimiter == ";"
    assert "the bar fits as well" in file.notes[0]
    assert _file(tmp_path, b"a;b|c\nd;e|f\n", delimiter="|").sheets[0].rows[0] == ["a;b", "c"]


def test_separator_line_of_spreadsheets_is_believed(tmp_path: Path) -> None:
    file = _file(tmp_path, b"sep=;\na,b;c,d\n")
    assert file.delimiter == ";"
    assert file.sheets[0].rows == [["sep=", ""], ["a,b", "c,d"]]


@pytest.mark.parametrize(
    ("encoding", "told"),
    [("utf-8-sig", "utf-8"), ("utf-16", "utf-16-le"), ("utf-16-le", "utf-16-le"), ("utf-16-be", "utf-16-be")],
)
def test_unicode_with_and_without_mark(tmp_path: Path, encoding: str, told: str) -> None:
    text = "Fahrzeug;Datum;Öl °C\r\nM1;2025-03-04;41\r\n"
    file = _file(tmp_path, text.encode(encoding))
    assert file.encoding == told
    assert file.sheets[0].rows == [["Fahrzeug", "Datum", "Öl °C"], ["M1", "2025-03-04", "41"]]


def test_utf16_big_end_with_mark(tmp_path: Path) -> None:
    file = _file(tmp_path, b"\xfe\xff" + "a;b\r\n1;2\r\n".encode("utf-16-be"))
    assert file.encoding == "utf-16-be"
    assert file.sheets[0].rows == [["a", "b"], ["1", "2"]]


@pytest.mark.parametrize(
    ("encoding", "word"),
    [("cp1250", "wtryskiwacz nr 1 – próba"), ("cp1251", "форсунка"), ("latin-1", "dépôt")],
)
def test_declared_single_byte_encodings(tmp_path: Path, encoding: str, word: str) -> None:
    file = _file(tmp_path, f"{word};x\n1;2\n".encode(encoding), encodings=("utf-8", encoding))
    assert file.sheets[0].rows[0][0] == word


def test_two_fitting_encodings_that_differ_are_told(tmp_path: Path) -> None:
    content = "no;remark\n1;źle\n".encode("cp1250")
    file = _file(tmp_path, content, encodings=("utf-8", "cp1250", "cp1252"))
    assert file.encoding == "cp1250"
    assert file.sheets[0].rows[1][1] == "źle"
    assert len(file.notes) == 1
    assert "read as cp1250; cp1252 fits too" in file.notes[0]
    assert "line 2" in file.notes[0]


def test_two_fitting_encodings_that_agree_are_not_told(tmp_path: Path) -> None:
    content = "no;remark\n1;dépôt\n".encode("cp1252")
    assert _file(tmp_path, content, encodings=("cp1252", "latin-1")).notes == ()
    assert _file(tmp_path, b"no;remark\n1;plain\n", encodings=("cp1250", "cp1251")).notes == ()


def test_encoding_is_checked_over_the_whole_file() -> None:
    # a character of several bytes that lies across the border of the pieces which are decoded one by one
    line = b"1;aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa\n"
    body = line * (2**24 // len(line) + 1)
    good = body[: 2**24 - 1] + "é\n".encode() + b"1;2\n"
    assert read_csv("x.csv", good, encodings=("utf-8",)).encoding == "utf-8"
    bad = body[: 2**24 - 1] + b"\xc3(\n1;2\n"
    line_number = bad.count(b"\n", 0, 2**24 - 1) + 1
    with pytest.raises(SheetError, match=rf"utf-8 fails at line {line_number}, byte 0xC3"):
        read_csv("x.csv", bad, encodings=("utf-8",))


def test_quoted_line_breaks_keep_true_line_numbers(tmp_path: Path) -> None:
    file = _file(tmp_path, b'vehicle,note\n1,"first\nsecond"\n\n2,plain\n3,"a\r\nb\nc"\n4,last')
    sheet = file.sheets[0]
    assert sheet.rows == [
        ["vehicle", "note"],
        ["1", "first\nsecond"],
        [],
        ["2", "plain"],
        ["3", "a\r\nb\nc"],
        ["4", "last"],
    ]
    assert sheet.row_numbers == [1, 2, 4, 5, 6, 9]
    assert sheet.row_number(5) == 9


def test_quoted_break_in_the_last_row(tmp_path: Path) -> None:
    sheet = _file(tmp_path, b'a,b\n1,"x\ny"').sheets[0]
    assert sheet.rows[-1] == ["1", "x\ny"]
    assert sheet.row_numbers == [1, 2]


def test_line_separators_of_unicode_are_no_line_ends(tmp_path: Path) -> None:
    sheet = _file(tmp_path, "a;b\u2028c\n1;2\x0b3\n".encode()).sheets[0]
    assert sheet.rows == [["a", "b\u2028c"], ["1", "2\x0b3"]]


def test_old_line_ends(tmp_path: Path) -> None:
    assert _file(tmp_path, b"a;b\r1;2\r3;4").sheets[0].rows == [["a", "b"], ["1", "2"], ["3", "4"]]


def test_ragged_rows_stay_ragged_and_formula_text_is_text(tmp_path: Path) -> None:
    sheet = _file(tmp_path, b"a;b;c\n1;2\n1;2;3;4\n=cmd|x;00712;-1\n").sheets[0]
    assert [len(row) for row in sheet.rows] == [3, 2, 4, 3]
    assert sheet.rows[3] == ["=cmd|x", "00712", "-1"]


def test_one_column(tmp_path: Path) -> None:
    assert _file(tmp_path, b"vehicle\nM1\nM2\n").sheets[0].rows == [["vehicle"], ["M1"], ["M2"]]


def test_stray_quotes_inside_a_cell_stay(tmp_path: Path) -> None:
    assert _file(tmp_path, b'a;b\n1;hose 5" long\n').sheets[0].rows[1] == ["1", 'hose 5" long']


def test_a_long_quoted_record_is_told(tmp_path: Path) -> None:
    lines = "\n".join(f"{i};x" for i in range(10))
    file = _file(tmp_path, f'a;b\n1;"hot\n{lines}\n2;cold"\n3;y\n'.encode())
    assert any("row of line 2 goes on to line 13" in note for note in file.notes)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b'a;b\n1;"open\n2;x\n', r"opens a quote in the row of line 2 that is never closed"),
        (b'a;b\n1;"' + b"x\n" * 80_000, r"more than 131,072 characters in the row of line 2"),
        (b"\n\n  \r\n", "is empty"),
        (b"\xef\xbb\xbf", "is empty"),
        (b"a;b\n1;\0\0\0;2\n" * 20, "NUL bytes"),
        (bytes(range(1, 32)) * 40, "control characters"),
        (b"a;b\n" + b"x" * 1_100_000 + b"\n1;2\n", r"a line of more than 1 MB \(line 2\)"),
        ("\ufeffa;b\n".encode("utf-16-le") + b"\x00", "not valid utf-16-le"),
        ("a;b".encode("utf-32"), "UTF-32"),
    ],
)
def test_refused_with_one_sentence(tmp_path: Path, content: bytes, sentence: str) -> None:
    with pytest.raises(SheetError, match=sentence) as caught:
        _file(tmp_path, content)
    assert "\n" not in str(caught.value)
    assert "sheet.csv" in str(caught.value)


@pytest.mark.parametrize("name", ["unicode_escape", "idna", "utf-7", "no such", "zlib", "rot13"])
def test_odd_encodings_of_a_layout_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(SheetError, match="no known encoding of a sheet"):
        _file(tmp_path, b"a;b\n", encodings=(name,))


def test_nothing_fits(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match=r"utf-8 fails at line 2, byte 0x81; cp1252 fails at line 2"):
        _file(tmp_path, b"a;b\n1;\x81\n")


_cell = st.text(st.characters(exclude_categories=("Cs", "Cc"), include_characters='\n,;\t|"'), max_size=12)


@settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(
    rows=st.lists(st.lists(_cell, min_size=2, max_size=6), min_size=1, max_size=12),
    sign=st.sampled_from(",;\t|"),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    end=st.sampled_from(["\n", "\r\n"]),
)
def test_what_a_writer_wrote_is_read_back(rows: list[list[str]], sign: str, encoding: str, end: str) -> None:
    out = io.StringIO()
    # a first cell that is surely there, so that the file is never empty
    written = [["head", "er"], *rows]
    csv.writer(out, delimiter=sign, lineterminator=end, quoting=csv.QUOTE_ALL).writerows(written)
    table = read_csv("x.csv", out.getvalue().encode(encoding), encodings=("utf-8",), delimiter=sign)
    assert table.sheet.rows == written
    line = 1
    for index, row in enumerate(written):
        assert table.sheet.row_number(index) == line
        line += 1 + sum(cell.count("\n") for cell in row)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    values=st.lists(
        st.tuples(st.integers(1, 999), st.decimals(0, 99, places=1), st.sampled_from(["", "ok", "hot, foam"])),
        min_size=2,
        max_size=20,
    ),
    sign=st.sampled_from(";\t|"),
)
def test_the_delimiter_is_found_beside_decimal_commas(values: list[tuple[int, object, str]], sign: str) -> None:
    rows = [["Vehicle", "Value", "Note"]] + [[f"M{a}", str(b).replace(".", ","), c] for a, b, c in values]
    out = io.StringIO()
    csv.writer(out, delimiter=sign).writerows(rows)
    table = read_csv("x.csv", out.getvalue().encode(), encodings=("utf-8",))
    assert table.delimiter == sign
    assert table.sheet.rows == rows


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.binary(max_size=400))
def test_random_bytes_are_read_or_refused_with_a_sentence(content: bytes) -> None:
    try:
        table = read_csv("x.csv", content, encodings=("utf-8", "cp1252", "latin-1"))
        told = None
    except SheetError as refusal:
        table, told = None, str(refusal)
    if told is not None:
        assert told.startswith("x.csv")
        assert "\n" not in told
    else:
        assert table is not None
        assert table.sheet.rows

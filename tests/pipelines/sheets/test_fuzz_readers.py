"""Readers against bytes of chance: rows or one sentence, whatever the file holds; what is well formed is read whole."""

from __future__ import annotations

import csv
import io
import json
import math
from pathlib import Path
from typing import Any

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fuzz.containers import ODS, XLSX, packed
from hostile import answered, changed
from pipelines.sheets.read_csv import read_csv
from pipelines.sheets.read_jsonl import read_jsonl

SHEET = (
    'van;day;"cyl 1; ml";note\r\nM 7;04.03.2025;12,5;"two\r\nlines"\r\n\r\nM 8;31.12.2025;>50;ä "quoted" ß\r\n'
    "M 9;;;\r\ntotal;;62,5\r\n"
)
LINES = (
    b'{"van": "M 7", "day": "2025-03-04", "ml": 12.50, "ok": true, "note": null}\n\n{"ml": 13, "van": "M 8"}\n'
    b'{"van": "M \\u00e4", "ml": NaN}\n'
)
#: Encodings that people's programs write, and some that no reader can know.
ENCODINGS = (
    "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-7", "cp1252", "cp1250", "cp1251", "cp437",
    "latin-1", "mac-roman", "koi8-r", "shift_jis", "gb18030", "cp500",
)  # fmt: skip

#: Signs that make trouble in delimited text.
SIGNS = st.text(st.sampled_from("ab1 ,;\t|\"'\n\r=.é€\u00a0\u2028\u0085\x0b\ufeff"), max_size=8)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("hostile")


@given(st.data(), st.sampled_from(ENCODINGS))
@settings(max_examples=150)
def test_text_in_any_encoding_with_bytes_of_chance(folder: Path, data: st.DataObject, encoding: str) -> None:
    answered(folder / "a.csv", data.draw(changed(SHEET.encode(encoding, "replace"))))


@given(st.binary(max_size=300))
@settings(max_examples=150)
def test_bytes_of_chance(folder: Path, content: bytes) -> None:
    for name in ("a.csv", "a.jsonl"):
        answered(folder / name, content)


@given(
    st.lists(st.lists(SIGNS, min_size=1, max_size=4), min_size=1, max_size=6),
    st.sampled_from(";,\t|"),
    st.sampled_from(("utf-8", "utf-8-sig", "utf-16")),
)
@settings(max_examples=150)
def test_every_row_that_was_written_is_read_with_its_line(rows: list[list[str]], delimiter: str, encoding: str) -> None:
    made, starts, line = io.StringIO(), [], 1
    for row in rows:
        # every cell in quotes: a row of one empty cell would be a blank line
        one = io.StringIO()
        csv.writer(one, delimiter=delimiter, quoting=csv.QUOTE_ALL, lineterminator="\n").writerow(row)
        starts.append(line)
        # an editor counts a line at each CR, LF and CRLF
        line += len(one.getvalue().replace("\r\n", "\n").replace("\r", "\n").split("\n")) - 1
        made.write(one.getvalue())
    table = read_csv("a", made.getvalue().encode(encoding), encodings=("utf-8",), delimiter=delimiter)
    assert table.sheet.rows == rows
    assert [table.sheet.row_number(index) for index in range(len(rows))] == starts


#: Half signs and NUL are refused, which a test of its own looks at; a text of control characters is none.
WORDS = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=8)
SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | WORDS


def _shown(value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, bool):
        return str(value).upper()
    return value if isinstance(value, str) else json.dumps(value)


@given(st.lists(st.dictionaries(WORDS, SCALARS, max_size=5), min_size=1, max_size=6))
@settings(max_examples=150)
def test_every_object_that_was_written_is_read(records: list[dict[str, Any]]) -> None:
    content = "".join(json.dumps(record, ensure_ascii=False) + "\n" for record in records).encode()
    sheet, _ = read_jsonl("a", content)
    assert [sheet.row_number(index) for index in range(len(sheet.rows))] == list(range(len(records) + 1))
    for record, row in zip(records, sheet.rows[1:], strict=True):
        told = dict(zip(sheet.rows[0], row, strict=False))
        assert {key: told.get(key, "") for key in record} == {key: _shown(value) for key, value in record.items()}
        assert all(not text for key, text in told.items() if key not in record)


@given(changed(LINES))
@settings(max_examples=150)
def test_json_lines_with_bytes_of_chance(folder: Path, content: bytes) -> None:
    answered(folder / "a.jsonl", content)


@pytest.mark.parametrize("line", [r'{"a": "\ud800"}', r'{"\udfff": 1}', r'{"a": "x\u0000"}', r'{"\u0000": null}'])
def test_half_signs_and_nul_of_json(folder: Path, line: str) -> None:
    assert answered(folder / "half.jsonl", line.encode() + b"\n") == []


@pytest.mark.parametrize(("name", "parts"), [("a.xlsx", XLSX), ("a.ods", ODS)])
def test_the_workbooks_that_are_changed_are_read_as_they_are(folder: Path, name: str, parts: dict[str, str]) -> None:
    (raw,) = answered(folder / name, packed(parts, b""))
    assert raw.sheets[0].rows[0][0] == "vehicle"
    assert len(raw.sheets[0].rows) == 3


@given(st.data(), st.sampled_from(sorted(XLSX)))
@settings(max_examples=200)
def test_workbooks_with_a_part_changed(folder: Path, data: st.DataObject, name: str) -> None:
    answered(folder / "a.xlsx", packed(XLSX, b"", {name: data.draw(changed(XLSX[name].encode()))}))


@given(st.data(), st.sampled_from(sorted(ODS)))
@settings(max_examples=200)
def test_open_documents_with_a_part_changed(folder: Path, data: st.DataObject, name: str) -> None:
    answered(folder / "a.ods", packed(ODS, b"", {name: data.draw(changed(ODS[name].encode()))}))


@given(st.data(), st.sampled_from((XLSX, ODS)))
@settings(max_examples=80)
def test_archives_with_bytes_of_chance(folder: Path, data: st.DataObject, parts: dict[str, str]) -> None:
    answered(folder / "a.zip", data.draw(changed(packed(parts, b""), most=3)))


@pytest.fixture(scope="module")
def tables(folder: Path) -> list[bytes]:
    found = []
    for form in ("uncompressed", "snappy", "zstd"):
        path = folder / f"{form}.parquet"
        duckdb.sql(
            "SELECT 'M ' || (i % 3) AS van, DATE '2025-03-04' + i::INTEGER AS day, CASE WHEN i > 0 THEN i * 1.5 END "
            "AS ml, TIMESTAMP '2025-03-04 10:30:00' AS at, i % 2 = 0 AS ok FROM range(4) r(i)"
        ).write_parquet(str(path), compression=form)
        found.append(path.read_bytes())
    return found


@given(st.data(), st.integers(0, 2))
@settings(max_examples=50)
def test_parquet_with_bytes_of_chance(folder: Path, tables: list[bytes], data: st.DataObject, place: int) -> None:
    found = answered(folder / "a.parquet", data.draw(changed(tables[place], most=3)))
    for raw in found:
        assert len({len(row) for row in raw.sheets[0].rows}) == 1

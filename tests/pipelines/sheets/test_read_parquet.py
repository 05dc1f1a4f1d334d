"""Parquet as rows of text: every type as a sheet would show it, and files that are damaged or far too large."""

from __future__ import annotations

import random
from pathlib import Path

import duckdb
import pytest

from pipelines.sheets.files import read_file
from wearlab.errors import SheetError

#: Written once by another library (pyarrow 26.0.1) from invented values: dictionary texts, dates, times with and
#: without zone (+01:00), 64-bit integers, doubles with NaN, floats, decimals, truth values, zstd compression.
REFERENCE = Path(__file__).parents[2] / "reference" / "round.parquet"


def _write(path: Path, query: str) -> Path:
    with duckdb.connect() as con:
        con.execute(f"COPY ({query}) TO '{path}' (FORMAT parquet)")
    return path


def test_a_file_of_another_library() -> None:
    file = read_file(REFERENCE)
    assert (file.kind, file.encoding, file.delimiter, file.is_workbook) == ("parquet", None, None, False)
    (sheet,) = file.sheets
    assert sheet.rows == [
        ["Van", "Day", "At", "Seen", "Km", "C1", "C2", "Litres", "Ok", "Time"],
        ["E 1", "2025-02-01", "2025-02-01T07:30:00", "2025-02-01T23:30:00", "70981", "11.5", "12.1", "1.50", "TRUE",
         "00:01:00"],
        ["E 2", "2025-02-28", "", "", "", "", "0.1", "", "FALSE", ""],
        ["Ł3", "", "2025-02-02T00:00:00", "", "120000", "70.981", "", "0.00", "", "00:00:30"],
        ["", "2024-02-29", "2024-02-29T23:59:59", "2024-02-29T01:00:00", "9007199254740993", "", "3", "-2.25", "TRUE",
         "23:59:59"],
    ]  # fmt: skip
    assert [sheet.row_number(index) for index in range(5)] == [0, 1, 2, 3, 4]
    assert sheet.date_cells == {(1, 1), (2, 1), (4, 1), (1, 2), (3, 2), (4, 2), (1, 3), (4, 3)}
    assert sheet.number_cells == {(r, 4) for r in (1, 3, 4)} | {(1, 5), (3, 5)} | {(1, 6), (2, 6), (4, 6)} | {
        (r, 7) for r in (1, 3, 4)
    }
    assert file.notes == ('the times in "Seen" are those of the universal time zone (UTC)',)


def test_the_order_of_many_rows_is_kept(tmp_path: Path) -> None:
    path = _write(tmp_path / "a.parquet", "SELECT 'v' || i AS van, i / 8 AS ml FROM range(150000) r(i)")
    rows = read_file(path).sheets[0].rows
    assert rows[1:] == [[f"v{i}", f"{i / 8:g}" if i % 8 == 0 else str(i / 8)] for i in range(150_000)]


def test_it_is_known_by_its_content(tmp_path: Path) -> None:
    path = tmp_path / "sheet[1]*.csv"
    path.write_bytes(REFERENCE.read_bytes())
    assert read_file(path).kind == "parquet"


def test_names_that_need_quotes(tmp_path: Path) -> None:
    path = _write(tmp_path / "a.parquet", 'SELECT 1 AS "C 1 (ml) ""a""", \'x\' AS "select; drop"')
    assert read_file(path).sheets[0].rows == [['C 1 (ml) "a"', "select; drop"], ["1", "x"]]


@pytest.mark.parametrize(
    "value", ["[1, 2]", "{'a': 1}", "map {'a': 1}", "'abc'::BLOB", "[{'a': [1]}]", "array_value(1, 2)"]
)
def test_nested_and_binary_values_are_refused(tmp_path: Path, value: str) -> None:
    path = _write(tmp_path / "a.parquet", f"SELECT 'E1' AS van, {value} AS extra")
    with pytest.raises(SheetError, match=r'a\.parquet holds values of the type .* in its column "extra"'):
        read_file(path)


def test_a_few_bytes_that_unfold_to_far_too_much(tmp_path: Path) -> None:
    cells = _write(tmp_path / "a.parquet", "SELECT 1 AS a, 2 AS b FROM range(11000000)")
    assert cells.stat().st_size < 200_000
    with pytest.raises(SheetError, match="holds 11,000,000 rows of 2 columns"):
        read_file(cells)
    texts = _write(tmp_path / "b.parquet", "SELECT repeat('x', 100000) AS a FROM range(11000)")
    assert texts.stat().st_size < 1_000_000
    with pytest.raises(SheetError, match=r"unfolds to 1,100 million characters|MB unfolded"):
        read_file(texts)


def test_damaged_files_give_one_sentence_without_the_passing_copy(tmp_path: Path) -> None:
    whole = REFERENCE.read_bytes()
    path = tmp_path / "cut.parquet"
    dice = random.Random(3)
    told: dict[int, str] = {}
    contents = [whole[:4], whole[:-1], whole[:1000], whole[:-200] + whole[-100:], b"PAR1" + bytes(5000) + b"PAR1"]
    for _ in range(60):
        data = bytearray(whole)
        for _ in range(dice.randint(1, 8)):
            data[dice.randrange(4, len(data))] = dice.randrange(256)
        contents.append(bytes(data))
    for place, data in enumerate(contents):
        path.write_bytes(data)
        try:
            read_file(path)
        except SheetError as fault:
            told[place] = str(fault)
    assert {0, 1, 2, 3, 4} <= set(told)
    assert len(told) > 20
    for sentence in told.values():
        assert sentence.startswith("cut.parquet ")
        assert "\n" not in sentence
        assert "wearlab-" not in sentence


def test_an_encrypted_file_is_named_as_such(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    path.write_bytes(b"PARE" + bytes(100) + b"PARE")
    with pytest.raises(SheetError, match="is an encrypted Parquet file"):
        read_file(path)

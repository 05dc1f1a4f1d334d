"""JSON lines: keys in any order and number, values as written, and what is no object a line."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.sheets.files import read_file
from pipelines.sheets.raw import RawFile
from wearlab.errors import SheetError


def _read(tmp_path: Path, text: str | bytes, name: str = "visits.jsonl") -> RawFile:
    path = tmp_path / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_file(path)


LINES = """{"van": "E 1", "ml": 12.50, "km": 70981}

{"km": null, "van": "E\\u00a02", "note": "a\\nb \\ud83d\\ude9a", "ok": true}
{"van": 3, "ml": -1e3, "note": "", "ok": false}
{}
{"ml": NaN, "van": "12,5"}
"""


def test_keys_become_columns_in_the_order_in_which_they_appear(tmp_path: Path) -> None:
    file = _read(tmp_path, LINES)
    assert (file.kind, file.encoding, file.delimiter, file.is_workbook) == ("jsonl", None, None, False)
    (sheet,) = file.sheets
    assert sheet.rows == [
        ["van", "ml", "km", "note", "ok"],
        ["E 1", "12.50", "70981"],
        [],
        ["E\u00a02", "", "", "a\nb \U0001f69a", "TRUE"],
        ["3", "-1e3", "", "", "FALSE"],
        [],
        ["12,5", ""],
    ]
    # the header stands in no line; every other row has the number of its line
    assert [sheet.row_number(index) for index in range(7)] == [0, 1, 2, 3, 4, 5, 6]
    assert sheet.number_cells == {(1, 1), (1, 2), (4, 0), (4, 1)}
    assert len(sheet.date_cells) == 0


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_any_line_end_and_a_line_separator_inside_a_text(tmp_path: Path, end: str) -> None:
    text = end.join(['{"a": "x\u2028y"}', "", '{"a": "z"}'])
    sheet = _read(tmp_path, text).sheets[0]
    assert sheet.rows == [["a"], ["x\u2028y"], [], ["z"]]


def test_it_is_known_by_its_content_under_another_name(tmp_path: Path) -> None:
    assert _read(tmp_path, LINES, "visits.txt").kind == "jsonl"
    assert _read(tmp_path, "\ufeff\n " + LINES, "visits.csv").sheets[0].rows[0][0] == "van"
    assert _read(tmp_path, '{"van";"ml"}\n{1;2}\n', "odd.csv").kind == "csv"
    assert _read(tmp_path, LINES.encode("utf-16"), "visits.ndjson").sheets[0].rows[4][0] == "3"


def test_a_number_keeps_digits_that_no_float_holds(tmp_path: Path) -> None:
    sheet = _read(tmp_path, '{"a": 0.10000000000000000001, "b": ' + "9" * 5000 + "}\n").sheets[0]
    assert sheet.rows[1] == ["0.10000000000000000001", "9" * 5000]


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ('{"van": "E1", "ml": [1, 2]}', 'holds a list in line 2, key "ml"'),
        ('{"van": {"id": 1}}', 'holds a nested object in line 2, key "van"'),
        ("[1, 2]", "holds a list instead of an object in line 2"),
        ("12", "holds a number or word instead of an object in line 2"),
        ("null", "holds a number or word instead of an object in line 2"),
        ('{"a": 1, "a": 2}', 'has the key "a" twice in line 2'),
        ('{"a": 1', "holds no JSON object in line 2"),
        ('{"a": 1} {"a": 2}', "holds no JSON object in line 2"),
        ("van;ml", "holds no JSON object in line 2"),
        ('{"a": "\\ud83d"}', 'holds a sign that is no character in line 2, key "a"'),
        ('{"a\\u0000": 1}', "holds a sign that is no character in line 2"),
        ('{"a": ' + "[" * 100_000 + "}", "nests its values without end in line 2"),
    ],
)
def test_what_is_no_row_is_refused_with_its_line(tmp_path: Path, line: str, sentence: str) -> None:
    with pytest.raises(SheetError, match=sentence) as caught:
        _read(tmp_path, f'{{"van": "E1"}}\n{line}\n')
    assert str(caught.value).startswith("visits.jsonl ")
    assert "\n" not in str(caught.value)


def test_other_encodings_than_those_of_json_are_refused(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="utf-8 fails at line 2"):
        _read(tmp_path, '{"a": 1}\n{"a": "zażółć"}\n'.encode("cp1250"))


def test_new_keys_in_every_line_are_refused_early(tmp_path: Path) -> None:
    lines = "".join(f'{{"k{number}": 1}}\n' for number in range(30_000))
    with pytest.raises(SheetError, match="different keys up to line"):
        _read(tmp_path, lines)


def test_an_endless_line(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match=r"line of more than 1 MB \(line 2\)"):
        _read(tmp_path, '{"a": 1}\n{"a": "' + "x" * 2_100_000 + '"}\n')

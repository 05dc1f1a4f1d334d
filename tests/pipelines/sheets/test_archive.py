"""A zip archive of sheets is a folder of files: each its own, none of them able to harm."""

from __future__ import annotations

import hashlib
import io
import struct
import tracemalloc
import zipfile
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from pipelines.sheets.files import file_sha256, find_files, read_file
from wearlab.errors import SheetError

LAYOUT = """
name = "milk round"
kind = "tests"
[defaults]
measure = "return_flow"
driven = "idle"
duration = "60 s"
unit = "ml"
"""
COLUMNS = """
Van | vehicle
Day | date
C1 | reading | position = "1"
"""


def _workbook() -> bytes:
    book = openpyxl.Workbook()
    for row in (["Van", "Day", "C1"], ["E7", "2025-03-01", 14.5]):
        book.active.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _zip(path: Path, members: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return path


ONE = b"Van,Day,C1\nE1,2025-02-01,11.5\n"
MANY = {
    "south/b.csv": ONE,
    "./a.txt": ONE.replace(b"E1", b"E2"),
    "book.xlsx": _workbook(),
    "lines.jsonl": b'{"Van": "E4", "Day": "2025-02-04", "C1": 9.5}\n',
    "readme.md": b"nothing",
    "~$book.xlsx": b"lock",
    ".hidden.csv": ONE,
    "__MACOSX/south/b.csv": b"fork",
    "south/.git/c.csv": ONE,
}


def test_the_sheets_of_an_archive_are_found_and_sorted(tmp_path: Path) -> None:
    path = _zip(tmp_path / "visits.zip", MANY)
    (tmp_path / "z.csv").write_bytes(ONE)
    found = [file.relative_to(tmp_path).as_posix() for file in find_files([tmp_path])]
    inside = ["visits.zip/a.txt", "visits.zip/book.xlsx", "visits.zip/lines.jsonl", "visits.zip/south/b.csv"]
    assert found == [*inside, "z.csv"]
    assert find_files([path, path / "a.txt"]) == [tmp_path / name for name in inside]
    assert find_files([path / "south/b.csv"]) == [path / "south/b.csv"]


def test_a_member_is_a_file_of_its_own(tmp_path: Path) -> None:
    path = _zip(tmp_path / "visits.zip", MANY)
    file = read_file(path / "south/b.csv")
    assert (file.name, file.size, file.kind) == ("visits.zip/south/b.csv", len(ONE), "csv")
    assert file.sha256 == hashlib.sha256(ONE).hexdigest() == file_sha256(path / "south/b.csv")
    assert file.sheets[0].rows[1] == ["E1", "2025-02-01", "11.5"]
    assert read_file(path / "book.xlsx").sheets[0].rows[1] == ["E7", "2025-03-01", "14.5"]


def test_an_archive_that_changes_is_read_anew(tmp_path: Path) -> None:
    path = _zip(tmp_path / "visits.zip", {"a.csv": ONE})
    before = file_sha256(path / "a.csv")
    _zip(path, {"b.csv": ONE, "a.csv": ONE + ONE})
    assert file_sha256(path / "a.csv") != before
    assert len(find_files([path])) == 2


def test_members_are_loaded_with_their_names_and_a_copy_outside_is_known(
    bench: Any, columns: Any, tmp_path: Path
) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    folder = tmp_path / "in"
    folder.mkdir()
    path = _zip(folder / "visits.zip", MANY)
    accounts = bench.load(*find_files([folder]), roots=[folder])
    assert [(one.file, one.status) for one in accounts] == [
        ("visits.zip/a.txt", "loaded"),
        ("visits.zip/book.xlsx", "loaded"),
        ("visits.zip/lines.jsonl", "loaded"),
        ("visits.zip/south/b.csv", "loaded"),
    ]
    assert bench.db.rows("SELECT vehicle, value FROM reading ORDER BY vehicle") == [
        ("E1", 11.5),
        ("E2", 11.5),
        ("E4", 9.5),
        ("E7", 14.5),
    ]
    before = bench.everything()
    (folder / "copy.csv").write_bytes(ONE)
    again = bench.load(*find_files([path, folder / "copy.csv"]), roots=[path, folder / "copy.csv"])
    assert [one.status for one in again] == ["already loaded"] * 5
    assert (again[0].file, again[4].file) == ("visits.zip/a.txt", "copy.csv")
    assert "visits.zip/south/b.csv" in str(again[4].sentence)
    assert bench.everything() == before


def _encrypted(data: bytes) -> bytes:
    """Set the flag of encryption in every header of an archive."""
    made = bytearray(data)
    for begin, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = made.find(begin)
        while place >= 0:
            made[place + offset] |= 1
            place = made.find(begin, place + 4)
    return bytes(made)


def _bytes_of(members: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (_bytes_of({"a.csv": ONE, "../../evil.csv": ONE}), "climbs out of its folder"),
        (_bytes_of({"a.csv": ONE, "/etc/evil.csv": ONE}), "climbs out of its folder"),
        (_bytes_of({"a.csv": ONE, "c:\\evil.csv": ONE}), "climbs out of its folder"),
        (_bytes_of({"a.csv": ONE, "A.csv": ONE}), "twice"),
        (_bytes_of({"a.csv": ONE, "bomb.csv": bytes(60_000_000)}), "would unpack to 60 MB"),
        (_encrypted(_bytes_of({"a.csv": ONE})), "is encrypted"),
        (_bytes_of({"a.csv": ONE})[:-30], "is a damaged zip"),
        (_bytes_of({"readme.md": b"x"}), "none of its files is a sheet"),
        (_bytes_of({}), "empty or split zip archive"),
    ],
)
def test_an_archive_that_means_harm_is_refused_as_a_whole(
    bench: Any, columns: Any, tmp_path: Path, content: bytes, sentence: str
) -> None:
    bench.layout(LAYOUT + columns(COLUMNS))
    path = tmp_path / "visits.zip"
    path.write_bytes(content)
    tracemalloc.start()
    (account,) = bench.load(*find_files([path]))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert account.status == "refused"
    assert str(account.sentence).startswith("visits.zip ")
    assert sentence in str(account.sentence)
    assert "\n" not in str(account.sentence)
    assert peak < 20_000_000
    assert not list(tmp_path.parent.glob("**/evil.csv"))
    assert bench.db.value("SELECT count(*) FROM source_file") == 0


@pytest.mark.parametrize("name", ["inner.zip", "inner.csv"])
def test_an_archive_inside_another_is_not_opened(tmp_path: Path, name: str) -> None:
    path = _zip(tmp_path / "visits.zip", {"a.csv": ONE, name: _bytes_of({"b.csv": ONE})})
    assert find_files([path]) == [path / "a.csv", path / name]
    with pytest.raises(SheetError, match=rf"visits\.zip/{name} is a zip archive inside another one"):
        read_file(path / name)


def test_a_member_that_lies_about_its_size(tmp_path: Path) -> None:
    data = _bytes_of({"a.csv": b"a" * 30_000_000})
    real, claimed = struct.pack("<I", 30_000_000), struct.pack("<I", 1000)
    assert data.count(real) >= 1
    path = tmp_path / "visits.zip"
    path.write_bytes(data.replace(real, claimed))
    tracemalloc.start()
    with pytest.raises(SheetError, match="is damaged"):
        read_file(path / "a.csv")
    assert tracemalloc.get_traced_memory()[1] < 20_000_000
    tracemalloc.stop()


def test_an_endless_line_inside_is_refused_before_all_of_it_is_inflated(tmp_path: Path) -> None:
    path = _zip(tmp_path / "visits.zip", {"a.csv": b"x;" * 9_000_000})
    tracemalloc.start()
    with pytest.raises(SheetError, match=r"visits\.zip/a\.csv has a line of more than 1 MB"):
        read_file(path / "a.csv")
    assert tracemalloc.get_traced_memory()[1] < 15_000_000
    tracemalloc.stop()


def test_the_archive_itself_and_missing_members_are_no_sheet(tmp_path: Path) -> None:
    path = _zip(tmp_path / "visits.zip", {"a.csv": ONE, "empty.csv": b""})
    with pytest.raises(SheetError, match=r"name one of its sheets, such as visits\.zip/a\.csv"):
        read_file(path)
    with pytest.raises(SheetError, match=r"visits\.zip holds no file b\.csv"):
        read_file(path / "b.csv")
    with pytest.raises(SheetError, match=r"visits\.zip/empty\.csv is empty"):
        read_file(path / "empty.csv")
    with pytest.raises(SheetError, match="does not exist"):
        find_files([tmp_path / "none.zip/a.csv"])

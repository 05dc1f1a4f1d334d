"""Which files of a folder are sheets, and what is said of paths that are none."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from pipelines.sheets.files import file_sha256, find_files, read_file
from wearlab.errors import SheetError


def _touch(folder: Path, *names: str) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"file;{name}\n1;2\n")


def test_folders_are_searched_and_sorted(tmp_path: Path) -> None:
    _touch(tmp_path, "b.csv", "a.XLSX", "south/2024/c.txt", "south/d.tsv", "e.ods", "f.xlsm")
    _touch(tmp_path, ".hidden.csv", "~$a.xlsx", ".git/x.csv", "notes.md", "picture.png", "g.csv.bak")
    found = [path.relative_to(tmp_path).as_posix() for path in find_files([tmp_path])]
    assert found == ["a.XLSX", "b.csv", "e.ods", "f.xlsm", "south/2024/c.txt", "south/d.tsv"]


def test_named_files_count_whatever_their_ending_and_only_once(tmp_path: Path) -> None:
    _touch(tmp_path, "a.csv", "odd.dat")
    found = find_files([tmp_path / "odd.dat", tmp_path, tmp_path / "a.csv"])
    assert found == [tmp_path / "odd.dat", tmp_path / "a.csv"]


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_links_that_lead_out_are_passed_over(tmp_path: Path) -> None:
    _touch(tmp_path, "out/secret.csv", "in/a.csv", "out/deep/b.csv")
    (tmp_path / "in/link.csv").symlink_to(tmp_path / "out/secret.csv")
    (tmp_path / "in/deep").symlink_to(tmp_path / "out/deep")
    assert find_files([tmp_path / "in"]) == [tmp_path / "in/a.csv"]


def test_missing_path_and_folder_without_sheets(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match=r"nowhere\.csv does not exist: check the spelling"):
        find_files([tmp_path / "nowhere.csv"])
    _touch(tmp_path, "notes.md")
    with pytest.raises(SheetError, match=r"holds no sheets: expected files ending in \.csv"):
        find_files([tmp_path])


def test_reading_what_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="is a folder"):
        read_file(tmp_path)
    with pytest.raises(SheetError, match="does not exist"):
        read_file(tmp_path / "nowhere.csv")
    (tmp_path / "empty.csv").touch()
    with pytest.raises(SheetError, match=r"empty\.csv is empty"):
        read_file(tmp_path / "empty.csv")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes there")
def test_a_pipe_is_no_file(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    with pytest.raises(SheetError, match="not an ordinary file"):
        read_file(tmp_path / "pipe.csv")
    with pytest.raises(SheetError, match="neither a file nor a folder"):
        find_files([tmp_path / "pipe.csv"])


def test_hash_and_size_are_those_of_the_bytes(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"a;b\n1;2\n")
    file = read_file(path)
    assert file.sha256 == hashlib.sha256(b"a;b\n1;2\n").hexdigest() == file_sha256(path)
    assert (file.name, file.size) == ("a.csv", 8)

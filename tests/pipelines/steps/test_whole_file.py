"""A file is there whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from pipelines.steps.whole_file import write_whole
from wearlab.errors import InputError


def test_a_new_file_and_one_that_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    write_whole(path, b"first, longer")
    path.chmod(0o640)
    write_whole(path, b"second")
    assert path.read_bytes() == b"second"
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert os.listdir(tmp_path) == ["a.csv"]


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real.csv").write_bytes(b"old")
    (tmp_path / "link.csv").symlink_to(tmp_path / "real.csv")
    write_whole(tmp_path / "link.csv", b"new")
    assert (tmp_path / "link.csv").is_symlink()
    assert (tmp_path / "real.csv").read_bytes() == b"new"


def test_a_fault_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["a.csv"]


@pytest.mark.parametrize("where", ["missing/a.csv", "folder", "file/a.csv", "nul\0.csv", "long" * 100])
def test_a_place_that_cannot_be_written_is_named(tmp_path: Path, where: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(InputError, match="name another place"):
        write_whole(tmp_path / where, b"new")
    assert sorted(os.listdir(tmp_path)) == ["file", "folder"]

"""A disk that is full and a folder that cannot be written: one sentence, no row lost, and it goes on afterwards."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from command_server import Commands, Ended
from pipelines.workspace import open_workspace
from small_disk import SmallDisk, mounted
from whole_store import Whole, whole

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork there")

DAY = ("--as-of", "2026-06-30")
LATER = ("--as-of", "2026-07-31")


def stored(home: Path) -> Whole:
    with open_workspace(home).open(read_only=True) as db:
        return whole(db, every=True)


def pages(home: Path) -> dict[str, bytes]:
    """All files of a workspace but the database and what stands for one moment."""
    return {
        path.relative_to(home).as_posix(): path.read_bytes()
        for path in home.rglob("*")
        if path.is_file() and not path.name.startswith("wearlab.duckdb")
    }


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[SmallDisk]:
    with mounted(tmp_path / "disk") as made:
        yield made


def writing(home: Path, outside: Path) -> list[tuple[object, ...]]:
    """Every command that writes, each into the workspace."""
    return [
        ("load", home.parent / "sheets" / "second.csv", *DAY),
        ("note", "R10", "cleaning", "--on", "2026-06-01", *DAY),
        ("learn", *LATER),
        ("plan", "--out", home / "plan.csv", *DAY),
        ("settle", "--drop", _first_item(home), *DAY),
        ("unload", "first.csv"),
        ("reload", *DAY),
        ("form", "--out", home / "form.html"),
        ("aside", "--out", home / "aside.csv"),
        ("chart", "R10", "--part", "1", "--out", home / "part.svg", *DAY),
        ("backup",),
        ("restore", outside, "restored"),
        ("new", "another"),
    ]


def _first_item(home: Path) -> str:
    from pipelines.sheets.aside import remark_items

    with open_workspace(home).open(read_only=True) as db:
        return remark_items(db)[0].item_id


def each_refused(
    home: Path,
    outside: Path,
    run: Callable[..., Ended],
    *,
    words: str,
    may_do: tuple[str, ...] = (),
    only: tuple[str, ...] | None = None,
) -> None:
    """Run all of them; each fails with one sentence that says why, and no row or earlier file is lost."""
    rows, files = stored(home), pages(home)
    done = set()
    for command in [one for one in writing(home, outside) if only is None or one[0] in only]:
        ended = run(*command, "--home", home)
        if ended.code == 0:
            done.add(str(command[0]))
            continue
        assert ended.code == 2, command
        told = ended.sentence.lower()
        assert any(word in told for word in words.split("|")), (command, told)
    assert done <= set(may_do)
    assert stored(home) == rows or done
    assert {name: data for name, data in pages(home).items() if name in files} == files
    for part in ("restored", "another/wearlab.toml"):
        assert not (home / part).exists() or done


def goes_on(home: Path, commands: Commands) -> None:
    """What was refused can be done now."""
    assert commands.run("check", "--home", home).code == 0
    sheet = home.parent / "sheets" / "second.csv"
    assert commands.run("load", sheet, *DAY, "--home", home).code == 0
    assert commands.run("note", "R10", "cleaning", "--on", "2026-06-01", *DAY, "--home", home).code == 0
    said = commands.run("check", "--home", home, "--json")
    assert (said.code, said.json["findings"]) == (0, []), said.out


@pytest.fixture
def outside(milk_round: Path, tmp_path: Path, commands: Commands) -> Path:
    """A backup somewhere else."""
    path = tmp_path / "outside.zip"
    assert commands.run("backup", "--out", path, "--home", milk_round).code == 0
    return path


def test_a_full_disk(disk: SmallDisk, milk_round: Path, outside: Path, commands: Commands) -> None:
    shutil.copytree(milk_round.parent, disk.folder / "round")
    home = disk.folder / "round" / "home"
    disk.fill()
    each_refused(home, outside, commands.run, words="room|no space left")
    ended = commands.run("month", "2026-06", "--home", home)
    assert ended.code == 2
    assert "No space left" in ended.sentence
    disk.clear()
    goes_on(home, commands)


def test_files_that_may_not_grow(milk_round: Path, outside: Path, commands: Commands) -> None:
    def run(*words: object) -> Ended:
        return commands.run(*words, most_bytes=1500)

    each_refused(milk_round, outside, run, words="room|too large", may_do=("aside", "note", "form"))
    goes_on(milk_round, commands)


def test_the_disk_fills_while_a_backup_is_written(milk_round: Path, tmp_path: Path, commands: Commands) -> None:
    path = tmp_path / "b.zip"
    assert commands.run("backup", "--out", path, "--home", milk_round).code == 0
    size, before = path.stat().st_size, path.read_bytes()
    for share in (0.01, 0.5, 0.95):
        ended = commands.run("backup", "--out", path, "--home", milk_round, most_bytes=int(size * share))
        assert ended.code == 2
        assert "too large" in ended.sentence.lower()
        assert path.read_bytes() == before
        assert sorted(one.name for one in tmp_path.iterdir()) == ["b.zip", "round"]


def test_a_read_only_disk(disk: SmallDisk, milk_round: Path, outside: Path, commands: Commands) -> None:
    shutil.copytree(milk_round.parent, disk.folder / "round")
    home = disk.folder / "round" / "home"
    disk.shut(read_only=True)
    some = ("load", "learn", "plan", "unload", "backup", "restore")
    each_refused(home, outside, commands.run, words="read-only|looked at only", only=some)
    disk.shut(read_only=False)
    goes_on(home, commands)


def test_a_folder_that_may_not_be_written(milk_round: Path, outside: Path, commands: Commands) -> None:
    def run(*words: object) -> Ended:
        return commands.run(*words, bound_by_modes=True)

    everything = [milk_round, *milk_round.rglob("*")]
    for path in everything:
        path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        each_refused(milk_round, outside, run, words="permission|looked at only")
        looked_at(milk_round, run)
    finally:
        for path in everything:
            path.chmod(0o755 if path.is_dir() else 0o644)
    goes_on(milk_round, commands)


def looked_at(home: Path, run: Callable[..., Ended]) -> None:
    """Everything that only looks answers."""
    for words in (("due",), ("readings",), ("aside",), ("vehicle", "R10"), ("signals",), ("judge", "R10"), ("plan",)):
        ended = run(*words, *DAY, "--home", home)
        assert (ended.code, ended.err) == (0, ""), (words, ended.err)
    assert run("check", "--home", home).code == 0


def test_a_read_only_copy_is_looked_at(disk: SmallDisk, milk_round: Path, commands: Commands) -> None:
    shutil.copytree(milk_round, disk.folder / "copy")
    disk.shut(read_only=True)
    looked_at(disk.folder / "copy", commands.run)
    late = commands.run("due", *LATER, "--home", disk.folder / "copy")
    assert late.code == 2
    assert "--as-of the day of its last run" in late.sentence
    disk.shut(read_only=False)

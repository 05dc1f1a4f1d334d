"""A backup holds all of a workspace and is whole; a restore makes the same workspace, or nothing."""

from __future__ import annotations

import json
import random
import shutil
import zipfile
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from conftest import Run
from pipelines.steps import backup_file
from pipelines.workspace import open_workspace
from whole_store import Whole, whole


def stored(home: Path) -> Whole:
    with open_workspace(home).open(read_only=True) as db:
        return whole(db, every=True)


def files(home: Path) -> dict[str, bytes]:
    return {path.relative_to(home).as_posix(): path.read_bytes() for path in home.rglob("*") if path.is_file()}


@pytest.fixture(scope="module")
def saved(made_round: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A backup of the workspace, to be copied."""
    from datetime import UTC, datetime

    from pipelines.steps.backup import back_up

    folder = tmp_path_factory.mktemp("saved")
    shutil.copytree(made_round / "home", folder / "home")
    path = folder / "b.zip"
    back_up(open_workspace(folder / "home"), path, datetime(2026, 7, 1, tzinfo=UTC))
    return path


def test_there_and_back(milk_round: Path, tmp_path: Path, run: Run) -> None:
    (milk_round / "reports" / "2026-05").mkdir()
    (milk_round / "reports" / "2026-05" / "index.html").write_text("<p>Mai\u00df</p>", encoding="utf-8")
    assert run("reload", "--home", milk_round, "--as-of", "2026-06-30").code == 0
    before = files(milk_round)
    said = run("backup", "--home", milk_round, "--out", tmp_path / "all.zip", "--reports", "--json")
    assert said.code == 0
    assert said.json["bytes"] == (tmp_path / "all.zip").stat().st_size
    assert files(milk_round) == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["all.zip", "round"]
    back = run("restore", tmp_path / "all.zip", tmp_path / "new place" / "home", "--json")
    assert back.code == 0, back.err
    home = tmp_path / "new place" / "home"
    assert files(home) == {name: data for name, data in before.items() if not name.startswith("copies/")}
    assert stored(home) == stored(milk_round)
    assert back.json["rows"] == said.json["rows"] == sum(len(rows) for rows in stored(home).values())
    assert run("check", "--home", home).code == 0
    assert [path.name for path in home.parent.iterdir()] == ["home"]


def test_the_manifest_has_the_hash_of_every_member(milk_round: Path, tmp_path: Path, run: Run) -> None:
    assert run("backup", "--home", milk_round, "--out", tmp_path / "b.zip").code == 0
    with zipfile.ZipFile(tmp_path / "b.zip") as book:
        manifest = json.loads(book.read("manifest.json"))
        told = {one["name"]: one["sha256"] for one in manifest["members"]}
        assert told == {
            name: sha256(book.read(name)).hexdigest() for name in book.namelist() if name != "manifest.json"
        }
    assert set(told) == {"wearlab.toml", "wearlab.duckdb", "layouts/round.toml"}
    assert manifest["made_at"].endswith("+00:00")


def test_without_out_each_has_a_name_of_its_own_in_backups(milk_round: Path, run: Run) -> None:
    said = run("backup", "--home", milk_round)
    assert said.code == 0
    (made,) = (milk_round / "backups").iterdir()
    assert made.name.startswith("milk-round-20")
    assert "another disk" in said.out


def test_a_workspace_with_nothing_loaded(tmp_path: Path, run: Run) -> None:
    assert run("new", tmp_path / "w").code == 0
    assert run("backup", "--home", tmp_path / "w", "--out", tmp_path / "b.zip").code == 0
    assert run("restore", tmp_path / "b.zip", tmp_path / "v").code == 0
    assert files(tmp_path / "v") == files(tmp_path / "w")


def test_what_a_stopped_command_left_in_the_log_is_saved_too(milk_round: Path, tmp_path: Path, run: Run) -> None:
    import subprocess
    import sys

    script = (
        "import os, sys; from pathlib import Path; from wearlab.store.database import open_database\n"
        "db = open_database(Path(sys.argv[1])); db.run(\"INSERT INTO meta VALUES ('a', 'b')\"); os._exit(0)"
    )
    root = Path(__file__).parents[3]
    subprocess.run([sys.executable, "-c", script, str(milk_round / "wearlab.duckdb")], check=True, cwd=root)
    assert (milk_round / "wearlab.duckdb.wal").stat().st_size > 0
    assert run("backup", "--home", milk_round, "--out", tmp_path / "b.zip").code == 0
    assert run("restore", tmp_path / "b.zip", tmp_path / "v").code == 0
    assert ("a", "b") in stored(tmp_path / "v")["meta"]


def test_only_a_backup_is_replaced(milk_round: Path, tmp_path: Path, run: Run) -> None:
    assert run("backup", "--home", milk_round, "--out", tmp_path / "b.zip").code == 0
    assert run("backup", "--home", milk_round, "--out", tmp_path / "b.zip").code == 0
    before = files(milk_round)
    for out in ("wearlab.duckdb", "wearlab.toml", "layouts"):
        said = run("backup", "--home", milk_round, "--out", milk_round / out)
        assert said.code == 2
        assert "name" in said.err
    assert files(milk_round) == before


@pytest.mark.parametrize("there", ["a file in it", "a file", "a workspace"])
def test_restore_touches_no_folder_that_is_there(saved: Path, tmp_path: Path, run: Run, there: str) -> None:
    home = tmp_path / "home"
    if there == "a file":
        home.write_text("mine")
    else:
        home.mkdir()
        (home / ("wearlab.toml" if there == "a workspace" else ".mine")).write_text("mine")
    said = run("restore", saved, home)
    assert said.code == 2
    assert "name a new folder" in said.err
    assert [path.read_text() for path in ([home] if home.is_file() else home.iterdir())] == ["mine"]


def test_restore_into_an_empty_folder_and_from_a_link(saved: Path, tmp_path: Path, run: Run) -> None:
    (tmp_path / "home").mkdir()
    (tmp_path / "b.zip").symlink_to(saved)
    assert run("restore", tmp_path / "b.zip", "home", "--home", tmp_path).code == 0
    assert run("check", "--home", tmp_path / "home").code == 0


def test_truncated_at_any_length(saved: Path, tmp_path: Path, run: Run) -> None:
    content = saved.read_bytes()
    dice = random.Random(5)
    lengths = [0, 1, 21, 22, 100, len(content) // 2, len(content) - 30, len(content) - 1]
    for length in lengths + [dice.randrange(len(content)) for _ in range(10)]:
        (tmp_path / "b.zip").write_bytes(content[:length])
        said = run("restore", tmp_path / "b.zip", tmp_path / "home")
        assert said.code == 2
        assert said.err.count("\n") == 1
        assert "is truncated or was changed" in said.err or "is no backup of wearlab" in said.err
        assert [path.name for path in tmp_path.iterdir()] == ["b.zip"]


def test_one_changed_byte_is_found_or_changes_nothing(saved: Path, tmp_path: Path, run: Run) -> None:
    content = saved.read_bytes()
    wanted = backup_file.verified(saved)
    dice = random.Random(6)
    refused = 0
    end = len(content) - 400  # the manifest and the list of members, where a byte means most
    places = [dice.randrange(end) for _ in range(25)] + [dice.randrange(end, len(content)) for _ in range(60)]
    for place in places:
        changed = bytearray(content)
        changed[place] ^= 1 << dice.randrange(8)
        (tmp_path / "b.zip").write_bytes(bytes(changed))
        try:
            found = backup_file.verified(tmp_path / "b.zip")
        except backup_file.InputError:
            refused += 1
            continue
        assert found == wanted
    assert refused > len(places) // 2


def forged(path: Path, change: Callable[[dict[str, Any], zipfile.ZipFile], None]) -> None:
    """Write a backup whose manifest says what it likes, and is hashed rightly."""
    with zipfile.ZipFile(path, "w") as book:
        told: dict[str, Any] = {"wearlab_backup": 1, "workspace": "w", "version": "0", "made_at": "2026-07-01"}
        told |= {"schema_version": None, "rows": {}, "members": []}
        book.writestr("wearlab.toml", b"")
        told["members"].append({"name": "wearlab.toml", "bytes": 0, "sha256": sha256(b"").hexdigest()})
        change(told, book)
        content = json.dumps(told).encode()
        book.writestr("manifest.json", content)
        book.comment = b"wearlab backup, sha256 of manifest.json: " + sha256(content).hexdigest().encode()


@pytest.mark.parametrize(
    "name",
    [
        "../out.toml", "/out.toml", "layouts/../../out.toml", "layouts\\..\\out.toml", "C:/out.toml", "layouts//a",
        "layouts/", "elsewhere.txt", "layouts/a:b", "reports/./x", "copies/x.duckdb", "layouts/a\x00b",
    ],
)  # fmt: skip
def test_a_place_outside_is_refused(tmp_path: Path, run: Run, name: str) -> None:
    def outside(told: dict[str, Any], book: zipfile.ZipFile) -> None:
        book.writestr(name, b"x")
        told["members"].append({"name": name, "bytes": 1, "sha256": sha256(b"x").hexdigest()})

    forged(tmp_path / "b.zip", outside)
    said = run("restore", tmp_path / "b.zip", tmp_path / "deep" / "home")
    assert said.code == 2
    assert "nothing was restored" in said.err
    assert [path.name for path in tmp_path.iterdir()] == ["b.zip"]


def test_a_link_as_a_member_is_refused(tmp_path: Path, run: Run) -> None:
    def linked(told: dict[str, Any], book: zipfile.ZipFile) -> None:
        info = zipfile.ZipInfo("layouts/a.toml")
        info.external_attr = 0o120777 << 16
        book.writestr(info, b"/etc/hosts")
        told["members"].append({"name": "layouts/a.toml", "bytes": 10, "sha256": sha256(b"/etc/hosts").hexdigest()})

    forged(tmp_path / "b.zip", linked)
    said = run("restore", tmp_path / "b.zip", tmp_path / "home")
    assert said.code == 2
    assert "no plain file" in said.err


@pytest.mark.parametrize("what", ["missing", "more", "longer", "not a list", "newer form", "newer store"])
def test_a_manifest_that_does_not_fit(tmp_path: Path, run: Run, what: str) -> None:
    def change(told: dict[str, Any], book: zipfile.ZipFile) -> None:
        if what == "missing":
            told["members"].append({"name": "layouts/a.toml", "bytes": 1, "sha256": "0"})
        elif what == "more":
            book.writestr("layouts/a.toml", b"x")
        elif what == "longer":
            told["members"][0]["bytes"] = 5
        elif what == "not a list":
            told["members"] = 3
        elif what == "newer form":
            told["wearlab_backup"] = 9
        else:
            told["schema_version"] = 99

    forged(tmp_path / "b.zip", change)
    said = run("restore", tmp_path / "b.zip", tmp_path / "home")
    assert said.code == 2
    assert ("newer" if "newer" in what else "truncated or was changed") in said.err
    assert not (tmp_path / "home").exists()


def test_a_good_forgery_is_a_workspace(tmp_path: Path, run: Run) -> None:
    forged(tmp_path / "b.zip", lambda told, book: None)  # so that the refusals above are for their reasons
    assert run("restore", tmp_path / "b.zip", tmp_path / "home").code == 0


def test_other_files_are_no_backup(tmp_path: Path, run: Run) -> None:
    (tmp_path / "text.zip").write_text("hello")
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as book:
        book.writestr("a", "b")
    for name, word in (("text.zip", "truncated"), ("other.zip", "no backup"), ("none.zip", "not there")):
        said = run("restore", tmp_path / name, tmp_path / "home")
        assert said.code == 2
        assert word in said.err


def test_a_file_name_that_no_other_system_takes(milk_round: Path, tmp_path: Path, run: Run) -> None:
    (milk_round / "layouts" / 'a"b.toml.txt').write_text("x")
    said = run("backup", "--home", milk_round, "--out", tmp_path / "b.zip")
    assert said.code == 2
    assert "rename it" in said.err
    assert not (tmp_path / "b.zip").exists()

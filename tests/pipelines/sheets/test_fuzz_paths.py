"""Names from outside (of members of archives, sheets, layouts, vehicles, links) never lead out of the workspace."""

from __future__ import annotations

import io
import json
import os
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fuzz.containers import XLSX, packed
from hostile import answered, one_line, quick
from pipelines.sheets.archive import MOST_NAME
from pipelines.sheets.files import find_files, read_file
from pipelines.sheets.journal import Entry, read_journal, write_entry
from pipelines.workspace import Workspace, new_workspace
from wearlab.config import Settings
from wearlab.errors import SheetError
from wearlab.pack.links import page_names

GOOD = b"van;day;ml\nM 7;2025-03-04;12\n"
#: Names that lead elsewhere on one system or another.
ELSEWHERE = (
    "../../x.csv", "/x.csv", "//host/share/x.csv", "C:\\x.csv", "C:x.csv", "..\\..\\x.csv", "a/../../x.csv", "a/..",
    "\\\\host\\share\\x.csv", "x.csv:stream", "./../x.csv",
)  # fmt: skip
NAMES = st.text(st.sampled_from("ab.:/\\~-_ \0\n%*?<>|\"'$`é\u202e\ud800CON"), max_size=12) | st.sampled_from(ELSEWHERE)


def _zip(members: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


def _tree(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*")}


@pytest.mark.parametrize("name", ELSEWHERE)
def test_members_that_climb_out_are_not_read(tmp_path: Path, name: str) -> None:
    inside = tmp_path / "a" / "b"
    inside.mkdir(parents=True)
    (tmp_path / "x.csv").write_bytes(GOOD)
    before = _tree(tmp_path)
    # the library writes a backslash as a slash on no system; the name stands in the directory as given
    assert answered(inside / "a.zip", _zip({"good.csv": GOOD, name: GOOD})) == []
    fault = quick(lambda: read_file(inside / "a.zip" / name))
    assert fault is not None
    assert _tree(tmp_path) == before | {"a/b/a.zip"}


@pytest.mark.parametrize("name", ELSEWHERE)
def test_parts_of_a_workbook_that_climb_out(tmp_path: Path, name: str) -> None:
    out = io.BytesIO(packed(XLSX, b""))
    with zipfile.ZipFile(out, "a") as archive:
        archive.writestr(name, b"<a/>")
    assert answered(tmp_path / "a.xlsx", out.getvalue()) == []


def test_a_member_that_is_a_link_is_a_text_like_any_other(tmp_path: Path) -> None:
    (tmp_path / "secret.csv").write_bytes(GOOD)
    link = zipfile.ZipInfo("link.csv")
    link.external_attr = 0o120777 << 16
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(link, str(tmp_path / "secret.csv"))
    (raw,) = answered(tmp_path / "a.zip", out.getvalue())
    assert raw.sheets[0].rows == [[str(tmp_path / "secret.csv")]]


def test_links_on_the_disk_that_lead_out_of_a_folder(tmp_path: Path) -> None:
    outside, folder = tmp_path / "outside", tmp_path / "in"
    outside.mkdir()
    folder.mkdir()
    (outside / "x.csv").write_bytes(GOOD)
    try:
        (folder / "file.csv").symlink_to(outside / "x.csv")
        (folder / "loop.csv").symlink_to(folder / "loop.csv")
        (folder / "folder").symlink_to(outside)
    except OSError:
        pytest.skip("this system makes no links")
    (folder / "own.csv").write_bytes(GOOD)
    assert [path.name for path in find_files([folder])] == ["own.csv"]
    assert quick(lambda: read_file(folder / "loop.csv")) is not None


@pytest.mark.parametrize(
    "members",
    [
        {"a//b.csv": GOOD, "a/b.csv": b"other;sheet\n1;2\n"},
        {"./b.csv": GOOD, "b.csv": GOOD},
        {"a/./b.csv": GOOD, "A/B.csv": GOOD},
    ],
)
def test_two_members_that_one_path_names(tmp_path: Path, members: dict[str, bytes]) -> None:
    """The rows of one of them would be lost without a word."""
    (tmp_path / "a.zip").write_bytes(_zip(members))
    assert "twice" in str(quick(lambda: [read_file(path) for path in find_files([tmp_path / "a.zip"])]))


@pytest.mark.parametrize(
    "name", ["x" * 5000 + ".csv", "x/" * 2000 + "a.csv", "a\nb.csv", "a\x1b[2J\u202e.csv", "a\tb.csv"]
)
def test_names_that_no_screen_and_no_disk_can_hold(tmp_path: Path, name: str) -> None:
    (raw,) = answered(tmp_path / "a.zip", _zip({name: GOOD}))
    assert raw.sheets[0].rows[1] == ["M 7", "2025-03-04", "12"]
    assert raw.name.isprintable()
    assert raw.name.startswith("a.zip/")
    assert len(raw.name) <= MOST_NAME


@pytest.mark.skipif(os.name == "nt", reason="names are any bytes on POSIX only")
def test_a_file_whose_name_is_no_text(bench: Any) -> None:
    path = Path(os.fsdecode(os.fsencode(str(bench.folder)) + b"/van\xff.csv"))
    try:
        path.write_bytes(GOOD)
    except OSError:
        pytest.skip("this disk takes no such name")
    for roots in ([], [bench.folder]):
        (account,) = bench.load(path, roots=roots)
        assert account.file == "van?.csv"
    (account,) = bench.load(*find_files([bench.folder]), roots=[bench.folder])
    assert account.file == "van?.csv"


@pytest.mark.parametrize("name", ["x" * 5000, "x/" * 3000 + "y", "absent.csv"])
def test_a_path_that_cannot_be(name: str) -> None:
    assert "does not exist" in str(quick(lambda: find_files([Path(name)])))
    assert "does not exist" in str(quick(lambda: read_file(Path(name))))


@given(NAMES, st.booleans())
def test_layouts_are_written_into_their_folder_only(
    tmp_path_factory: pytest.TempPathFactory, name: str, finished: bool
) -> None:
    home = tmp_path_factory.mktemp("home") / "deep" / "home"
    new_workspace(home)
    before = _tree(home.parents[1])
    place = Workspace(home, Settings())
    where = place.save_layout(name, 'name = "a"\n', finished=finished)
    (made,) = _tree(home.parents[1]) - before - {"deep/home/layouts/proposed"}
    assert made == f"deep/home/{where}"
    assert (home / where).parent == (home / "layouts" if finished else home / "layouts" / "proposed")
    assert (home / where).suffix == ".toml"


def test_a_layout_that_is_a_link_is_not_written_through(tmp_path: Path) -> None:
    home = tmp_path / "home"
    place = new_workspace(home)
    try:
        (home / "layouts" / "a.toml").symlink_to(tmp_path / "outside.toml")
    except OSError:
        pytest.skip("this system makes no links")
    assert place.save_layout("a", 'name = "a"\n', finished=True) == "layouts/a_2.toml"
    assert not (tmp_path / "outside.toml").exists()


@given(st.lists(NAMES, max_size=6))
def test_pages_of_vehicles_stay_in_their_folder(keys: list[str]) -> None:
    names = page_names(keys)
    assert len({name.lower() for name in names.values()}) == len(set(keys))
    for name in names.values():
        folder, _, own = name.partition("/")
        assert folder == "vehicles"
        assert own.endswith(".html")
        assert set(own) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-.")
        assert ".." not in own


@pytest.mark.parametrize("title", ["../../x", "C:\\x", "/etc/x", "a\nb", "\u202e", "x" * 300])
def test_a_sheet_of_any_name_is_proposed_and_kept_inside(tmp_path: Path, title: str) -> None:
    from datetime import date
    from xml.sax.saxutils import quoteattr

    from pipelines.sheets.load import load_files
    from wearlab.store.database import open_database

    place = new_workspace(tmp_path / "home")
    rows = [["Vehicle", "Date", "Cyl 1 ml", "Cyl 2 ml"], ["M 7", "2025-03-04", "12", "13"]]
    cells = "".join(
        "<row>" + "".join(f'<c t="inlineStr"><is><t>{cell}</t></is></c>' for cell in row) + "</row>" for row in rows
    )
    page = XLSX["xl/worksheets/sheet1.xml"]
    book = XLSX["xl/workbook.xml"].replace('"Tests"', quoteattr(title))
    given = {
        "xl/worksheets/sheet1.xml": (page[: page.index("<row")] + cells + "</sheetData></worksheet>").encode(),
        "xl/workbook.xml": book.encode(),
    }
    (tmp_path / "a.xlsx").write_bytes(packed(XLSX, b"", given))
    before = _tree(tmp_path)
    with open_database(Path(":memory:")) as store:
        (account,) = load_files(
            store, Settings(), [], [tmp_path / "a.xlsx"], as_of=date(2026, 6, 30), save_layout=place.save_layout
        )
    made = _tree(tmp_path) - before - {"home/layouts/proposed"}
    assert made
    assert all(name.startswith("home/layouts/") and name.endswith(".toml") for name in made)
    one_line(SheetError(account.sentence or "loaded"))


_ENTRY = {
    "number": 1, "made_at": "2026-07-01T08:00:00", "what": "settle", "detail": "a\u2028b\u0085c",
    "before": {"reading": 3}, "after": {}, "copy": "copies/00001-20260701-080000-before-settle.duckdb",
    "copy_sha256": "0" * 64, "files": ["0" * 64], "undone": None,
}  # fmt: skip


def test_a_journal_is_read_back_with_every_sign_of_its_texts(tmp_path: Path) -> None:
    entry = Entry(**{**_ENTRY, "files": ("0" * 64,)})  # type: ignore[arg-type]
    write_entry(tmp_path, entry)
    write_entry(tmp_path, replace(entry, number=2))
    assert read_journal(tmp_path) == [entry, replace(entry, number=2)]


@pytest.mark.parametrize(
    "change",
    [
        {"copy": "../../x.duckdb"}, {"copy": "/x.duckdb"}, {"copy": "C:\\x.duckdb"}, {"copy": "copies/../x.duckdb"},
        {"copy": "wearlab.duckdb"}, {"copy": 3}, {"number": "1"}, {"number": None}, {"files": 3}, {"files": [3]},
        {"before": []}, {"before": {"reading": "3"}}, {"detail": None}, {"more": 1}, {"undone": 3},
    ],
)  # fmt: skip
def test_a_journal_that_leads_elsewhere_or_is_none(tmp_path: Path, change: dict[str, object]) -> None:
    (tmp_path / "journal.jsonl").write_text(json.dumps(_ENTRY | change) + "\n", encoding="utf-8")
    assert "line 1 of" in str(quick(lambda: read_journal(tmp_path)))


@pytest.mark.parametrize("line", [b"\xff", b"[" * 100_000, b"3", b"{}", b"", b'{"number": ' + b"9" * 5000 + b"}"])
def test_a_journal_of_other_bytes(tmp_path: Path, line: bytes) -> None:
    (tmp_path / "journal.jsonl").write_bytes(json.dumps(_ENTRY).encode() + b"\n" + line + b"\n")
    assert "line 2 of" in str(quick(lambda: read_journal(tmp_path)))

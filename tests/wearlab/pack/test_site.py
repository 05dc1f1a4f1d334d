"""The folder of pages: nothing from outside, text as text, links that lead somewhere, and only the pack's own files."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path, PurePosixPath

import pytest

from pack_views import AS_OF
from page_reader import Page
from wearlab.errors import InputError
from wearlab.pack.about_page import AboutPage
from wearlab.pack.fleet_page import CrossingsAhead, DataQuality, FleetPage, RigSection, StatesOverTime
from wearlab.pack.links import anchor, page_names
from wearlab.pack.pack_view import PackView
from wearlab.pack.site import Written, drawers, write_pack
from wearlab.pack.view import MonthView

HOSTILE = "<script>alert(1)</script>$x$ \"q\" 'a' & {{ 7*7 }}\x07"
SHOWN = "<script>alert(1)</script>$x$ \"q\" 'a' & {{ 7*7 }}"


def test_a_page_for_everything(pages: dict[str, Page], view: PackView) -> None:
    assert list(pages) == ["about.html", "fleet.html", "index.html", *(f"vehicles/K0{k}.html" for k in range(1, 7))]


def test_same_view_same_bytes_by_any_number_of_processes(view: PackView, folder: Path, tmp_path: Path) -> None:
    # as many vehicles as make the work be shared out
    first = view.month.vehicles[5]
    many = tuple(replace(first, vehicle=f"N{k:02d}") for k in range(16))
    wide = replace(view, month=replace(view.month, vehicles=(view.month.vehicles[0], *many)))
    done = [write_pack(wide, tmp_path / "here")]
    with drawers(len(wide.month.vehicles)) as pool:
        assert pool is not None
        done.append(write_pack(wide, tmp_path / "elsewhere", pool=pool))
    assert done[0].pages == done[1].pages
    assert len(done[0].pages) == 20
    for name in done[0].pages:
        assert (tmp_path / "here" / name).read_bytes() == (tmp_path / "elsewhere" / name).read_bytes()
    k01 = "vehicles/K01.html"
    assert (tmp_path / "here" / k01).read_bytes() == (folder / k01).read_bytes()
    assert done[0].size == sum(path.stat().st_size for path in (tmp_path / "here").rglob("*.html"))


def test_files_of_some_pages_can_be_made_before_the_rest_is_drawn(view: PackView, tmp_path: Path) -> None:
    there: list[list[str]] = []
    first = view.month.vehicles[3].vehicle
    write_pack(
        view, tmp_path, first=[first],
        meanwhile=lambda: there.append(sorted(path.stem for path in tmp_path.rglob("*.html"))),
    )  # fmt: skip
    assert there == [sorted(["index", "fleet", "about", first])]
    write_pack(view, tmp_path / "none", meanwhile=lambda: there.append([]))
    assert len(there) == 2


def test_nothing_comes_from_outside(folder: Path, pages: dict[str, Page]) -> None:
    for name, page in pages.items():
        text = (folder / name).read_text("utf-8")
        for tag, attributes in page.tags:
            assert tag not in ("link", "img", "iframe", "object", "embed", "base", "form")
            for key, value in attributes.items():
                assert not key.startswith("on")
                assert key not in ("src", "style", "srcset", "action")
                assert "http:" not in value
                assert "https:" not in value
        assert "@import" not in text
        assert re.search(r"url\((?!#)", text) is None
        assert "\x07" not in text


def test_policy_allows_the_own_style_and_script_alone(folder: Path, pages: dict[str, Page]) -> None:
    for name, page in pages.items():
        text = (folder / name).read_text("utf-8")
        policy = next(one["content"] for tag, one in page.tags if one.get("http-equiv") == "Content-Security-Policy")
        allowed = re.findall(r"(style|script)-src 'sha256-([^']+)'", policy)
        inside = [
            (kind, base64.b64encode(hashlib.sha256(body.encode()).digest()).decode())
            for kind, body in re.findall(r"<(style|script)>(.*?)</\1>", text, re.S)
        ]
        assert allowed == inside
        assert policy.startswith("default-src 'none'; ")
        assert "unsafe" not in policy
        assert [kind for kind, _ in inside] == (["style", "script"] if name == "fleet.html" else ["style"])


def test_links_and_anchors_resolve(pages: dict[str, Page]) -> None:
    followed = 0
    for name, page in pages.items():
        assert [key for key, count in page.ids.items() if count > 1] == []
        for link in page.links:
            path, _, place = link.partition("#")
            there = name if not path else _beside(name, path)
            assert there in pages, f"{name}: {link}"
            assert not place or place in pages[there].ids, f"{name}: {link}"
            followed += 1
        for _, attributes in page.tags:
            for key in ("aria-labelledby", "aria-describedby"):
                assert all(one in page.ids for one in attributes.get(key, "").split())
    assert followed > 60
    assert "vehicles/K01.html#signal-s-2d-1" in pages["index.html"].links
    assert "fleet.html#signal-s-2d-2" in pages["index.html"].links


def _beside(name: str, path: str) -> str:
    parts: list[str] = []
    for part in (*PurePosixPath(name).parent.parts, *PurePosixPath(path).parts):
        if part == "..":
            parts.pop()
        else:
            parts.append(part)
    return "/".join(parts)


def test_hostile_text_is_shown_as_text(view: PackView, tmp_path: Path) -> None:
    vehicle = view.month.vehicles[0]
    assert vehicle.history is not None
    assert vehicle.last_test is not None
    pairs = ((HOSTILE, HOSTILE),)
    one_set = replace(vehicle.last_test.sets[0], protocol=HOSTILE)
    bad = replace(
        vehicle, vehicle=HOSTILE, family=HOSTILE, depot=HOSTILE, usage_notes=(HOSTILE,), doubts=(HOSTILE,),
        history=replace(vehicle.history, vehicle=HOSTILE), unsaid=(HOSTILE,),
        visits=tuple(
            replace(one, complaint=HOSTILE, note=HOSTILE, tests=(HOSTILE,), conditions=((HOSTILE, pairs),))
            for one in vehicle.visits
        ),
        last_test=replace(vehicle.last_test, diagnosis=HOSTILE, cautions=(HOSTILE,), sets=(one_set,)),
    )  # fmt: skip
    first = view.first
    row = replace(first.book[0].rows[0], vehicle=HOSTILE, work=HOSTILE, reason=HOSTILE)
    page = replace(
        first, summary=(HOSTILE,), missing=(HOSTILE,), cautions=(HOSTILE,), currency=HOSTILE,
        book=(replace(first.book[0], rows=(row,)),),
        signals=(replace(first.signals[0], vehicle=HOSTILE, heading=HOSTILE, sentence=HOSTILE, key=HOSTILE),),
        weak_tests=(replace(first.weak_tests[0], vehicle=HOSTILE, sentence=HOSTILE),),
        orders=(replace(first.orders[0], name=HOSTILE, sentence=HOSTILE),),
    )  # fmt: skip
    month = replace(
        view.month, workspace=HOSTILE, version=HOSTILE, vehicles=(bad,),
        fleet=(replace(view.month.fleet[0], vehicle=HOSTILE, worst_part=HOSTILE),),
    )  # fmt: skip
    fleet = replace(view.fleet, quality=replace(view.fleet.quality, sentence=HOSTILE), unsaid=(HOSTILE,))
    about = replace(view.about, run=((HOSTILE, HOSTILE),), known=(HOSTILE,))
    done = write_pack(PackView(month, page, fleet, about), tmp_path)
    for name in done.pages:
        text = (tmp_path / name).read_text("utf-8")
        read = Page(text)
        assert "alert(1)</script>" not in text
        assert [tag for tag, _ in read.tags].count("script") == (1 if name == "fleet.html" else 0)
        assert "\x07" not in text
        assert read.words.count(SHOWN) >= 3
        assert "49" not in re.sub(r"[^{}]*", "", text)
    assert (tmp_path / done.pages[2]).parent == tmp_path / "vehicles"


def large(view: PackView) -> Iterator[MonthView]:
    """The month with 300 and with 301 vehicles, all but the first five without readings."""
    for count in (300, 301):
        quiet = replace(view.month.vehicles[5], worst_state="steady")
        more = tuple(replace(quiet, vehicle=f"N{k:03d}") for k in range(count - 5))
        yield replace(view.month, vehicles=(*view.month.vehicles[:5], *more))


def test_large_fleets_have_pages_of_those_that_ask_for_somebody(view: PackView, tmp_path: Path) -> None:
    small, wide = (replace(view, month=month) for month in large(view))
    assert len(small.shown) == 300
    # K03 is steady; a signal of its own would bring it back
    assert [one.vehicle for one in wide.shown] == ["K01", "K02", "K04", "K05"]
    signal = replace(view.first.signals[0], vehicle="K03")
    told = replace(wide, first=replace(wide.first, signals=(signal,)))
    assert [one.vehicle for one in told.shown] == ["K01", "K02", "K03", "K04", "K05"]
    done = write_pack(wide, tmp_path)
    assert done.left_out == 297
    assert "4 of 301 vehicles have a page of their own" in Page((tmp_path / "fleet.html").read_text("utf-8")).words


def test_pages_of_an_earlier_pack_go_and_other_files_stay(view: PackView, tmp_path: Path) -> None:
    write_pack(view, tmp_path)
    note = tmp_path / "vehicles" / "my notes.html"
    note.write_text("<p>call the depot</p>", encoding="utf-8")
    fewer = replace(view, month=replace(view.month, vehicles=view.month.vehicles[:2]))
    done: Written = write_pack(fewer, tmp_path)
    assert {path.name for path in (tmp_path / "vehicles").iterdir()} == {"K01.html", "K02.html", note.name}
    assert done.first == tmp_path / "index.html"


def test_a_folder_that_cannot_be_written_is_told(view: PackView, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    with pytest.raises(InputError, match="cannot be written"):
        write_pack(view, tmp_path / "taken")


def test_an_empty_workspace_has_pages(view: PackView, tmp_path: Path) -> None:
    month = MonthView("October 2026", AS_OF, "new workspace", "0.1.0")
    quality = DataQuality("No file is loaded.", (), (), (), ())
    fleet = FleetPage(
        AS_OF, (), StatesOverTime((), "No run is kept."), CrossingsAhead((), 0, 0.0, 0, "No part has a forecast."),
        RigSection((), ()), quality,
    )  # fmt: skip
    first = replace(
        view.first, book=(), not_booked=(), tests=(), changes=(), signals=(), weak_tests=(), orders=(), unsaid=(),
        no_plan=("Nothing is known of any part.",), counts=(), missing=(), issued=replace(view.first.issued, rows=()),
    )  # fmt: skip
    done = write_pack(PackView(month, first, fleet, AboutPage()), tmp_path)
    assert done.pages == ("index.html", "fleet.html", "about.html")
    assert "No vehicle has readings yet" in Page((tmp_path / "fleet.html").read_text("utf-8")).words
    assert "No test is asked for" in Page((tmp_path / "index.html").read_text("utf-8")).words


def test_sixty_vehicles_stay_under_five_megabytes(folder: Path) -> None:
    sizes = {path.name: path.stat().st_size for path in folder.rglob("*.html")}
    rest = sizes["index.html"] + sizes["fleet.html"] + sizes["about.html"]
    assert 60 * sizes["K04.html"] + rest < 5_000_000


def test_names_of_pages_are_plain_and_differ() -> None:
    keys = ["K01", "k01", "K 01", "K-01", "Ж1", "../../etc/passwd", "con", "", "a" * 300, "V12"]
    names = page_names(keys)
    assert len({name.lower() for name in names.values()}) == len(keys)
    assert all(re.fullmatch(r"vehicles/[A-Za-z0-9_-]{1,80}\.html", name) for name in names.values())
    assert names["V12"] == "vehicles/V12.html"
    assert names["con"] != "vehicles/con.html"
    assert page_names(["V12"])["V12"] == names["V12"]
    anchors = {anchor(key) for key in keys}
    assert len(anchors) == len(keys)

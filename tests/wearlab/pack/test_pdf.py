"""The PDF of a pack, read back by another program: text, page numbers, links, fonts, and what it may not read."""

from __future__ import annotations

import io
import re
import sys
from ctypes.util import find_library
from html import escape
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from outside import need
from wearlab.pack import pdf
from wearlab.pack.pdf import PdfMade, make_pdf
from wearlab.pack.pdf_source import css_text, heading_of
from wearlab.records import NoAnswer

HOSTILE = '</style><script>alert(1)</script> "}; @import url(http://127.0.0.1:9/x); $x^2$ \\22 & <b>'
TITLE = "Milk round, October 2026"


def page(heading: str, body: str = "", head: str = "") -> str:
    return (
        f"<!DOCTYPE html><html lang=en><head><title>{escape(heading)} – pack</title>{head}"
        f"<style>@page {{ @bottom-right {{ content: 'other' }} }}</style></head>"
        f'<body><h1 id="top">{escape(heading)}</h1>{body}</body></html>'
    )


CHART = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 40" width="100" height="40">'
    '<defs><path id="m" d="M0 0L40 20" stroke="#000"/></defs><use href="#m"/><text x="2" y="30">chart of V12</text>'
    "</svg>"
)
PAGES = (
    ("index.html", page("Fuel wear", "<p>see <a href='vehicles/V12.html#last'>V12</a></p>" + "<p>a line</p>" * 90)),
    ("fleet.html", page("The fleet", "<a href='vehicles/V40.html'>V40</a> <a href='about.html'>about</a>")),
    ("vehicles/V12.html", page("V12 past limit", f"<a href='../index.html'>back</a>{CHART}<h2 id='last'>Last</h2>")),
    (
        "vehicles/V07.html",
        page("V07 book", f"<a href='V12.html'>V12</a>{CHART}<details><summary>shut</summary><p>inside</p></details>"),
    ),
)  # fmt: skip


def made(pages: Any, folder: Path, **other: Any) -> tuple[PdfMade, PdfReader]:
    need(find_library("pango-1.0"), "Pango")
    found = make_pdf(pages, folder, **{"title": TITLE, **other})
    assert isinstance(found, PdfMade)
    return found, PdfReader(io.BytesIO(found.content))


@pytest.fixture(scope="module")
def pack(tmp_path_factory: pytest.TempPathFactory) -> tuple[PdfMade, PdfReader]:
    return made(PAGES, tmp_path_factory.mktemp("pack"), note="And no more.")


def links(reader: PdfReader) -> list[tuple[int, str]]:
    """Every link as (page it stands on, destination)."""
    found = []
    for number, sheet in enumerate(reader.pages):
        for item in sheet.get("/Annots", ()):
            note = item.get_object()
            assert note["/Subtype"] == "/Link"
            assert "/A" not in note, "a link that leaves the document"
            found.append((number, str(note["/Dest"])))
    return found


def test_every_page_is_a4_with_its_number_and_title(pack: tuple[PdfMade, PdfReader]) -> None:
    told, reader = pack
    assert len(reader.pages) == told.pages > len(PAGES) + 1
    for number, sheet in enumerate(reader.pages, start=1):
        assert (float(sheet.mediabox.width), float(sheet.mediabox.height)) == pytest.approx((595.28, 841.89), abs=0.1)
        text = sheet.extract_text()
        assert f"page {number}" in text
        assert TITLE in text
        assert "other" not in text
    assert reader.metadata is not None
    assert reader.metadata.title == TITLE


def test_contents_name_the_pages_that_the_parts_are_on(pack: tuple[PdfMade, PdfReader]) -> None:
    told, reader = pack
    texts = [sheet.extract_text() for sheet in reader.pages]
    (contents,) = (text for text in texts if "Contents" in text)
    assert texts.index(contents) == told.starts[1][1] - 2  # after the first page, before the fleet
    assert "And no more." in contents
    for heading, number in told.starts:
        assert heading in texts[number - 1]
        assert re.search(rf"{heading} \.+ +{number}\b", contents)
    assert [heading for heading, _ in told.starts] == ["Fuel wear", "The fleet", "V12 past limit", "V07 book"]


def test_links_lead_to_the_right_pages_and_nowhere_outside(pack: tuple[PdfMade, PdfReader]) -> None:
    told, reader = pack
    known = reader.named_destinations
    start = {heading: number - 1 for heading, number in told.starts}
    goes = [(on, reader.get_destination_page_number(known[to])) for on, to in links(reader)]
    contents = start["The fleet"] - 1
    assert {to for on, to in goes if on == contents} == set(start.values())
    assert (0, start["V12 past limit"]) in goes
    assert (start["V12 past limit"], 0) in goes
    assert (start["V07 book"], start["V12 past limit"]) in goes
    # pages that the document does not hold are named, but not linked
    assert not [one for one in goes if one[0] == start["The fleet"]]
    assert "V40" in reader.pages[start["The fleet"]].extract_text()


def test_charts_keep_their_text_and_every_font_is_embedded(pack: tuple[PdfMade, PdfReader]) -> None:
    _, reader = pack
    assert sum("chart of V12" in sheet.extract_text() for sheet in reader.pages) == 2
    names = set()
    for sheet in reader.pages:
        for font in sheet["/Resources"]["/Font"].values():
            (inner,) = font.get_object()["/DescendantFonts"]
            told_of = inner.get_object()["/FontDescriptor"].get_object()
            assert "/FontFile2" in told_of or "/FontFile3" in told_of
            names.add(str(told_of["/FontName"]).partition("+")[2])
    assert names
    assert all(name.startswith("Pack-") for name in names)


def test_what_is_folded_away_is_left_out_and_pages_are_bookmarked(pack: tuple[PdfMade, PdfReader]) -> None:
    _, reader = pack
    last = reader.pages[-1].extract_text()
    assert "shut" in last
    assert "inside" not in last
    assert [str(one.title) for one in reader.outline if not isinstance(one, list)] == [
        "Fuel wear", "Contents", "The fleet", "V12 past limit", "V07 book",
    ]  # fmt: skip


def test_what_is_on_screen_alone_is_left_out_and_what_stands_beside_it_stays(tmp_path: Path) -> None:
    body = (
        '<table><tr class="edge screen"><td>row gone</td></tr><tr class="edge"><td>row kept</td></tr></table>'
        '<div class="panel screen"><div>panel gone</div>and its end gone</div>tail kept'
        '<details class="fold"><summary>fold kept</summary><details><summary>in gone</summary></details></details>'
        '<details open><summary>open</summary><p class="screens">open kept</p></details>'
        f'<details class="small"><summary>readings gone</summary>{CHART}</details><div class="screen">never closed'
    )
    _, reader = made((("index.html", page("x", body)),), tmp_path)
    text = " ".join(sheet.extract_text() for sheet in reader.pages)
    assert "gone" not in text
    assert "chart of V12" not in text
    assert "never closed" not in text
    for kept in ("row kept", "tail kept", "fold kept", "open kept"):
        assert kept in text


def test_the_same_pages_give_the_same_bytes(tmp_path: Path) -> None:
    first, _ = made(PAGES[1:3], tmp_path)
    again, _ = made(PAGES[1:3], tmp_path)
    assert first.content == again.content


def test_hostile_text_stays_text(tmp_path: Path) -> None:
    told, reader = made(
        (("index.html", page(HOSTILE)), ("a b.html", page("x", escape(HOSTILE)))), tmp_path, title=HOSTILE
    )
    text = " ".join(" ".join(sheet.extract_text() for sheet in reader.pages).split())
    # in a heading, in the contents, in a body and at the foot of every page
    assert text.count("<script>alert(1)</script>") >= 3 + len(reader.pages)
    assert text.count("$x^2$") >= 3 + len(reader.pages)
    assert told.refused == ()
    assert b"/JavaScript" not in told.content


def test_nothing_outside_the_pack_is_read(tmp_path: Path) -> None:
    folder = tmp_path / "pack"
    folder.mkdir()
    secret = tmp_path / "secret.svg"
    drawing = '<svg xmlns="http://www.w3.org/2000/svg" width="90" height="20"><text y="15">{}</text></svg>'
    secret.write_text(drawing.format("secret"), "utf-8")
    (folder / "own.svg").write_text(drawing.format("own"), "utf-8")
    (folder / "way.svg").symlink_to(secret)
    body = "".join(
        f"<p><img src='{where}'></p>"
        for where in (
            "own.svg", "../secret.svg", "way.svg", secret.as_uri(), "http://127.0.0.1:9/a.png", "ftp://127.0.0.1:9/a.png",
            "file://other/share/secret.svg", "own.svg%00", "/etc/hostname",
        )
    )  # fmt: skip
    style = "@import url('../secret.css'); p { background: url(../secret.svg) }"
    head = f"<base href='{folder.as_uri()}/'><style>{style}</style>"
    told, reader = made((("index.html", page("x", body, head)),), folder)
    text = " ".join(sheet.extract_text() for sheet in reader.pages)
    assert "own" in text
    assert "secret" not in text
    assert len(told.refused) >= 8
    assert not any("own.svg" in one and "%00" not in one for one in told.refused)


@pytest.mark.parametrize("fault", [OSError("cannot load library 'libpango-1.0-0'"), ImportError("no module")])
def test_without_its_library_there_is_one_sentence_and_no_pdf(
    fault: Exception, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Missing:
        def find_spec(self, name: str, path: object = None, target: object = None) -> None:
            if name == "weasyprint":
                sys.stdout.write("long advice")
                raise fault

    for name in [name for name in sys.modules if name.partition(".")[0] == "weasyprint"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    found = make_pdf(PAGES, tmp_path, title=TITLE)
    assert isinstance(found, NoAnswer)
    assert found.reason == pdf.NO_PANGO
    assert "libpango-1.0-0" in found.reason
    assert capsys.readouterr().out == ""


def test_pages_have_names_of_their_own(tmp_path: Path) -> None:
    for pages in ((), (PAGES[0], PAGES[0])):
        with pytest.raises(ValueError, match="names of their own"):
            make_pdf(pages, tmp_path, title=TITLE)


def test_headings_are_found_without_reading_on() -> None:
    assert heading_of("<title>t</title><h1>A <b>b</b>\n &amp; c</h1><h1>two</h1>", "n") == "A b & c"
    assert heading_of("<title>only this</title><p>x" + "y" * 9000, "n") == "only this"
    assert heading_of("<h1> </h1>", "a.html") == "a.html"
    assert css_text('a"}\n') == '"a\\22 \\7d \\a "'

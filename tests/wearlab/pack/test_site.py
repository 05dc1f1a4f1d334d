"""The folder of pages: nothing from outside, text as text, links that lead somewhere, and readable by everybody."""

from __future__ import annotations

import base64
import hashlib
import re
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path, PurePosixPath

import pytest

from outside import program
from pack_views import AS_OF, pack_view
from page_reader import Page
from wearlab.errors import InputError
from wearlab.pack.about_page import AboutPage
from wearlab.pack.fleet_page import CrossingsAhead, DataQuality, FleetPage, RigSection, StatesOverTime
from wearlab.pack.links import anchor, page_names
from wearlab.pack.pack_view import PackView
from wearlab.pack.pages import first_html, vehicle_html
from wearlab.pack.site import Written, write_pack
from wearlab.pack.view import MonthView
from wearlab.records import STATE_MARK, State

TEMPLATES = Path(__file__).parents[3] / "wearlab/pack/templates"
HOSTILE = "<script>alert(1)</script>$x$ \"q\" 'a' & {{ 7*7 }}\x07"
SHOWN = "<script>alert(1)</script>$x$ \"q\" 'a' & {{ 7*7 }}"


@pytest.fixture(scope="session")
def view(october: MonthView) -> PackView:
    return pack_view(october)


@pytest.fixture(scope="session")
def folder(view: PackView, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pack") / "2026-10"
    write_pack(view, path)
    return path


@pytest.fixture(scope="session")
def pages(folder: Path) -> dict[str, Page]:
    """Every page by its path below the folder."""
    return {
        path.relative_to(folder).as_posix(): Page(path.read_text("utf-8")) for path in sorted(folder.rglob("*.html"))
    }


def test_a_page_for_everything(pages: dict[str, Page], view: PackView) -> None:
    assert list(pages) == ["about.html", "fleet.html", "index.html", *(f"vehicles/K0{k}.html" for k in range(1, 7))]


def test_same_view_same_bytes_by_any_number_of_processes(view: PackView, folder: Path, tmp_path: Path) -> None:
    # as many vehicles as make the work be shared out
    first = view.month.vehicles[5]
    many = tuple(replace(first, vehicle=f"N{k:02d}") for k in range(16))
    wide = replace(view, month=replace(view.month, vehicles=(view.month.vehicles[0], *many)))
    done = [write_pack(wide, tmp_path / str(workers), workers=workers) for workers in (1, 2)]
    assert done[0].pages == done[1].pages
    assert len(done[0].pages) == 20
    for name in done[0].pages:
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes()
    k01 = "vehicles/K01.html"
    assert (tmp_path / "1" / k01).read_bytes() == (folder / k01).read_bytes()
    assert done[0].size == sum(path.stat().st_size for path in (tmp_path / "1").rglob("*.html"))


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


def test_headings_go_down_one_step_at_a_time(pages: dict[str, Page]) -> None:
    for name, page in pages.items():
        assert page.headings[0] == 1
        assert page.headings.count(1) == 1
        for above, below in zip(page.headings, page.headings[1:], strict=False):
            assert below <= above + 1, name


def test_tables_are_named_and_their_heads_have_a_scope(folder: Path, pages: dict[str, Page]) -> None:
    for name, page in pages.items():
        heads = [attributes for tag, attributes in page.tags if tag == "th"]
        assert all(one.get("scope") in ("col", "row") for one in heads), name
        # a table's name: its caption, or that of the region or heading around it
        for table in re.findall(
            r'<table class="(?:stack|much)[^>]*>(.*?)</table>', (folder / name).read_text("utf-8"), re.S
        ):
            assert "<caption" in table, name  # fmt: skip
        regions = [one for tag, one in page.tags if one.get("role") == "region"]
        assert all(one["aria-label"] and one["tabindex"] == "0" for one in regions)


def test_every_chart_has_a_text_and_a_table(folder: Path, pages: dict[str, Page]) -> None:
    for name, page in pages.items():
        charts = [one for tag, one in page.tags if tag == "svg" and one.get("aria-hidden") != "true"]
        assert all(one["role"] == "img" and one["aria-labelledby"] for one in charts)
        text = (folder / name).read_text("utf-8")
        for figure in re.findall(r"<figure.*?</figure>", text, re.S):
            drawn = len(re.findall(r'<svg [^>]*role="img"', figure))
            assert drawn
            assert figure.count("<table>") == drawn or "stand in the table" in figure, name
    # one figure a vehicle and the chart of each part that presses or that a signal names
    shown = {name: sum(tag == "figure" for tag, _ in page.tags) for name, page in pages.items()}
    assert shown["vehicles/K03.html"] == 1
    assert shown["vehicles/K02.html"] == 2
    assert shown["vehicles/K01.html"] == 3
    assert shown["vehicles/K06.html"] == 0


def test_a_signal_asks_for_the_chart_of_its_part(view: PackView) -> None:
    steady = next(one for one in view.month.vehicles if one.vehicle == "K03")
    sheet = view.sheet(steady)
    plain = Page(vehicle_html(sheet))
    row = replace(view.first.signals[0], vehicle="K03", heading="K03, injector 3: return flow, warm idle")
    told = replace(view, first=replace(view.first, signals=(row,)))
    signalled = Page(vehicle_html(told.sheet(steady)))
    figures = [sum(tag == "figure" for tag, _ in page.tags) for page in (plain, signalled)]
    # its control chart and the chart of the part
    assert figures == [1, 3]
    assert "May also be: a step of injector 3" in signalled.words
    assert "on 1 September 2026" in signalled.words


def test_states_carry_word_and_mark(folder: Path) -> None:
    seen = set()
    for path in folder.rglob("*.html"):
        text = path.read_text("utf-8")
        badges = re.findall(r'<b class="badge [^"]+"><i aria-hidden="true">([^<]+)</i> ([^<]+)</b>', text)
        assert text.count('class="badge') == len(badges)
        for sign, word in badges:
            assert sign.replace("&gt;", ">") == ("·" if word == "not tested" else STATE_MARK[State(word)])
            seen.add(word)
    assert seen >= {"past limit", "book", "watch", "steady", "not tested"}


def test_first_page_decides(pages: dict[str, Page]) -> None:
    text = pages["index.html"].words
    order = ["1 visit to book", "What to book", "November 2026", "640 crowns", "12 November 2026", "What to test",
             "What changed", "What wear does not explain", "Check first:", "missing, too old or spoiled",
             "Parts to order", "How earlier forecasts did", "could not say", "Before anybody opens a line"]  # fmt: skip
    places = [text.index(word) for word in order]
    assert places == sorted(places)
    assert "overdue since 30 September 2026" in text
    assert "does not authorise work" in text
    # what is due later waits below what presses
    tests = text[text.index("What to test") : text.index("What changed")]
    assert tests.index("K04") < tests.index("1 more whose test is due later") < tests.index("K05")
    assert "p-value" not in text


def test_vehicle_page_is_complete(pages: dict[str, Page]) -> None:
    text = pages["vehicles/K02.html"].words
    for word in (
        "12 November 2026, call it in: replace injector 3", "Within limit: Injector 3 reads 40 ml/min",
        "version 2; workshop manual of the engine, invented", "Rail pressure 310 bar, duration 60 s, rig R1.",
        "An injector's trim code moves with the injector.", "hard start when warm", "Exchange the hoses of 3 and 4",
        "still fitted",
    ):  # fmt: skip
        assert word in text, word


def test_what_is_the_same_at_every_test_is_said_once(view: PackView) -> None:
    vehicle, idle = view.month.vehicles[0], "return flow, warm idle"
    visits = tuple(
        replace(visit, conditions=((idle, (("duration", "60 s"), ("rail pressure", f"{300 + k} bar"))),))
        for k, visit in enumerate(vehicle.visits)
    )  # fmt: skip
    text = Page(vehicle_html(view.sheet(replace(vehicle, visits=visits)))).words
    assert text.count("duration 60 s") == 1 + 1  # here, and under the last test
    assert "return flow, warm idle; rail pressure 303 bar" in text


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


def test_a_date_that_has_gone_by_is_called_overdue(view: PackView) -> None:
    text = Page(first_html(view, {})).words
    assert "30 September 2026 overdue" in text
    assert date(2027, 2, 1) > AS_OF
    assert text.count("overdue since") == 1


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


def test_text_colours_have_contrast() -> None:
    # 4.5:1 for text: Web Content Accessibility Guidelines 2.2, success criterion 1.4.3
    blocks = re.findall(r":root\{([^}]*--card:[^}]*)\}", (TEMPLATES / "pack.css").read_text("utf-8"))
    assert len(blocks) == 3
    for block in blocks:
        colours = dict(re.findall(r"--([\w-]+):(#[0-9a-f]{3,6})", block))
        for text in ("ink", "quiet", "link"):
            for ground in ("paper", "card"):
                assert contrast(colours[text], colours[ground]) >= 4.5


def contrast(first: str, second: str) -> float:
    """Contrast ratio as the Web Content Accessibility Guidelines 2.2 define it."""

    def light(colour: str) -> float:
        digits = colour[1:] if len(colour) == 7 else "".join(sign * 2 for sign in colour[1:])
        parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((light(first), light(second)))
    return (high + 0.05) / (low + 0.05)


def dumped(page: Path, profile: Path) -> str:
    """What a browser makes of a page after its script has run."""
    browser = program("chromium", "chromium-browser", "google-chrome")
    done = subprocess.run(
        [
            browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
            "--disable-background-networking", f"--user-data-dir={profile}", "--dump-dom", page.as_uri(),
        ],
        check=True, capture_output=True, timeout=60,
    )  # fmt: skip
    return done.stdout.decode()


def test_tables_sort_and_filter_where_scripts_run(folder: Path, tmp_path: Path) -> None:
    text = (folder / "fleet.html").read_text("utf-8")
    assert 'class="filter"' not in re.sub(r"<script>.*?</script>", "", text, flags=re.S)
    # under its own policy the script runs
    assert '<label class="filter">' in dumped(folder / "fleet.html", tmp_path / "profile")
    act = """
    const table = document.querySelector("table.sortable"), box = document.querySelector(".filter input");
    table.querySelectorAll("th button")[0].click();
    table.querySelectorAll("th button")[0].click();
    box.value = "river  VAN"; box.dispatchEvent(new Event("input"));
    """
    free = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", text).replace(
        "</body>", f"<script>{act}</script></body>"
    )
    (tmp_path / "fleet.html").write_text(free, encoding="utf-8")
    told = dumped(tmp_path / "fleet.html", tmp_path / "profile")
    assert 'aria-sort="descending"' in told
    rows = re.findall(r'<tr role="row" class="edge[^>]*>.*?</tr>', told.split('class="stack sortable"')[1], re.S)[:6]
    names = [re.search(r"K0\d", row) for row in rows]
    assert [found.group() for found in names if found] == ["K06", "K05", "K04", "K03", "K02", "K01"]
    shown = [name.group() for name, row in zip(names, rows, strict=True) if name and "hidden" not in row.split(">")[0]]
    wanted = [
        name.group()
        for name, row in zip(names, rows, strict=True)
        if name and "river depot" in row and "four-cylinder van" in row
    ]
    assert shown == wanted
    assert 0 < len(shown) < 6
    assert f"{len(shown)} of 6" in told

"""What stands on the pages and how it is read: headings, tables, charts, states, and the one script."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace
from datetime import date
from pathlib import Path

from outside import program
from pack_views import AS_OF
from page_reader import Page
from wearlab.pack.pack_view import PackView
from wearlab.pack.pages import first_html, vehicle_html
from wearlab.records import STATE_MARK, State

TEMPLATES = Path(__file__).parents[3] / "wearlab/pack/templates"


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


def test_a_date_that_has_gone_by_is_called_overdue(view: PackView) -> None:
    text = Page(first_html(view, {})).words
    assert "30 September 2026 overdue" in text
    assert date(2027, 2, 1) > AS_OF
    assert text.count("overdue since") == 1


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

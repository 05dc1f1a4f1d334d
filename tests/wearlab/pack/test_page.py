"""The page: nothing from outside, text as text, links that lead somewhere, and readable by everybody."""

from __future__ import annotations

import base64
import hashlib
import re
from collections import Counter
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import pytest

from wearlab.pack.order import count_states, crossings_by_month, mark, sort_attention, urgency, worst
from wearlab.pack.page import anchor, grounds, lead, render_page, write_page
from wearlab.pack.pictures import readings_table
from wearlab.pack.view import Attention, MonthView, OpenQuestion, PartState, Unsaid
from wearlab.pack.wear_words import figures, rate_words
from wearlab.records import STATE_MARK, State

VOID = {"meta", "br", "img", "hr", "link", "input"}
HOSTILE = "<script>alert(1)</script>$x$ \"q\" 'a' & {{ 7*7 }}\x07"


class Page(HTMLParser):
    """Reads a page into the little the tests ask of it, and fails on tags that do not match."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.ids: Counter[str] = Counter()
        self.links: list[str] = []
        self.headings: list[int] = []
        self.text: list[str] = []
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert not self._open, f"never closed: {self._open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        self.tags.append((tag, found))
        if "id" in found:
            self.ids[found["id"]] += 1
        if tag == "a":
            self.links.append(found["href"])
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self._open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self._open, f"</{tag}> closes nothing"
        assert self._open.pop() == tag, f"</{tag}> does not match"

    def handle_data(self, data: str) -> None:
        if not self._open or self._open[-1] not in ("style", "script"):
            self.text.append(data)


@pytest.fixture(scope="session")
def html(october: MonthView) -> str:
    return render_page(october)


@pytest.fixture(scope="session")
def page(html: str) -> Page:
    return Page(html)


def test_same_view_same_bytes(october: MonthView, html: str, tmp_path: Path) -> None:
    path = write_page(october, tmp_path / "reports" / "2026-10" / "index.html")
    assert path.read_bytes() == html.encode()


def test_nothing_comes_from_outside(page: Page, html: str) -> None:
    for tag, attributes in page.tags:
        assert tag not in ("script", "link", "img", "iframe", "object", "embed", "base", "form")
        for name, value in attributes.items():
            assert not name.startswith("on")
            assert name not in ("src", "style", "srcset", "action")
            if name in ("href", "xlink:href"):
                assert value.startswith("#")
    assert set(re.findall(r"https?://[^\s\"'<>]+", html)) == {"http://www.w3.org/2000/svg"}
    assert "@import" not in html
    assert not re.search(r"url\((?!#)", html)


def test_content_policy_allows_only_the_pages_own_style(page: Page, html: str) -> None:
    (policy,) = (a["content"] for _, a in page.tags if a.get("http-equiv") == "Content-Security-Policy")
    (style,) = re.findall(r"<style>(.*?)</style>", html, re.S)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert "default-src 'none'" in policy
    assert f"style-src 'sha256-{digest}'" in policy
    assert "unsafe" not in policy


def test_links_lead_somewhere_and_ids_are_single(page: Page) -> None:
    assert [key for key, count in page.ids.items() if count > 1] == []
    assert len(page.links) > 15
    for link in page.links:
        assert link[1:] in page.ids
    for _, attributes in page.tags:
        for name in ("aria-labelledby", "aria-describedby"):
            for key in attributes.get(name, "").split():
                assert key in page.ids


def test_headings_go_down_one_step_at_a_time(page: Page) -> None:
    assert page.headings[0] == 1
    assert page.headings.count(1) == 1
    for above, below in zip(page.headings, page.headings[1:], strict=False):
        assert below <= above + 1


def test_table_headers_have_a_scope(page: Page) -> None:
    headers = [attributes for tag, attributes in page.tags if tag == "th"]
    assert len(headers) > 100
    assert all(attributes.get("scope") in ("col", "row") for attributes in headers)


def test_every_chart_has_a_text_alternative(page: Page) -> None:
    pictures = [attributes for tag, attributes in page.tags if tag == "svg"]
    charts = [attributes for attributes in pictures if attributes.get("aria-hidden") != "true"]
    # two of the fleet, three panels for each of five vehicles, three parts past limit or to be booked
    assert len(charts) == 2 + 15 + 3
    assert all(one["role"] == "img" and one["aria-labelledby"] for one in charts)
    assert sum(tag == "figure" for tag, _ in page.tags) == len(charts)


def test_states_carry_word_and_mark(html: str, october: MonthView) -> None:
    badges = re.findall(
        r'<span class="badge [^"]+"><span class="sign" aria-hidden="true">([^<]+)</span> ([^<]+)</span>', html
    )
    assert html.count('class="badge') == len(badges) > 40
    for sign, word in badges:
        word = word.strip()
        assert sign.replace("&gt;", ">") == ("·" if word == "not tested" else STATE_MARK[State(word)])
    assert {word.strip() for _, word in badges} >= {state.value for state in State} | {"not tested"}


def test_first_section_says_what_needs_attention(page: Page, october: MonthView) -> None:
    text = " ".join("".join(page.text).split())
    assert "4 parts need attention: 1 past their limit, 2 to book, 1 to test again." in text
    assert text.index("K02 injector 3") < text.index("K01 injector 3") < text.index("K04 pump")
    assert "between March and July 2027, most likely May 2027, at about 329,000 km" in text
    assert "not calibrated" in text
    assert "does not authorise work" in text
    for caution in october.cautions:
        assert caution in text


def test_limits_and_conditions_are_said_once_for_all_parts(october: MonthView) -> None:
    # three parts are judged by one limit, under one set of conditions
    assert grounds(october.attention) == (
        "return flow, warm idle, at most 45 ml/min: warm idle, version 2; workshop manual of the engine, invented",
        "return flow, warm idle: levels are told under 300 bar, 60 °C",
    )
    text = " ".join("".join(Page(render_page(replace(october, vehicles=(), wear=()))).text).split())
    assert text.count("under 300 bar, 60 °C") == text.count("version 2") == 1


def test_an_overdue_test_is_called_so(october: MonthView) -> None:
    late = replace(october.attention[0], retest_by=date(2026, 10, 16), reason="It may pass from 2026-12-30 on.")
    text = " ".join("".join(Page(render_page(replace(october, attention=(late,), vehicles=()))).text).split())
    assert "Test overdue since 16 October 2026" in text
    assert "from 30 December 2026 on" in text


def test_figures_of_an_interval_have_the_decimals_of_its_value() -> None:
    assert figures(0.119, -0.00686, 0.229) == ("0.119", "-0.007", "0.229")
    assert figures(1.15, 1.1, 1.2) == ("1.15", "1.10", "1.20")
    assert figures(-0.0136, -0.218, 0.191) == ("-0.014", "-0.218", "0.191")
    assert figures(1234.6, None) == ("1,235", "–")
    assert figures(0.0) == ("0",)
    assert rate_words(None, 0.5, None) == ("0.500", "")


def test_file_account_adds_up_on_the_page(page: Page) -> None:
    text = " ".join(" ".join(page.text).split())
    assert "north.csv loaded 30 October 2026" in text
    # read, accepted, flagged, set aside, structure, cells set aside, readings, questions
    assert "All files 1,285 1,264 11 6 4 6 2,854 1" in text


def test_data_tables_hold_every_reading(october: MonthView) -> None:
    history = october.vehicles[0].history
    assert history is not None
    crank = [series for series in history.series if series.protocol == "crank 15 s"]
    table = readings_table(crank)
    assert table.headers == ("date", "odometer", "injector 1", "injector 2", "injector 3", "injector 4")
    assert len(table.rows) == 9
    assert table.rows[-1][3] == "at least 60.0"
    assert not any("–" in row[2:] for row in table.rows)


def test_hostile_text_is_shown_as_text(october: MonthView) -> None:
    vehicle = october.vehicles[0]
    assert vehicle.history is not None
    assert vehicle.last_test is not None
    bad = replace(
        vehicle,
        vehicle=HOSTILE,
        family=HOSTILE,
        history=replace(vehicle.history, vehicle=HOSTILE),
        visits=tuple(replace(visit, complaint=HOSTILE, note=HOSTILE) for visit in vehicle.visits),
        last_test=replace(vehicle.last_test, diagnosis=HOSTILE),
        unsaid=(HOSTILE,),
    )
    view = replace(
        october,
        workspace=HOSTILE,
        vehicles=(bad,),
        attention=(replace(october.attention[0], vehicle=HOSTILE, reason=HOSTILE, part=HOSTILE),),
        questions=(OpenQuestion(HOSTILE, 1, HOSTILE),),
        unsaid=(Unsaid(HOSTILE, HOSTILE, HOSTILE),),
        settings=((HOSTILE, HOSTILE),),
    )
    html = render_page(view)
    page = Page(html)
    assert "script" not in {tag for tag, _ in page.tags}
    assert "\x07" not in html
    shown = "<script>alert(1)</script>$x$ \"q\" 'a' & {{ 7*7 }}"
    assert sum(shown in text for text in page.text) >= 20
    assert all(link[1:] in page.ids for link in page.links)


def test_empty_fleet_works() -> None:
    html = render_page(MonthView("October 2026", date(2026, 10, 31), "new workspace", "0.1.0"))
    text = " ".join("".join(Page(html).text).split())
    assert "Nothing needs attention this month." in text
    assert "No vehicle has readings yet" in text
    assert "No file is loaded." in text


def test_sixty_vehicles_stay_under_five_megabytes(october: MonthView, html: str) -> None:
    empty = len(render_page(replace(october, vehicles=())))
    largest = len(render_page(replace(october, vehicles=(october.vehicles[1],)))) - empty
    assert 60 * largest + empty < 5_000_000


def test_anchors_are_plain_and_differ() -> None:
    keys = ["K01", "K-01", "K 01", "k01", "Ж1", "a-2d-b", "a-b"]
    anchors = {anchor(key) for key in keys}
    assert len(anchors) == len(keys)
    assert all(re.fullmatch(r"v-[A-Za-z0-9-]+", one) for one in anchors)


def test_text_colours_have_contrast() -> None:
    # 4.5:1 for text: Web Content Accessibility Guidelines 2.2, success criterion 1.4.3
    css = (Path(__file__).parents[3] / "wearlab/pack/templates/page.css").read_text("utf-8")
    blocks = re.findall(r":root\{([^}]*--card:[^}]*)\}", css)
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


def test_attention_is_sorted_by_state_then_date() -> None:
    def item(state: str, middle: date | None, vehicle: str = "K1") -> Attention:
        return Attention(vehicle, "1", "p", state, "return_flow", "idle", "why", date_p50=middle)

    late, soon = date(2028, 1, 1), date(2027, 1, 1)
    items = [
        item("watch", soon),
        item("book", None),
        item("book", late),
        item("past limit", None),
        item("book", soon),
    ]
    assert [(one.state, one.date_p50) for one in sort_attention(items)] == [
        ("past limit", None), ("book", soon), ("book", late), ("book", None), ("watch", soon),
    ]  # fmt: skip
    assert lead(tuple(items)) == "5 parts need attention: 1 past their limit, 3 to book, 1 to watch."


def test_counts() -> None:
    assert {count.state: count.parts for count in count_states(["book", "book", "steady"])} == {
        **dict.fromkeys((state.value for state in State), 0), "book": 2, "steady": 1,
    }  # fmt: skip
    dates = [
        (date(2026, 11, 5), date(2026, 12, 1), date(2027, 1, 9)),
        (date(2026, 12, 31), None, None),
        (None, None, None),
    ]
    counted = [(one.month, one.likely, one.possible) for one in crossings_by_month(dates, date(2026, 10, 31), 5)]
    assert counted == [
        (date(2026, 10, 1), 0, 0), (date(2026, 11, 1), 0, 1), (date(2026, 12, 1), 1, 2),
        (date(2027, 1, 1), 0, 2), (date(2027, 2, 1), 0, 1),
    ]  # fmt: skip


def test_unknown_states_have_a_mark_and_come_last() -> None:
    assert mark(None) == "·"
    assert urgency(None) > max(urgency(state) for state in State)


def test_a_test_without_a_limit_never_hides_a_state_that_has_one() -> None:
    def part(state: str) -> PartState:
        return PartState("1", "P1", "return_flow", "warm idle", "ml/min", state, 3)

    assert worst([]) is None
    assert worst([part("no limit"), part("no limit")]) == part("no limit")
    assert worst([part("no limit"), part("steady")]) == part("steady")
    assert worst([part("steady"), part("watch"), part("no limit")]) == part("watch")

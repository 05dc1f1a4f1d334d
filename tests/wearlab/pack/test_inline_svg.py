"""A chart inside a page is the same picture in fewer bytes."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.image import imread

from outside import program
from pack_views import picture
from wearlab.charts.svg import Chart
from wearlab.charts.vehicle import vehicle_charts
from wearlab.pack.inline_svg import inline_svg, short_path
from wearlab.pack.marks import round_marks, straight_marks
from wearlab.pack.view import MonthView


@pytest.fixture(scope="session")
def charts(october: MonthView) -> tuple[Chart, ...]:
    """Panels with filled and open marks, graduation bars, arrows, limits and a fan, and a control chart."""
    history = october.vehicles[1].history
    assert history is not None
    first = history.series[0]
    points = (*(replace(one, used=False) for one in first.points[:3]), *first.points[3:])
    over = tuple(replace(one, bound="at_least") for one in history.series[1].points)
    told = (replace(first, points=points), replace(history.series[1], points=over), *history.series[2:])
    return (*vehicle_charts(replace(history, series=told)), picture().chart)


def corners(data: str) -> list[tuple[str, float, float]]:
    """The points of straight path data in either writing, as an SVG reader follows them."""
    found = re.findall(r"[MLHVlhvz]|-?(?:\d+\.?\d*|\.\d+)", data)
    at, x, y, letter, made = 0, 0.0, 0.0, "", []
    while at < len(found):
        if found[at].isalpha():
            letter = found[at]
            at += 1
        if letter == "z":
            made.append(("z", 0.0, 0.0))
            continue
        if letter in "hv":
            x, y = (x + float(found[at]), y) if letter == "h" else (x, y + float(found[at]))
            at += 1
        else:
            left, down = float(found[at]), float(found[at + 1])
            x, y = (x + left, y + down) if letter == "l" else (left, down)
            at += 2
        made.append(("M" if letter == "M" else "L", round(x, 1), round(y, 1)))
        letter = "L" if letter == "M" else letter
    return made


def test_short_paths_lead_through_the_same_points() -> None:
    assert short_path("M 1 2 L 3 -0.5 L 3 4") == "M1 2l2-2.5v4.5"
    rng = np.random.default_rng(3)
    for _ in range(50):
        steps = rng.choice([-0.4, 0.0, 0.1, 12.3], size=(8, 2)).cumsum(axis=0).round(1)
        data = " ".join(f"{'M' if k in (0, 5) else 'L'} {x:g} {y:g}" for k, (x, y) in enumerate(steps)) + " z"
        short = short_path(data)
        assert corners(short) == corners(data)
        assert len(short) < len(data)
    curve = "M 0 2.1 C 0.6 2.1 1.1 1.9 1.5 1.5 z"
    assert short_path(curve) == "M0 2.1C.6 2.1 1.1 1.9 1.5 1.5z"


def test_marks_are_told_as_one_path_where_that_is_exact() -> None:
    square = "M -2 2 L 2 2 L 2 -2 L -2 -2 z"
    told = straight_marks(square, [(10.0, 20.0), (30.5, 5.0)])
    assert told == "M8 22h4v-4h-4zM28.5 7h4v-4h-4z"
    assert round_marks(square, [(1.0, 2.0)]) is None
    assert straight_marks("M 0 2 C 1 1 1 1 1 1 z", [(1.0, 2.0)]) is None


def test_a_page_gives_ids_and_names_their_own_beginning(charts: tuple[Chart, ...]) -> None:
    for chart in charts:
        small = inline_svg(chart, "c7")
        assert len(small) < 0.85 * len(chart.svg)
        root = ElementTree.fromstring(small)
        ids = [one.get("id", "") for one in root.iter() if one.get("id")]
        assert all(one.startswith("c7-") for one in ids)
        assert len(set(ids)) == len(ids)
        for used in re.findall(r'(?:url\(|href=")#([^)"]+)', small):
            assert used in ids
        assert root.get("aria-labelledby") == "c7-t c7-d"
        before = ElementTree.fromstring(chart.svg)
        words = [
            ["".join(one.itertext()) for one in tree.iter() if one.tag.endswith("text")] for tree in (before, root)
        ]
        assert words[0] == words[1]
        assert small == inline_svg(chart, "c7")


def test_a_browser_draws_the_same(charts: tuple[Chart, ...], tmp_path: Path) -> None:
    browser = program("chromium", "chromium-browser", "google-chrome")
    shots = []
    for name, drawn in (
        ("before", [chart.svg for chart in charts]),
        ("after", [inline_svg(chart, f"c{k}") for k, chart in enumerate(charts)]),
    ):
        page = tmp_path / f"{name}.html"
        style = "<style>body{font-family:'DejaVu Sans';margin:0}svg{display:block;font-family:'DejaVu Sans'}</style>"
        page.write_text(f"<!DOCTYPE html><meta charset=utf-8>{style}{''.join(drawn)}", encoding="utf-8")
        shot = tmp_path / f"{name}.png"
        subprocess.run(
            [
                browser, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run",
                "--disable-background-networking", f"--user-data-dir={tmp_path / 'profile'}",
                f"--screenshot={shot}", "--window-size=500,1000", page.as_uri(),
            ],
            check=True, capture_output=True, timeout=60,
        )  # fmt: skip
        shots.append(np.asarray(imread(shot), dtype=np.float64)[..., :3])
    off = np.abs(shots[0] - shots[1]).max(axis=2)
    drawn = (shots[0].min(axis=2) < 0.9).mean()
    assert drawn > 0.01
    # joined marks differ where their soft edges lie on each other, and nowhere else
    assert (off > 0.25).mean() < 0.02 * drawn

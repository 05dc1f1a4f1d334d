"""`docs/wear.md` holds: its example runs and says what the page shows, and its figures are those of code and study."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path
from typing import Any

import pytest

from studies.coverage import CASES, read, summary
from wearlab.conditions.columns import RATIO_RANGE, TEMPERATURE_RANGE
from wearlab.conditions.exponents import TERMS
from wearlab.wear import WearFit
from wearlab.wear.averaging import FEWER_THAN
from wearlab.wear.doubt import MILD, WILD
from wearlab.wear.information import LEAST_SHARE, MOST_READINGS
from wearlab.wear.scale import CANDIDATES
from wearlab.wear.stacking import FEWEST_VEHICLES

ROOT = Path(__file__).parents[3]
TEXT = (ROOT / "docs" / "wear.md").read_text(encoding="utf-8")
WORDS = " ".join(TEXT.split())
NUMBER = re.compile(r"(?<![\w-])-?\d[\d,]*\.?\d*")


def blocks() -> list[tuple[str, str]]:
    """Kind and content of every fenced block, in order."""
    return re.findall(r"```(\w+)\n(.*?)```", TEXT, re.DOTALL)


def table(first: str) -> list[list[str]]:
    """Cells of the table whose heading begins so, without heading and rule."""
    start = TEXT.index(f"| {first}")
    lines = TEXT[start : TEXT.index("\n\n", start)].splitlines()[2:]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


@pytest.fixture(scope="module")
def example() -> tuple[dict[str, Any], list[tuple[str, str]]]:
    """Names that the page's Python leaves behind, and what it printed beside what the page says it prints."""
    names: dict[str, Any] = {}
    told: list[tuple[str, str]] = []
    printed = ""
    for number, (kind, content) in enumerate(blocks()):
        if kind == "python":
            out = io.StringIO()
            with contextlib.redirect_stdout(out):
                exec(compile(content, f"docs/wear.md, block {number + 1}", "exec"), names)
            printed = out.getvalue()
        elif printed:
            told.append((printed, content))
            printed = ""
    return names, told


def test_the_example_prints_what_the_page_shows(example: tuple[dict[str, Any], list[tuple[str, str]]]) -> None:
    assert len(example[1]) == 2
    for printed, shown in example[1]:
        assert " ".join(NUMBER.sub("#", printed).split()) == " ".join(NUMBER.sub("#", shown).split())
        ours, page = ([float(text.replace(",", "")) for text in NUMBER.findall(words)] for words in (printed, shown))
        assert ours == pytest.approx(page, rel=0.02, abs=0.02)  # another processor may round otherwise


def test_the_example_shows_what_the_page_says_of_it(example: tuple[dict[str, Any], list[tuple[str, str]]]) -> None:
    fit = example[0]["fit"]
    assert isinstance(fit, WearFit)
    parts = fit.part_table()
    assert parts["rate"].idxmax() == "V01-3"
    assert parts.loc["V01-3", "beyond"] == 2
    assert parts.loc["V01-3", "level"] > 17  # over its tube twice
    width = parts["rate_high"] - parts["rate_low"]
    assert width["V06-3"] > width.drop([part for part in parts.index if part[:3] == "V06"]).median()
    # one low reading of 7.5 is not taken at its word
    assert 7.5 < parts.loc["V06-3", "level"] < parts.loc[["V06-1", "V06-2", "V06-4"], "level"].min()


def test_the_table_is_that_of_the_study() -> None:
    rows = read(ROOT / "docs" / "studies" / "coverage.csv")
    expected = []
    for case in CASES:
        s = summary([row for row in rows if row.case == case.name])
        inside = [f"{s.level:.3f} ± {s.level_se:.3f}", f"{s.rate:.3f} ± {s.rate_se:.3f}"]
        expected.append([s.case, str(s.fleets), *inside, f"{s.level_ratio:.3f}", f"{s.rate_ratio:.3f}"])
    assert table("case, vehicles x visits") == expected


def test_assumed_powers_are_those_of_the_code() -> None:
    expected = [
        [measure.value.replace("_", " "), "rail pressure" if term.acting == "rail" else term.name, term.mean, term.sd]
        for measure, terms in TERMS.items()
        for term in terms
    ]
    told = [[row[0], row[1], *map(float, row[2].split(","))] for row in table("measure | condition")]
    assert told == expected


def test_other_figures_are_those_of_the_code() -> None:
    low, high = RATIO_RANGE
    assert f"under {low:g} or over {high:g} times the reference, temperature more than {TEMPERATURE_RANGE:g} K" in WORDS
    assert f"Under {FEWER_THAN} vehicles wearlab" in WORDS
    assert f"more than {MILD:g} sd" in WORDS
    assert f"from {WILD:g} sd on" in WORDS
    assert f"more than {MOST_READINGS:,} readings, or with under {100 * LEAST_SHARE:g} % beyond" in WORDS
    assert len(CANDIDATES) == 8
    assert "Eight ways are tried" in WORDS
    assert FEWEST_VEHICLES == 10
    assert "fewer than ten vehicles" in WORDS

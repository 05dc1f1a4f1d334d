"""Numbers and dates in plain words."""

from __future__ import annotations

from datetime import date

import pytest

from wearlab.charts.words import (
    bound_words,
    cell,
    dated,
    km_words,
    level_words,
    levels_words,
    limit_words,
    position_words,
)
from wearlab.charts.words import when_words as when

MARCH, MAY, JULY = date(2027, 3, 4), date(2027, 5, 9), date(2027, 7, 30)


@pytest.mark.parametrize(
    ("dates", "as_of", "told"),
    [
        ((MARCH, MAY, JULY), None, "between March and July 2027, most likely May 2027"),
        ((date(2026, 12, 1), MARCH, MAY), None, "between December 2026 and May 2027, most likely March 2027"),
        ((MAY, MAY, date(2027, 5, 30)), None, "in May 2027"),
        ((MARCH, MAY, None), None, "not before March 2027, most likely May 2027, perhaps never"),
        ((MARCH, None, None), None, "not before March 2027, perhaps never"),
        ((None, MAY, JULY), None, "by July 2027, most likely May 2027"),
        ((MARCH, MAY, JULY), date(2027, 4, 1), "by July 2027, most likely May 2027"),
        ((MARCH, MAY, None), date(2027, 4, 1), "from now on, most likely May 2027, perhaps never"),
        ((MARCH, MAY, JULY), date(2027, 6, 1), "most likely past already, since about May 2027"),
        ((MARCH, MAY, JULY), date(2027, 8, 1), "past already, since about May 2027"),
        ((None, None, None), MAY, ""),
    ],
)
def test_crossings(dates: tuple[date | None, date | None, date | None], as_of: date | None, told: str) -> None:
    assert when(*dates, as_of) == told


def test_numbers_carry_no_more_than_a_reading_can() -> None:
    assert [level_words(x) for x in (0.456, 22.04, 1412.6, None, float("nan"))] == [
        "0.46", "22.0", "1,413", "–", "–",
    ]  # fmt: skip
    assert levels_words(2.132, 4.7) == ("2.1", "4.7")
    assert levels_words(2.914, 7.61, 5.3) == ("2.9", "7.6", "5.3")
    assert limit_words(45.0, "ml/min") == "45 ml/min"
    assert limit_words(37.25) == "37.25"
    assert bound_words(60.0, "at_least", "ml/min") == "at least 60.0 ml/min"
    assert km_words(328_612.0) == "328,612 km"
    assert km_words(328_612.0, about=True) == "329,000 km"
    assert km_words(float("inf")) == "–"


def test_dates_in_sentences_are_said_in_words() -> None:
    assert dated("may pass from 2026-12-30 on.") == "may pass from 30 December 2026 on."
    # ids of parts, and what is no date, stay as they are
    for text in ("V12/1/2019-09-28", "2026-13-01", "12026-01-01", "P-2026-01-02"):
        assert dated(text) == text


def test_names() -> None:
    assert [position_words(p) for p in ("3", "pump", "set")] == ["injector 3", "pump", "whole set"]
    assert cell("a\x00b\n c\ud800") == "a b c"

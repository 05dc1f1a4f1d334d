"""Words in cells of numbers in seven languages: not measured, spoiled, beyond the scale, at least, about; dates."""

from __future__ import annotations

import pytest

from pipelines.sheets.values import Status, Style, date_suggestion, read_number

PLAIN = Style()


@pytest.mark.parametrize(
    "texts",
    [
        "not measured; nicht gemessen; non mesuré; no medido; non misurato; niet gemeten; nie zmierzono; n/a; ?; —",
        "B/D; k.A.; n. gem.; n.d.; nvt; s/d",
    ],
)
def test_not_measured(texts: str) -> None:
    for text in texts.split(";"):
        assert read_number(text, PLAIN).status == Status.NOT_MEASURED, text


def test_spoiled_is_another_word_than_not_measured() -> None:
    for text in ("spilled", "verschüttet", "renversé", "derramado", "rovesciato", "gemorst", "rozlane"):
        assert read_number(text, PLAIN).status == Status.SPOILED, text


def test_beyond_the_scale() -> None:
    for text in (
        "off scale",
        "übergelaufen",
        "hors échelle",
        "fuera de escala",
        "fuori scala",
        "overgelopen",
        "poza skalą",
    ):
        found = read_number(text, PLAIN)
        assert (found.status, found.bound) == (Status.BEYOND, 1), text


@pytest.mark.parametrize(
    ("text", "value", "bound", "mark"),
    [
        ("mehr als 50", 50.0, 1, ""),
        ("plus de 50 ml", 50.0, 1, ""),
        ("más de 50", 50.0, 1, ""),
        ("oltre 50", 50.0, 1, ""),
        ("meer dan 50", 50.0, 1, ""),
        ("powyżej 50", 50.0, 1, ""),
        ("höchstens 3", 3.0, -1, ""),
        ("moins de 1", 1.0, -1, ""),
        ("mniej niż 1", 1.0, -1, ""),
        ("environ 12", 12.0, 0, "~"),
        ("około 12", 12.0, 0, "~"),
        ("over50", 50.0, 1, ""),
    ],
)
def test_words_before_a_figure(text: str, value: float, bound: int, mark: str) -> None:
    found = read_number(text, PLAIN)
    assert (found.status, found.value, found.bound, found.mark) == (Status.MEASURED, value, bound, mark)


@pytest.mark.parametrize("text", ["overs 50", "monday", "x50", "ca", "minus", "ongeveer"])
def test_words_that_are_no_number(text: str) -> None:
    assert read_number(text, PLAIN).status == Status.UNREADABLE


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("12-Mar", "12.3 or 3.12"),
        ("3. Mai", "3.5 or 5.3"),
        ("1 juil", "1.7 or 7.1"),
        ("1-juin", "1.6 or 6.1"),
        ("2025-05-12", "12.5 or 5.12"),
        ("12.5", None),
        ("12 ml", None),
        ("5 bar", None),
    ],
)
def test_a_cell_turned_into_a_date_suggests_what_it_was(text: str, said: str | None) -> None:
    assert date_suggestion(text) == said

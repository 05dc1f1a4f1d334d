"""The catalogue of sentences holds what the code says, and every other language says all of it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from string import Formatter

import pytest
from babel.messages.catalog import Catalog, Message
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po

ROOT = Path(__file__).parents[2]
WORDS = ROOT / "wearlab" / "words"
KEYWORDS = {"_": None, "_h": None, "msg": None, "_n": (1, 2)}
JINJA = {"trim_blocks": "true", "lstrip_blocks": "true"}
OTHERS = sorted(WORDS.glob("*.po"))

Id = str | tuple[str, ...]


def _in_code() -> set[Id]:
    found: set[Id] = set()
    for package in ("wearlab", "pipelines"):
        rows = extract_from_dir(
            ROOT / package,
            method_map=[("**.py", "python"), ("**/templates/**.html", "jinja2")],
            options_map={"**/templates/**.html": JINJA},
            keywords=KEYWORDS,
        )
        found |= {message for _, _, message, _, _ in rows}
    return found


def _read(path: Path) -> Catalog:
    with path.open("rb") as file:
        return read_po(file, locale=path.stem if path.suffix == ".po" else None)


def _id(message: Message) -> Id:
    return tuple(message.id) if isinstance(message.id, (list, tuple)) else message.id


def _places(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


def _pairs(catalogue: Catalog) -> Iterator[tuple[str, str]]:
    """Every translation beside an English form that it stands for."""
    for message in catalogue:
        if not message.id:
            continue
        english = message.id if isinstance(message.id, (list, tuple)) else [message.id]
        told = message.string if isinstance(message.string, (list, tuple)) else [message.string]
        for number, text in enumerate(told):
            yield english[min(number, len(english) - 1)], str(text or "")


def test_the_catalogue_is_what_the_code_says() -> None:
    assert {_id(message) for message in _read(WORDS / "english.pot") if message.id} == _in_code(), 'run "make words"'


def test_there_is_another_language() -> None:
    assert OTHERS


@pytest.mark.parametrize("path", OTHERS, ids=lambda path: path.stem)
def test_another_language_says_all_of_it(path: Path) -> None:
    catalogue = _read(path)
    english = {_id(message) for message in _read(WORDS / "english.pot") if message.id}
    assert {_id(message) for message in catalogue if message.id} == english
    missing = [text for text, told in _pairs(catalogue) if not told]
    assert not missing, f"{len(missing)} not told, the first: {missing[0]!r}"
    assert not [message.id for message in catalogue if message.id and message.fuzzy]


@pytest.mark.parametrize("path", OTHERS, ids=lambda path: path.stem)
def test_places_and_markup_are_kept(path: Path) -> None:
    for english, told in _pairs(_read(path)):
        assert _places(told) <= _places(english), (english, told)
        # a form for one may say "one" in place of the number
        assert _places(english) - _places(told) <= {"n"}, (english, told)
        assert sorted(re.findall(r"</?\w+", told)) == sorted(re.findall(r"</?\w+", english)), (english, told)
        assert english[:1].isspace() == told[:1].isspace(), (english, told)
        assert english[-1:].isspace() == told[-1:].isspace(), (english, told)

"""Words of cells and remarks in every language, read once from the tables in `remarks` and `headers`."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from functools import lru_cache
from importlib import resources
from typing import Any

from pipelines.sheets.words import MeasuredUnit, driven_of, fold, measure_of, measured_unit, position_of, yes_no
from wearlab.errors import UnitError
from wearlab.records import Driven, Measure, Start, WorkKind

#: Of a remark that is longer, in signs, the beginning is read: some patterns take a time that grows with its square.
LONGEST_REMARK = 2_000

_LETTERS = {"ł": "l", "ø": "o", "đ": "d", "ı": "i", "’": "'"}


@lru_cache(maxsize=4096)
def _letter(sign: str) -> str:
    low = sign.lower()[:1] or sign
    return _LETTERS.get(low) or unicodedata.normalize("NFKD", low)[:1] or low


def flat(text: str) -> str:
    """Return a text in lower case without accents, sign for sign: a place in it is the same place in `text`."""
    return text.lower() if text.isascii() else "".join(map(_letter, text))


@lru_cache(maxsize=4096)
def key(text: str) -> str:
    """Return a word for comparing: letters and digits of `flat`, all else one blank."""
    return fold(flat(text))


@lru_cache(maxsize=1)
def _tables() -> dict[str, dict[str, list[str]]]:
    """All words by section and name, those of every language in one list."""
    found: dict[str, dict[str, list[str]]] = {}
    for folder in ("remarks", "headers"):
        entries = resources.files("pipelines.sheets").joinpath(folder).iterdir()
        for entry in sorted((one for one in entries if one.name.endswith(".toml")), key=lambda one: one.name):
            table: dict[str, Any] = tomllib.loads(entry.read_text(encoding="utf-8"))
            sections: dict[str, dict[str, list[str]]] = {}
            for part in ("status", "remark", "events", "reason", "units"):
                sections[part] = table.get(part, {})
            sections |= {f"cells.{name}": words for name, words in table.get("cells", {}).items()}
            for section, names in sections.items():
                for name, words in names.items():
                    found.setdefault(section, {}).setdefault(name, []).extend(words)
    return found


def phrases(section: str, name: str) -> list[str]:
    """Return the words of every language for one meaning, longest first."""
    return sorted(dict.fromkeys(flat(word) for word in _tables()[section][name]), key=len, reverse=True)


@lru_cache(maxsize=256)
def any_of(section: str, *names: str) -> str:
    """Return a pattern that finds any of the words in a `flat` text; * at the end of one is any ending."""
    words = sorted({word for name in names for word in phrases(section, name)}, key=len, reverse=True)
    return "(?:" + "|".join(map(_pattern, words)) + ")"


def _pattern(word: str) -> str:
    body = re.escape(word.rstrip("*")).replace(r"\ ", r"[\s\-]+")
    start = r"\b" if word[:1].isalnum() else ""
    end = r"\w*" if word.endswith("*") else r"\b" if word[-1:].isalnum() else ""
    return start + body + end


@lru_cache(maxsize=16)
def _meanings(section: str) -> dict[str, str]:
    """What each whole word of a section means."""
    found: dict[str, str] = {}
    for name, words in _tables()[section].items():
        for word in words:
            found.setdefault(key(word.rstrip("*")), name)
    return found


def meaning(section: str, text: str) -> str | None:
    """Return which meaning of a section a cell has as a whole, None for none."""
    return _meanings(section).get(key(text))


def inside(section: str, text: str) -> str | None:
    """Return the meaning of the longest phrase of a section within a text, None where there is none."""
    line = f" {key(text)} "
    for phrase, name in _by_length(section):
        if f" {phrase} " in line:
            return name
    return None


@lru_cache(maxsize=16)
def _by_length(section: str) -> tuple[tuple[str, str], ...]:
    return tuple(sorted(_meanings(section).items(), key=lambda item: len(item[0]), reverse=True))


def measure_word(text: str) -> Measure | None:
    """Return the measure that a word of any language means."""
    found = measure_of(text) or meaning("cells.measure", text)
    return None if found is None else Measure(found)


def driven_word(text: str) -> Driven | None:
    """Return how the engine was driven, in the words of any language."""
    found = driven_of(text) or meaning("cells.driven", text)
    return None if found is None else Driven(found)


def position_word(text: str) -> str | None:
    """Return "1".."24", "pump" or "set" in the words of any language."""
    return position_of(text) or meaning("cells.position", text)


def answer_word(text: str) -> bool | None:
    """Return yes or no in the words of any language, None for anything else."""
    said = yes_no(text)
    if said is not None:
        return said
    found = meaning("status", text)
    return True if found == "yes" else False if found == "no" else None


def origin_word(text: str) -> Start | None:
    """Return whether a part was new, rebuilt or used."""
    found = meaning("cells.origin", text)
    return None if found is None else Start(found)


def reason_word(text: str) -> str:
    """Return why a vehicle was tested in our word (planned, complaint, after repair, ...), else as written."""
    return meaning("reason", text) or meaning("cells.reason", text) or text


def work_word(text: str) -> WorkKind | None:
    """Return the kind of work that a cell names, also within a longer text."""
    found = meaning("cells.kind", text) or inside("cells.kind", text)
    return None if found is None else WorkKind(found)


def told_kind(text: str) -> WorkKind | None:
    """Return the kind of work that a remark tells of; the kinds are looked for in the order of the tables."""
    line = flat(text)
    for name in _tables()["events"]:
        if re.search(any_of("events", name), line):
            return WorkKind(name)
    return None


@lru_cache(maxsize=4096)
def cell_unit(text: str) -> MeasuredUnit:
    """Return the unit written as `text` in any language ("Sek", "ml/30 seg").

    Raises
    ------
    UnitError
        The text is no unit.
    """
    try:
        return measured_unit(text)
    except UnitError:
        words = re.split(r"([/\s\d.,]+)", flat(text.strip().strip("()[]")))
        known = _unit_words()
        whole = known.get(key(text))
        made = whole or "".join(known.get(key(word), word) for word in words)
        for other in _PER:
            made = made.replace(f" {other} ", " per ")
        return measured_unit(made)


_PER = ("pro", "par", "por", "al", "je", "na", "en")


@lru_cache(maxsize=1)
def _unit_words() -> dict[str, str]:
    return {key(word): unit for unit, words in _tables()["units"].items() for word in words if key(word)}

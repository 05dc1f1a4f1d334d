"""The word tables of all languages as one lexicon: what a header word, a word in a cell or a unit word can mean."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

from pipelines.sheets.words import measured_unit
from wearlab.errors import UnitError

#: Longer texts are no header, unit or word of a table; they are not looked at.
LONGEST = 120

_SPLIT = re.compile(r"[^\W\d_]+|\d+")
_OVER = re.compile(
    r"(.{1,20}?)\s*(?:/|\b(?:per|pro|par|por|al|je|na|in|en|a)\b)\s*(\d{0,4})\s*([^\W\d_]{1,12})\.?", re.I
)
_LETTER_RUN = re.compile(r"[^\W\d_]+")
_LETTERS = str.maketrans({"ł": "l", "ø": "o", "æ": "ae", "œ": "oe", "đ": "d", "ı": "i"})
_STEM = 6  # a word of the tables at least this long is also found inside a compound
_COMPOUND = 30


def word_set(text: str) -> frozenset[str]:
    """Return the words of a text as a set."""
    return frozenset(text.split())


_NOISE = word_set(
    "of the a an der die das des den von vom mit de du des la le les l d el los las del della dello "
    "di il lo i gli van het een z w na po do no nr n num number nummer numero"
)


_Add = Callable[[frozenset[str], float], None]


@dataclass(frozen=True, slots=True)
class Lexicon:
    """All tables. `headers` maps a plain phrase to its concepts; `cells` a word to its meaning, by field."""

    headers: dict[str, frozenset[str]]
    implied: dict[str, str]
    cells: dict[str, dict[str, str]]
    units: dict[str, str]
    rows: dict[str, str]
    single: dict[str, frozenset[str]]
    stems: dict[str, frozenset[str]]
    prefixes: dict[str, tuple[str, ...]]

    def cell(self, field: str, text: str) -> str | None:
        """Return what a word in a cell of a field means, None when no table knows it."""
        return self.cells.get(field, {}).get(plain(text))

    def row(self, text: str) -> str | None:
        """Return "mean", "total" or "footer" for the first cell of a line that is no data, None for any other."""
        words = plain(text).split()
        return next((self.rows[piece] for n in (2, 1) if (piece := " ".join(words[:n])) in self.rows), None)


@lru_cache(maxsize=16384)
def plain(text: str) -> str:
    """Return a text for comparing over languages: lower case, no accents, letters and digits apart."""
    folded = unicodedata.normalize("NFKD", text[:LONGEST].casefold().translate(_LETTERS))
    return " ".join(_SPLIT.findall("".join(sign for sign in folded if not unicodedata.combining(sign))))


@lru_cache(maxsize=1)
def lexicon() -> Lexicon:
    """Read the tables of the package, once."""
    headers: dict[str, set[str]] = {}
    implied: dict[str, str] = {}
    cells: dict[str, dict[str, str]] = {}
    units: dict[str, str] = {}
    rows: dict[str, str] = {}
    folder = resources.files("pipelines.sheets").joinpath("headers")
    for entry in sorted((one for one in folder.iterdir() if one.name.endswith(".toml")), key=lambda one: one.name):
        table = tomllib.loads(entry.read_text(encoding="utf-8"))
        for concept, phrases in table["fields"].items():
            for word in phrases:
                headers.setdefault(plain(word), set()).add(concept)
        for target, words in table["implied"].items():
            implied.update((plain(word), target) for word in words)
        for field, meanings in table["cells"].items():
            known = cells.setdefault(field, {})
            for meaning, words in meanings.items():
                for word in words:
                    known.setdefault(plain(word), meaning)
        for target, words in table["units"].items():
            units.update((plain(word), target) for word in words)
        for target, words in table["rows"].items():
            rows.update((plain(word), target) for word in words)
    frozen = {phrase: frozenset(concepts) for phrase, concepts in headers.items()}
    single: dict[str, set[str]] = {}
    prefixes: dict[str, list[str]] = {}
    for phrase, concepts in frozen.items():
        words = phrase.split()
        if len(words) == 1:
            for concept in concepts:
                single.setdefault(concept, set()).add(phrase)
        if words:
            prefixes.setdefault(words[0][:3], []).append(phrase)
    stems = {phrase: names for phrase, names in frozen.items() if len(phrase) >= _STEM and " " not in phrase}
    return Lexicon(
        frozen,
        implied,
        cells,
        units,
        rows,
        {concept: frozenset(words) for concept, words in single.items()},
        stems,
        {start: tuple(phrases) for start, phrases in prefixes.items()},
    )


@lru_cache(maxsize=1)
def accented() -> frozenset[str]:
    """Return every word of the tables that has a letter beyond English ones, as it is spelled."""
    folder = resources.files("pipelines.sheets").joinpath("headers")
    texts = (one.read_text(encoding="utf-8").casefold() for one in folder.iterdir() if one.name.endswith(".toml"))
    return frozenset(word for text in texts for word in _LETTER_RUN.findall(text) if not word.isascii())


@lru_cache(maxsize=16384)
def unit_of(text: str) -> str | None:
    """Return a unit as layouts write it ("Sek." is "s", "ml/30 Sek" is "ml/30 s"), None when it is no unit."""
    word = text.strip().strip("()[]{}:").strip()
    if not word or len(word) > 40:
        return None
    bare = word.rstrip(".")
    if _known(bare):
        return bare
    table = lexicon().units
    key = plain(bare)
    if key in table:
        return table[key]
    over = _OVER.fullmatch(bare)
    if over is None:
        return None
    amount, time = unit_of(over.group(1)), unit_of(over.group(3))
    made = f"{amount}/{over.group(2)} {time}" if over.group(2) else f"{amount}/{time}"
    return made if amount and time and _known(made) else None


def quantity_of(unit: str) -> str:
    """Return which quantity a unit measures, "" when it is none (strokes count: "stroke volume")."""
    try:
        return measured_unit(unit).quantity
    except UnitError:
        return ""


def _known(word: str) -> bool:
    try:
        measured_unit(word)
    except UnitError:
        return False
    return True


@lru_cache(maxsize=8192)
def concepts(words: tuple[str, ...]) -> tuple[tuple[str, float], ...]:
    """Return what plain header words can mean, best first, with a score from 0 to 1.

    1: the phrase stands in a table; 0.9: but for filling words; 0.8: shortened; less: inside longer words.
    """
    if not words:
        return ()
    known = lexicon()
    found: dict[str, float] = {}

    def add(names: frozenset[str], score: float) -> None:
        for name in names:
            found[name] = max(found.get(name, 0.0), score)

    phrase = " ".join(words)
    add(known.headers.get(phrase, frozenset()), 1.0)
    core = tuple(word for word in words if word not in _NOISE)
    if core and core != words:
        add(known.headers.get(" ".join(core), frozenset()), 0.9)
    if not found and core:
        _shortened(core, known, add)
        _inside(words, known, add)
    return tuple(sorted(found.items(), key=lambda item: (-item[1], item[0])))


def _shortened(words: tuple[str, ...], known: Lexicon, add: _Add) -> None:
    """Header words that begin the words of a phrase ("fuel temp", "odom"); the first of three letters or more."""
    if len(words[0]) < 3:
        return
    for phrase in known.prefixes.get(words[0][:3], ()):
        whole = tuple(word for word in phrase.split() if word not in _NOISE)
        if len(whole) == len(words) and all(
            full.startswith(short) and (len(short) >= 3 or short == full)
            for full, short in zip(whole, words, strict=True)
        ):
            add(known.headers[phrase], 0.8)


def _inside(words: tuple[str, ...], known: Lexicon, add: _Add) -> None:
    """A phrase of the tables within the header, the longer the better; a stem within a compound word."""
    for length in range(min(len(words), 4), 0, -1):
        for start in range(len(words) - length + 1):
            piece = " ".join(words[start : start + length])
            names = known.headers.get(piece)
            if names and len(piece) >= 3:
                place = 0.05 if start + length == len(words) or start == 0 else 0.0
                add(names, min(0.4 + 0.1 * length + place, 0.75))
    for word in words:
        if _STEM < len(word) <= _COMPOUND:
            for start in range(len(word) - _STEM + 1):
                for end in range(start + _STEM, len(word) + 1):
                    found = known.stems.get(word[start:end])
                    if found and end - start < len(word):
                        add(found, 0.35 + 0.01 * min(end - start, 9))

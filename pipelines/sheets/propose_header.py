"""Reading one header: its words, its unit, the cylinder and the run it numbers, the time or pressure it states."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from pipelines.sheets.fields import QUANTITY
from pipelines.sheets.propose_words import LONGEST, concepts, lexicon, plain, quantity_of, unit_of
from pipelines.sheets.words import measured_unit

_BRACKET = re.compile(r"[(\[]([^()\[\]]{1,40})[)\]]")
_AMOUNT = re.compile(r"(?<![#\w.,])(\d{1,4}(?:[.,]\d+)?)\s*([^\W\d_]{1,8})\b")
_TOKEN = re.compile(r"[^\W\d_]+|\d+|#")
_LEAST_SECONDS = 5.0  # "cyl 1 s" numbers a cylinder; a test lasts longer
_LEAST_BAR = 100.0

#: Quantities that each concept of the word tables can have.
CONCEPT_QUANTITY: dict[str, tuple[str, ...]] = {
    **{field: (quantity,) for field, quantity in QUANTITY.items()},
    "coolant_temp": ("temperature",),
    "pump_peak": ("pressure", "voltage"),
    "pump_hold": ("pressure", "voltage"),
    "pump_rise": ("time",),
    "return_flow": ("volume", "flow", "height"),
    "cylinder": ("volume", "flow", "height"),
    "total": ("volume", "flow", "height"),
    "mean": ("volume", "flow", "height", "pressure"),
    "value": ("volume", "flow", "height", "pressure", "time", "voltage", "pressure rate"),
    "correction": ("stroke volume", "stroke mass", "volume"),
}

#: What a header that is only a unit stands for.
_BY_UNIT = {
    "distance": "odometer",
    "engine time": "engine_hours",
    "speed": "speed",
    "voltage": "battery",
    "time": "duration",
    "temperature": "fuel_temp",
}


@dataclass(frozen=True, slots=True)
class Header:
    """What one header says.

    `meanings` are concepts of the word tables with a score, best first. `cylinder` is set where it numbers a
    cylinder (`marked`: with a word or sign for one; else a bare number). `unknown_unit` is what stands in
    brackets and is neither a unit nor a word.
    """

    text: str
    unit: str | None = None
    meanings: tuple[tuple[str, float], ...] = ()
    cylinder: int | None = None
    marked: bool = False
    run: int | None = None
    driven: str | None = None
    duration: str | None = None
    pressure: str | None = None
    implied: str | None = None
    unknown_unit: str | None = None

    @property
    def best(self) -> float:
        """The score of the best meaning; 0 when there is none."""
        return 1.0 if self.cylinder is not None and self.marked else self.meanings[0][1] if self.meanings else 0.0


@lru_cache(maxsize=8192)
def read_header(text: str, unit_cell: str | None = None) -> Header:
    """Read one header; `unit_cell` is the unit that a row of units gives for it."""
    if not text.strip() or len(text) > LONGEST:
        return Header(text)
    rest, unit, unknown = _bracketed(text.replace("_", " ").replace("³", "3").replace("²", "2"))
    if unit_cell is not None:
        unit = unit_cell
    rest, duration, pressure = _amounts(rest)
    loose = None
    if unit is None:
        loose, shorter = _trailing(rest)
        if loose is not None:
            read = _meant(text, shorter, loose, duration, pressure, unknown)
            if read.meanings or read.cylinder is not None:
                return read
    return _meant(text, rest, unit, duration, pressure, unknown)


def _bracketed(text: str) -> tuple[str, str | None, str | None]:
    unit: str | None = None
    unknown: str | None = None
    for content in _BRACKET.findall(text):
        found = unit_of(content)
        if found is None and "," in content:
            found = next((one for part in content.split(",") if (one := unit_of(part)) is not None), None)
        if found is not None and unit is None:
            unit = found
            text = text.replace(f"({content})", " ").replace(f"[{content}]", " ")
        elif (
            found is None
            and not any(sign.isdecimal() for sign in content)
            and not concepts(tuple(plain(content).split()))
        ):
            unknown = content.strip()
    return text, unit, unknown


def _amounts(text: str) -> tuple[str, str | None, str | None]:
    duration = pressure = None
    for found in _AMOUNT.finditer(text):
        unit = unit_of(found.group(2))
        if unit is None:
            continue
        number = found.group(1).replace(",", ".")
        measured = measured_unit(unit)
        base = float(number) * measured.factor
        if measured.quantity == "time" and base >= _LEAST_SECONDS and duration is None:
            duration = f"{number} {unit}"
            text = text.replace(found.group(0), " ", 1)
        elif measured.quantity == "pressure" and base >= _LEAST_BAR and pressure is None:
            pressure = f"{number} {unit}"
            text = text.replace(found.group(0), " ", 1)
    return text, duration, pressure


def _trailing(text: str) -> tuple[str | None, str]:
    tokens = text.replace(",", " ").split()
    for count in (3, 2, 1):
        if len(tokens) >= count:
            unit = unit_of(" ".join(tokens[-count:]))
            if unit is not None:
                return unit, " ".join(tokens[:-count])
    if tokens and "/" in tokens[-1]:  # "Odo/km"
        head, _, tail = tokens[-1].rpartition("/")
        if unit_of(tail) is not None and head:
            return unit_of(tail), " ".join([*tokens[:-1], head])
    return None, text


def _meant(
    text: str, rest: str, unit: str | None, duration: str | None, pressure: str | None, unknown: str | None
) -> Header:
    tokens = _TOKEN.findall(" ".join(plain(piece) if piece != "#" else "#" for piece in re.split("(#)", rest)))
    words = tuple(token for token in tokens if token != "#" and not token.isdecimal())
    quantity = quantity_of(unit) if unit is not None else ""
    driven, words_left = _driven(words)
    cylinder, run, marked = _numbered(tokens, words_left)
    if cylinder is not None and quantity and quantity not in CONCEPT_QUANTITY["cylinder"] + ("pressure", "time"):
        cylinder = None
    found = concepts(words)
    if not found and driven is not None:
        found = concepts(words_left)
    aside = _derived(words)
    if aside:
        found, cylinder = ((aside, 1.0),), None
    if not words and not any(token.isdecimal() for token in tokens) and quantity in _BY_UNIT:
        found = ((_BY_UNIT[quantity], 0.9),)
    if quantity:
        found = tuple(
            (name, score)
            for name, score in found
            if name not in CONCEPT_QUANTITY or quantity in CONCEPT_QUANTITY[name] or _hours(name, quantity)
        )
        if quantity == "time" and "pump_peak" in dict(concepts(words)):
            found = (("pump_rise", 0.9), *found)
    if (
        pressure is not None
        and quantity in ("time", "")
        and {"rise_to", "pump_rise", "duration"} & set(dict(concepts(words)))
    ):
        found = (("pump_rise", 0.9), *(pair for pair in found if pair[0] != "pump_rise"))
    numbered = any(token.isdecimal() for token in tokens)
    found = tuple(
        pair for pair in found if pair[0] not in ("cylinder", "run") and not (numbered and pair[0] == "position")
    )
    implied = None
    if unit is None:
        known = lexicon().implied
        implied = known.get(" ".join(words)) or next((known[word] for word in words if word in known), None)
    return Header(text, unit, found, cylinder, marked, run, driven, duration, pressure, implied, unknown)


def _hours(name: str, quantity: str) -> bool:
    return name == "engine_hours" and quantity == "time"


def _driven(words: tuple[str, ...]) -> tuple[str | None, tuple[str, ...]]:
    """Find a way of driving within the header ("idle cyl 1"); the words around it are left."""
    table = lexicon().cells["driven"]
    for length in (3, 2, 1):
        for start in range(len(words) - length + 1):
            piece = " ".join(words[start : start + length])
            if piece in table and len(words) > length:
                return table[piece], words[:start] + words[start + length :]
    return None, words


def _derived(words: tuple[str, ...]) -> str | None:
    """Corrections, means and totals beside words for readings or cylinders."""
    single = lexicon().single
    if words and any(word in single["correction"] for word in words):
        return "correction"
    around = single["return_flow"] | single["cylinder"] | _phrases("return_flow") | {"of", "all", "motor"}
    for name in ("total", "mean"):
        hits = [word for word in words if word in single[name]]
        if hits and all(word in single[name] or word in around for word in words):
            return name
    return None


@lru_cache(maxsize=16)
def _phrases(concept: str) -> frozenset[str]:
    """The words of which a concept's phrases consist."""
    return frozenset(word for phrase, names in lexicon().headers.items() if concept in names for word in phrase.split())


def _numbered(tokens: list[str], words: tuple[str, ...]) -> tuple[int | None, int | None, bool]:
    """Return cylinder, run, and whether a word or sign for a cylinder stands there."""
    single = lexicon().single
    numbers = [token for token in tokens if token.isdecimal()]
    allowed = single["cylinder"] | single["run"] | _phrases("return_flow") | single["position"]
    if not 1 <= len(numbers) <= 2 or any(len(number) > 2 for number in numbers):
        return None, None, False
    if any(word not in allowed for word in words):
        return None, None, False
    marks = [token == "#" or token in single["cylinder"] or token in single["position"] for token in tokens]
    runs = [token in single["run"] for token in tokens]
    places = [place for place, token in enumerate(tokens) if token.isdecimal()]
    if len(numbers) == 1:
        number = int(numbers[0])
        if any(runs) and not any(marks):
            return None, number, False
        if any(runs):
            before = [place for place in range(places[0]) if marks[place] or runs[place]]
            if before and runs[before[-1]] and not marks[before[-1]]:
                return None, number, False
        return (number if 1 <= number <= 24 else None), None, any(marks)
    if not any(marks) or not any(runs):
        return None, None, False
    second = [place for place in range(places[0], places[1]) if runs[place] or marks[place]]
    first, last = int(numbers[0]), int(numbers[1])
    cylinder, run = (first, last) if second and runs[second[-1]] else (last, first)
    return (cylinder if 1 <= cylinder <= 24 else None), run, True

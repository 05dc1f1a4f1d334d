"""Test type, unit and duration packed into one cell ("idle 60 s ml"), and events told in words beside it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from pipelines.sheets.vocabulary import (
    LONGEST_REMARK,
    any_of,
    cell_unit,
    driven_word,
    flat,
    measure_word,
    origin_word,
    phrases,
    told_kind,
)
from pipelines.sheets.words import fold
from wearlab.errors import UnitError
from wearlab.records import Driven, Measure, WorkKind

#: Longest cell that is taken apart, in signs: a longer one is a text, and would take a time that grows with its square.
LONGEST_PACKED = 200

_TIME = re.compile(r"(\d+(?:[.,]\d+)?)\s*([^\W\d_]{1,8})\b")
_OVER = re.compile(r"[^\W_]{1,4}\s*(?:/|\b(?:per|pro|par|por|je|na|en|in)\b)\s*\d+(?:[.,]\d+)?\s*[^\W\d_]{1,8}\b")
_CORRECTION = "a correction or delivery quantity"
_STROKE = re.compile(r"\b(?:mm3|mg)\b")
_SERIAL = r"([a-z0-9][\w/.\-]*)"
_SERIALS = re.compile(r"\b(\d{1,2})\s*[=:]\s*([A-Z0-9][\w/.-]*)", re.I)


@dataclass(frozen=True, slots=True)
class Packed:
    """What a packed cell says. `other` names a quantity that is none of ours; `event`: the row is no test."""

    event: bool = False
    other: str = ""
    measure: Measure | None = None
    driven: Driven | None = None
    unit: str = ""
    duration_s: float = float("nan")
    rest: str = ""


@dataclass(frozen=True, slots=True)
class Told:
    """One event told in words."""

    kind: WorkKind
    position: str | None = None
    position_to: str | None = None
    serial_out: str | None = None
    serial_in: str | None = None
    origin: str | None = None


def unpack(text: str) -> Packed:
    """Read one packed cell; what no rule explains stays in `rest`."""
    if len(text) > LONGEST_PACKED:
        return Packed(rest=text)
    line = flat(text.replace("³", "3"))
    if re.match(rf"\W*{any_of('remark', 'event')}", line):
        return Packed(event=True)
    if _STROKE.search(line) or re.search(any_of("remark", "corrections"), line):
        return Packed(other=_CORRECTION)
    given_unit, text = _over(text)
    duration, text = _duration(text)
    words = []
    for word in text.replace(",", " ").split():
        if not given_unit and _is_unit(word):
            given_unit = word
        else:
            words.append(word)
    phrase = fold(" ".join(words))
    driven, measure, rest = driven_word(phrase), measure_word(phrase), []
    if phrase and driven is None and measure is None:
        left = phrase.split()
        while left:
            size = next((n for n in range(min(4, len(left)), 0, -1) if _named(" ".join(left[:n]))), 0)
            piece = " ".join(left[: max(size, 1)])
            if size and driven is None and driven_word(piece) is not None:
                driven = driven_word(piece)
            elif size and measure is None and measure_word(piece) is not None:
                measure = measure_word(piece)
            else:
                rest.append(piece)
            left = left[max(size, 1) :]
    return Packed(False, "", measure, driven, given_unit, duration, " ".join(rest))


def is_correction(text: str) -> bool:
    """Whether a word names a correction or delivery quantity, in any language."""
    return bool(unpack(text).other)


def serials(text: str) -> dict[str, str]:
    """Return the serials a remark lists by cylinder ("serials 1=S11 2=S12")."""
    if "=" not in text and ":" not in text:
        return {}
    text = text[:LONGEST_REMARK]
    return dict(_SERIALS.findall(text)) if re.search(any_of("remark", "serials"), flat(text)) else {}


def told_events(text: str) -> list[Told]:
    """Return the events that a remark tells; at least one, of the kind `other` when no word is known."""
    text = text[:LONGEST_REMARK]
    line = flat(text)
    look = _patterns()
    swap = look.swap.search(line)
    if swap is not None and look.swapped.search(line):
        first, second = (one for one in swap.groups() if one is not None)
        return [Told(WorkKind.SWAP, str(int(first)), str(int(second)))]
    incoming = list(look.into.finditer(line))
    if incoming:
        outgoing = [text[found.start(1) : found.end(1)] for found in look.out.finditer(line)]
        made = []
        for index, found in enumerate(incoming):
            serial = text[found.start(1) : found.end(1)]
            origin = origin_word(found.group(2) or "")
            made.append(
                Told(
                    WorkKind.REPLACEMENT,
                    str(int(found.group(3))),
                    None,
                    outgoing[index] if index < len(outgoing) else None,
                    serial if any(sign.isdecimal() for sign in serial) else None,
                    None if origin is None else origin.value,
                )
            )
        return made
    kind = told_kind(text)
    if kind is None:
        return [Told(WorkKind.OTHER)]
    place = look.place.search(line)
    return [Told(kind, None if place is None else str(int(place.group(1))))]


@dataclass(frozen=True, slots=True)
class _Patterns:
    swap: re.Pattern[str]
    swapped: re.Pattern[str]
    out: re.Pattern[str]
    into: re.Pattern[str]
    place: re.Pattern[str]


@lru_cache(maxsize=1)
def _patterns() -> _Patterns:
    cylinder = any_of("remark", "cylinder")
    origins = "|".join(re.escape(word) for name in ("new", "used", "rebuilt") for word in phrases("cells.origin", name))
    joint = r"(?:<?[-–=/]+>?|and|with|to|und|mit|et|avec|y|con|e|en|met|i|z)"
    return _Patterns(
        re.compile(rf"(\d{{1,2}})\s*{joint}\s*(?:{cylinder}\.?\s*)?(\d{{1,2}})\b"),
        re.compile(any_of("remark", "swapped")),
        re.compile(rf"\b{_SERIAL}\s+{any_of('remark', 'out')}"),
        re.compile(rf"\b{_SERIAL}\s+({origins})?\s*{any_of('remark', 'into')}\s+(?:{cylinder}\.?\s*)?(\d{{1,2}})\b"),
        re.compile(rf"{cylinder}\.?\s*(\d{{1,2}})\b"),
    )


def _over(text: str) -> tuple[str, str]:
    """A unit that names its own seconds ("ml/30 s") and the text without it."""
    for found in _OVER.finditer(text):
        try:
            if cell_unit(found.group()).over_s is not None:
                return found.group(), text[: found.start()] + " " + text[found.end() :]
        except UnitError:
            continue
    return "", text


def _duration(text: str) -> tuple[float, str]:
    """The first time in a text, in seconds, and the text without it."""
    for found in _TIME.finditer(text):
        try:
            one = cell_unit(found.group(2))
        except UnitError:
            continue
        if one.quantity == "time":
            seconds = float(found.group(1).replace(",", ".")) * one.factor
            return seconds, text[: found.start()] + " " + text[found.end() :]
    return float("nan"), text


def _named(piece: str) -> bool:
    return driven_word(piece) is not None or measure_word(piece) is not None


def _is_unit(word: str) -> bool:
    try:
        return cell_unit(word).quantity in ("volume", "flow", "pressure", "time")
    except UnitError:
        return False

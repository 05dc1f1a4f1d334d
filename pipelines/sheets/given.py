"""What a person says to a question, in the one form in which the store keeps it."""

from __future__ import annotations

import math
import re
from datetime import date

from pipelines.sheets.aside import Item
from pipelines.sheets.known import Known, likely_alias, without_zeros
from pipelines.sheets.replies import NO
from pipelines.sheets.vocabulary import answer_word, driven_word, work_word
from wearlab.config import Settings
from wearlab.errors import InputError, UnitError
from wearlab.records import Driven, WorkKind, vehicle_key
from wearlab.units import to_base

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_ORDER = re.compile(r"\d{1,2}(?:\s*[-,/ ]\s*\d{1,2})+")
_NUMBER = re.compile(r"(\d+(?:\.\d+)?)\s*(\D.*)?")
_PERHAPS = re.compile(r"perhaps (.+)\?$")
_EVENT = re.compile(r"^Was there (.+) at \S+\?$")


def reply_for(item: Item, text: str, known: Known, settings: Settings) -> str:
    """Return an answer as it is stored.

    Raises
    ------
    InputError
        The text cannot answer this question; the sentence says what can.
    """
    del settings
    said = text.strip()
    kinds = {
        "protocol": _driven,
        "cylinders": _cylinders,
        "ounce": _ounce,
        "back pressure": _back_pressure,
        "order": _order,
        "numbering": _numbering,
        "event": _event,
        "meter": _meter,
        "odometer unit": _yes_or_no,
        "value": _peak,
    }
    if item.code == "alias":
        return _vehicle(item, said, known)
    made = kinds.get(item.code, lambda _, word: word)(item, said)
    if made is None:
        raise InputError(
            f'"{said[:60]}" does not answer {item.item_id} ({item.sentence}): give {_WANTED[item.code]}; '
            "nothing was changed"
        )
    return made


_WANTED = {
    "protocol": "crank, idle, raised or bench",
    "cylinders": "a number from 1 to 24",
    "ounce": "us or uk",
    "back pressure": 'a pressure in bar, or "open" for an open bottle',
    "order": 'yes, no, or the order as "1-3-4-2"',
    "numbering": 'the order as "1-3-4-2", "from 4" for counted from the other end of four, or no',
    "event": "yes, no, or the day it happened as 2026-10-31",
    "meter": "yes, no, or the day it was replaced as 2026-10-31",
    "odometer unit": "yes or no",
    "value": "yes, no, or the pressure in bar",
}


def _driven(item: Item, said: str) -> str | None:
    del item
    found = said.lower() if said.lower() in set(Driven) else driven_word(said)
    return None if found is None else str(Driven(found).value)


def _cylinders(item: Item, said: str) -> str | None:
    del item
    found = re.fullmatch(r"[1-9][0-9]?", said)
    return said if found is not None and int(said) <= 24 else None


def _ounce(item: Item, said: str) -> str | None:
    del item
    return {"us": "us", "uk": "uk", "imperial": "uk", "imp": "uk"}.get(said.lower().replace(".", ""))


def _back_pressure(item: Item, said: str) -> str | None:
    del item
    return "0" if said.lower() == "open" else _bar(said)


def _order(item: Item, said: str) -> str | None:
    answer = answer_word(said)
    if answer is False:
        return NO
    written = _ORDER.search(item.sentence.partition(" in the order ")[2]) if answer else _ORDER.fullmatch(said)
    return None if written is None else "-".join(_whole(written.group(0)) or ()) or None


def _numbering(item: Item, said: str) -> str | None:
    del item
    if answer_word(said) is False or said.lower() == "as written":
        return NO
    end = re.fullmatch(r"from\s+(\d{1,2})", said, re.I)
    if end is not None:
        return f"from {int(end.group(1))}" if 2 <= int(end.group(1)) <= 24 else None
    found = _whole(said) if _ORDER.fullmatch(said) else None
    return None if found is None else "-".join(found)


def _whole(text: str) -> list[str] | None:
    """Cylinders of an order that names each from 1 to their number once."""
    numbers = [int(one) for one in re.findall(r"\d+", text)]
    return [str(one) for one in numbers] if sorted(numbers) == list(range(1, len(numbers) + 1)) else None


def _event(item: Item, said: str) -> str | None:
    told = _EVENT.match(item.sentence)
    words = told.group(1) if told else ""
    kind = work_word(words) or WorkKind.OTHER
    inside = _DAY.search(words)
    usual = inside.group(0) if inside else (item.subject or "").split(" ")[-1]
    return _dated(kind, said, usual)


def _meter(item: Item, said: str) -> str | None:
    days = _DAY.findall(item.sentence)
    return _dated(WorkKind.METER_CHANGE, said, days[-1] if days else "")


def _dated(kind: WorkKind, said: str, usual: str) -> str | None:
    answer = answer_word(said)
    if answer is False:
        return NO
    day = usual if answer else said
    try:
        return f"{kind.value} {date.fromisoformat(day).isoformat()}"
    except ValueError:
        return None


def _yes_or_no(item: Item, said: str) -> str | None:
    del item
    answer = answer_word(said)
    return None if answer is None else "yes" if answer else NO


def _peak(item: Item, said: str) -> str | None:
    answer = answer_word(said)
    if answer is False:
        return NO
    if answer:
        guess = _PERHAPS.search(item.sentence)
        said = guess.group(1) if guess else ""
    return _bar(said)


def _bar(said: str) -> str | None:
    found = _NUMBER.fullmatch(said)
    if found is None:
        return None
    try:
        value = to_base(float(found.group(1)), (found.group(2) or "bar").strip(), "pressure")
    except UnitError:
        return None
    return f"{value:g}" if math.isfinite(value) else None


def _vehicle(item: Item, said: str, known: Known) -> str:
    """The key of the vehicle that was meant, or "no"."""
    own = item.subject or ""
    answer = answer_word(said)
    if answer is False:
        return NO
    others = known.registered | known.seen
    if answer:
        named = likely_alias(own, known)
        near = [one for one in known.near.get(without_zeros(own), []) if len(one) > len(own)]
        key = named or (max(near, key=lambda one: (len(one), one)) if near else "")
    else:
        key = vehicle_key(said)
    if key == own or key not in others:
        raise InputError(
            f'"{said[:60]}" does not answer {item.item_id} ({item.sentence}): give the vehicle that it is, yes or no; '
            "nothing was changed"
        )
    return key

"""What the words of a remark say about a test: tube size, foam, a leaking rig, an end stop and more."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from pipelines.sheets.vocabulary import LONGEST_REMARK, any_of, flat

_NUMBER = r"(\d+(?:[.,]\d+)?)"
_MARKED = re.compile(r"([*†‡]+|\((?:\d|[a-z])\))\s*[:=]?\s*([^;,*†‡]+)")
_COUNTRY = re.compile(r"\b(?:(US|U\.S\.)|(UK|[Ii]mp))(?![\w.])")
_DAY = r"(?:\D{0,12}(\d{4}-\d{2}-\d{2}|\d{1,2}[./]\d{1,2}[./]\d{2,4}))?"
#: Work that a remark on a test may tell of and that changes what its readings mean.
_ASKED = ("contamination", "engine_swap", "meter_change", "software_update")


@dataclass(frozen=True, slots=True)
class Hint:
    """What one remark says; NaN, False and blank where it says nothing. Volumes in ml, pressures in bar.

    `order` : cylinders in the order in which their readings were written down; `numbering` : that they were
    written in firing order or counted from the other end, without the order itself; `event` : to be asked about.
    """

    tube_ml: float = float("nan")
    foam: bool = False
    rig_leak: bool = False
    rail_never_above: float = float("nan")
    stop: bool = False
    stop_at: float = float("nan")
    country: str = ""
    order: tuple[str, ...] = ()
    numbering: str = ""
    event: str = ""
    open_bottle: bool = False
    air: bool = False


@dataclass(frozen=True, slots=True)
class _Patterns:
    tube: tuple[re.Pattern[str], ...]
    foam: re.Pattern[str]
    rig_leak: tuple[re.Pattern[str], ...]
    not_built: re.Pattern[str]
    stop: re.Pattern[str]
    country: dict[str, re.Pattern[str]]
    order: re.Pattern[str]
    firing: re.Pattern[str]
    other_end: re.Pattern[str]
    event: re.Pattern[str]
    open_bottle: re.Pattern[str]
    air: re.Pattern[str]
    without: re.Pattern[str]


@lru_cache(maxsize=1)
def _patterns() -> _Patterns:
    def word(*names: str) -> str:
        return any_of("remark", *names)

    def made(pattern: str) -> re.Pattern[str]:
        return re.compile(pattern)

    small = r"\s*(?:[a-z]{1,3}\s+)?"
    rises = rf"(?:{word('rise')}\D{{0,12}}(\d+)?)"
    return _Patterns(
        (
            made(rf"{_NUMBER}[\s\-]*(?:ml|cc|cm3|ccm)[\s\-]*{small}{word('tube')}"),
            made(rf"{word('tube')}[\s:]*{small}{_NUMBER}\s*(?:ml|cc|cm3|ccm)\b"),
        ),
        made(word("foam")),
        (made(rf"{word('rig')}.{{0,20}}{word('leaks')}"), made(rf"{word('leaks')}.{{0,20}}{word('rig')}")),
        made(rf"{word('pressure')}.{{0,20}}?{word('never')}(?:.{{0,20}}?{rises}|\s+(\d+))"),
        made(rf"{word('end_stop')}\D{{0,12}}{_NUMBER}?"),
        {"us": made(word("us")), "uk": made(word("uk"))},
        made(rf"{word('order', 'firing_order')}\D{{0,20}}(\d{{1,2}}(?:\s*[-–,/ ]\s*\d{{1,2}}){{2,}})"),
        made(word("firing_order")),
        made(word("other_end")),
        made(rf"({any_of('events', *_ASKED)}){_DAY}"),
        made(word("open_bottle")),
        made(word("air")),
        made(rf"{word('without')}\s*(?:\w+\s+)?$"),
    )


def hint(text: str) -> Hint:
    """Read one remark; a text without any known word gives an empty hint. Of a long one the beginning is read."""
    return _hint(text[:LONGEST_REMARK])


@lru_cache(maxsize=65536)
def _hint(text: str) -> Hint:
    if len(text) < 2 or not any(sign.isalpha() for sign in text):
        return Hint()
    line = flat(text)
    look = _patterns()
    tube = next((found for pattern in look.tube if (found := pattern.search(line))), None)
    rail = look.not_built.search(line)
    never = float("nan")
    if rail is not None:
        never = float(rail.group(1) or rail.group(2) or 0.0)
    stop = look.stop.search(line)
    order = look.order.search(line)
    event = look.event.search(line)
    said = text[event.start(1) : event.end(1)].lower() if event else ""
    return Hint(
        tube_ml=_float(tube.group(1)) if tube else float("nan"),
        foam=_said(look.foam, line),
        rig_leak=any(_said(pattern, line) for pattern in look.rig_leak),
        rail_never_above=never,
        stop=stop is not None,
        stop_at=_float(stop.group(1)) if stop and stop.group(1) else float("nan"),
        country=_country(text, line),
        order=tuple(str(int(one)) for one in re.findall(r"\d+", order.group(1))) if order else (),
        numbering=_numbering(line) if order is None else "",
        event=" on ".join(part for part in (said, event.group(2)) if part) if event else "",
        open_bottle=_said(look.open_bottle, line),
        air=_said(look.air, line),
    )


def mark_meaning(remark: str, mark: str) -> str:
    """Return what a remark says a footnote mark means ("* foam" gives "foam" for "*"), or nothing."""
    for sign, meaning in _MARKED.findall(remark):
        if sign == mark:
            return str(meaning).strip()
    return ""


def means_foam(text: str) -> bool:
    """Whether the meaning of a footnote mark speaks of foam."""
    return hint(text).foam


def _said(pattern: re.Pattern[str], line: str) -> bool:
    """Whether words stand in a remark without a "no" just before them."""
    return any(_patterns().without.search(line[: found.start()]) is None for found in pattern.finditer(line))


def _numbering(line: str) -> str:
    look = _patterns()
    return "firing order" if look.firing.search(line) else "the other end" if look.other_end.search(line) else ""


def _country(text: str, line: str) -> str:
    found = _COUNTRY.search(text.upper() if len(text) <= 3 else text)
    if found is not None:
        return "us" if found.group(1) else "uk"
    return next((name for name, pattern in _patterns().country.items() if pattern.search(line)), "")


def _float(text: str) -> float:
    return float(text.replace(",", "."))

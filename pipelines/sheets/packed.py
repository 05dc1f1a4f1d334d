"""Test type, unit and duration packed into one cell ("idle 60 s ml"), and events told in words beside it."""

from __future__ import annotations

import re
from dataclasses import dataclass

from pipelines.sheets.words import driven_of, fold, measure_of
from wearlab.errors import UnitError
from wearlab.records import Driven, Measure, Start, WorkKind
from wearlab.units import unit

_TIME = re.compile(r"(\d+(?:[.,]\d+)?)\s*(s|sec|secs|seconds?|min|minutes?)\b", re.I)
_OTHER = ("correction", "balance", "trim", "adaptation", "mm3", "mg")
_SWAP = re.compile(r"(\d{1,2})\s*<?[-–=/]+>?\s*(\d{1,2})|(\d{1,2})\s+(?:and|with|to)\s+(\d{1,2})", re.I)
_OUT = re.compile(r"\b([A-Z0-9][\w/.-]*)\s+(?:out|removed)\b", re.I)
_IN = re.compile(
    r"\b([A-Z0-9][\w/.-]*)\s+(new|used|rebuilt|fitted|in)?\s*(?:in|to|at|on)\s+(?:cyl\w*\.?\s*)?(\d{1,2})\b",
    re.I,
)
_SERIALS = re.compile(r"\b(\d{1,2})\s*[=:]\s*([A-Z0-9][\w/.-]*)", re.I)
_EVENT_WORDS: tuple[tuple[str, WorkKind], ...] = (
    ("swap", WorkKind.SWAP),
    ("exchanged between", WorkKind.SWAP),
    ("wrong fuel", WorkKind.CONTAMINATION),
    ("misfuel", WorkKind.CONTAMINATION),
    ("contaminat", WorkKind.CONTAMINATION),
    ("clean", WorkKind.CLEANING),
    ("rebuil", WorkKind.REBUILD),
    ("engine swap", WorkKind.ENGINE_SWAP),
    ("meter", WorkKind.METER_CHANGE),
    ("software", WorkKind.SOFTWARE_UPDATE),
    ("calibrat", WorkKind.CALIBRATION),
    ("broke down", WorkKind.ROAD_FAILURE),
    ("delivery", WorkKind.FUEL_DELIVERY),
    ("replac", WorkKind.REPLACEMENT),
    ("new", WorkKind.REPLACEMENT),
)


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
    low = text.casefold().replace("³", "3")
    if fold(text).split()[:1] in (["event"], ["work"], ["repair"]):
        return Packed(event=True)
    for word in _OTHER:
        if re.search(rf"\b{word}", low):
            return Packed(other="a correction or delivery quantity")
    duration = float("nan")
    found = _TIME.search(text)
    if found is not None:
        duration = float(found.group(1).replace(",", ".")) * unit(found.group(2)).factor
        text = text[: found.start()] + " " + text[found.end() :]
    given_unit, words = "", []
    for word in text.replace(",", " ").split():
        if not given_unit and _is_unit(word):
            given_unit = word
        else:
            words.append(word)
    phrase = fold(" ".join(words))
    driven, measure, rest = driven_of(phrase), measure_of(phrase), []
    if driven is None and measure is None:
        for word in phrase.split():
            if driven is None and driven_of(word) is not None:
                driven = driven_of(word)
            elif measure is None and measure_of(word) is not None:
                measure = measure_of(word)
            else:
                rest.append(word)
    return Packed(False, "", measure, driven, given_unit, duration, " ".join(rest))


def serials(text: str) -> dict[str, str]:
    """Return the serials a remark lists by cylinder ("serials 1=S11 2=S12")."""
    return dict(_SERIALS.findall(text)) if "serial" in text.casefold() else {}


def told_events(text: str) -> list[Told]:
    """Return the events that a remark tells; at least one, of the kind `other` when no word is known."""
    low = text.casefold()
    outgoing, incoming = _OUT.findall(text), _IN.findall(text)
    swap = _SWAP.search(text)
    if "swap" in low and swap is not None:
        first, second = (swap.group(1), swap.group(2)) if swap.group(1) else (swap.group(3), swap.group(4))
        return [Told(WorkKind.SWAP, str(int(first)), str(int(second)))]
    if incoming:
        made = []
        for index, (serial, origin, position) in enumerate(incoming):
            word = origin.lower()
            made.append(
                Told(
                    WorkKind.REPLACEMENT,
                    str(int(position)),
                    None,
                    outgoing[index] if index < len(outgoing) else None,
                    serial if any(sign.isdigit() for sign in serial) else None,
                    word if word in (Start.NEW, Start.USED, Start.REBUILT) else None,
                )
            )
        return made
    for word, kind in _EVENT_WORDS:
        if word in low:
            return [Told(kind)]
    return [Told(WorkKind.OTHER)]


def _is_unit(word: str) -> bool:
    try:
        return unit(word).quantity in ("volume", "flow", "pressure", "time")
    except UnitError:
        return False

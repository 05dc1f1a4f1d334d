"""What the words of a remark say about a test: tube size, foam, a leaking rig, an end stop and more."""

from __future__ import annotations

import re
from dataclasses import dataclass

_TUBE = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:ml|cc)\s*(?:tubes?|cylinders?|glass(?:es)?|containers?)", re.I)
_TUBE_AFTER = re.compile(r"tubes?\s*(?:of|:)?\s*(\d+(?:[.,]\d+)?)\s*(?:ml|cc)", re.I)
_FOAM = re.compile(r"\bfoam", re.I)
_RIG_LEAK = re.compile(r"\brig\b.{0,20}\bleak", re.I)
_NOT_BUILT = re.compile(
    r"(?:rail|pressure)\s*(?:pressure\s*)?(?:never|not|did not|didn't)\s*(?:got|rose|built|build|above|over)?"
    r"\s*(?:above|over)?\s*(\d+)?",
    re.I,
)
_STOP = re.compile(r"\b(?:end stop|limiter|relief|pegged|gauge max\w*)\b\D{0,12}(\d+(?:[.,]\d+)?)?", re.I)
_COUNTRY = re.compile(r"\b(US|UK|imp(?:erial)?)\b", re.I)
_ORDER = re.compile(r"\border\b\D{0,20}(\d(?:\s*[-,/ ]\s*\d){2,})", re.I)
_EVENT = re.compile(
    r"\b(wrong fuel|misfuel\w*|contaminat\w*|bad fuel|water in fuel)\b\D{0,12}(\d{4}-\d{2}-\d{2})?", re.I
)
_MARKED = re.compile(r"([*†‡]+|\((?:\d|[a-z])\))\s*[:=]?\s*([^;,*†‡]+)")


@dataclass(frozen=True, slots=True)
class Hint:
    """What one remark says; NaN, False and blank where it says nothing. Volumes in ml, pressures in bar.

    `order` : cylinders in the order in which their readings were written down; `event` : to be asked about.
    """

    tube_ml: float = float("nan")
    foam: bool = False
    rig_leak: bool = False
    rail_never_above: float = float("nan")
    stop: bool = False
    stop_at: float = float("nan")
    country: str = ""
    order: tuple[str, ...] = ()
    event: str = ""


def hint(text: str) -> Hint:
    """Read one remark; a text without any known word gives an empty hint."""
    if not text:
        return Hint()
    tube = _TUBE.search(text) or _TUBE_AFTER.search(text)
    rail = _NOT_BUILT.search(text)
    stop = _STOP.search(text)
    country = _COUNTRY.search(text)
    order = _ORDER.search(text)
    event = _EVENT.search(text)
    never = float("nan")
    if rail is not None:
        never = float(rail.group(1)) if rail.group(1) else 0.0
    return Hint(
        tube_ml=_float(tube.group(1)) if tube else float("nan"),
        foam=bool(_FOAM.search(text)),
        rig_leak=bool(_RIG_LEAK.search(text)),
        rail_never_above=never,
        stop=stop is not None,
        stop_at=_float(stop.group(1)) if stop and stop.group(1) else float("nan"),
        country="" if country is None else "us" if country.group(1).lower() == "us" else "uk",
        order=tuple(re.findall(r"\d", order.group(1))) if order else (),
        event=" on ".join(part for part in event.groups() if part) if event else "",
    )


def mark_meaning(remark: str, mark: str) -> str:
    """Return what a remark says a footnote mark means ("* foam" gives "foam" for "*"), or nothing."""
    for sign, meaning in _MARKED.findall(remark):
        if sign == mark:
            return str(meaning).strip()
    return ""


def _float(text: str) -> float:
    return float(text.replace(",", "."))

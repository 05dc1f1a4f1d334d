"""Words in cells: positions, yes and no, measures, ways of driving, units as people write them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from wearlab.errors import UnitError
from wearlab.records import PUMP, SET, Driven, Measure
from wearlab.units import unit

_CYLINDER = re.compile(
    r"(?:cylinder|cyl|zylinder|zyl|cilindro|cil|injector|inj|position|pos|number|no|nr|n|c|z)?\s*0*(\d{1,2})"
)
_PUMP = {"pump", "hp pump", "high pressure pump", "pumpe", "p"}
_SET = {"set", "total", "all", "sum", "engine total", "engine", "whole engine"}
_YES = {"yes", "y", "true", "1", "x", "ja", "j", "oui", "si", "sí", "tak", "connected"}
_NO = {"no", "n", "false", "0", "nein", "non", "nee", "nie", "unplugged", "disconnected"}

_MEASURES: dict[str, Measure] = {
    **{measure.value.replace("_", " "): measure for measure in Measure},
    "return": Measure.RETURN_FLOW,
    "leak off": Measure.RETURN_FLOW,
    "back leakage": Measure.RETURN_FLOW,
    "back leak": Measure.RETURN_FLOW,
    "peak": Measure.PUMP_PEAK,
    "pump": Measure.PUMP_PEAK,
    "closed volume": Measure.PUMP_PEAK,
    "rise": Measure.PUMP_RISE,
    "rise time": Measure.PUMP_RISE,
    "hold": Measure.PUMP_HOLD,
    "self check": Measure.RIG_CHECK,
}
_DRIVEN: dict[str, Driven] = {
    **{driven.value: driven for driven in Driven},
    "cranking": Driven.CRANK,
    "starter": Driven.CRANK,
    "idling": Driven.IDLE,
    "idle warm": Driven.IDLE,
    "warm idle": Driven.IDLE,
    "idle engine warm": Driven.IDLE,
    "commanded": Driven.RAISED,
    "raised pressure": Driven.RAISED,
    "test bench": Driven.BENCH,
}
_OVER = re.compile(r"(.+?)\s*(?:/|\bper\b|\bin\b)\s*(\d+(?:[.,]\d+)?)\s*([a-z]+)\.?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class MeasuredUnit:
    """A unit of a cell: base = value * factor + offset; `over_s` when it names its own seconds (ml/30 s)."""

    quantity: str
    factor: float
    offset: float
    over_s: float | None = None
    open_choice: bool = False  # a fluid ounce of an unknown country, read as the US one


@lru_cache(maxsize=4096)
def fold(text: str) -> str:
    """Return a header or word for comparing: letters and digits in lower case, all else one blank."""
    return " ".join("".join(sign if sign.isalnum() else " " for sign in text.casefold()).split())


def position_of(text: str) -> str | None:
    """Return "1".."24", "pump" or "set" for a position as written, None when it is none of them."""
    word = fold(text)
    if word in _PUMP:
        return PUMP
    if word in _SET:
        return SET
    found = _CYLINDER.fullmatch(word)
    if found is None or not 1 <= int(found.group(1)) <= 24:
        return None
    return str(int(found.group(1)))


def yes_no(text: str) -> bool | None:
    """Return True or False for a yes or no as written, None for anything else."""
    word = text.strip().casefold()
    return True if word in _YES else False if word in _NO else None


def measure_of(text: str) -> Measure | None:
    """Return the measure that a word means, None when it means none."""
    return _MEASURES.get(fold(text))


def driven_of(text: str) -> Driven | None:
    """Return how the engine was driven, None when the words do not say."""
    return _DRIVEN.get(fold(text))


@lru_cache(maxsize=4096)
def measured_unit(text: str, country: str | None = None) -> MeasuredUnit:
    """Return the unit written as `text`, also "ml per 30 s" and, with its country, a bare "fl oz".

    A bare fluid ounce of an unknown country is read as the US one and marked `open_choice`.

    Raises
    ------
    UnitError
        The text is no unit.
    """
    word = text.strip().strip("()[]").strip()
    try:
        found = unit(word)
        return MeasuredUnit(found.quantity, found.factor, found.offset)
    except UnitError:
        if fold(word) in ("fl oz", "oz", "floz", "fluid ounce", "fluid ounces"):
            ounce = unit(f"{(country or 'us').lower()} fl oz")
            return MeasuredUnit(ounce.quantity, ounce.factor, ounce.offset, open_choice=country is None)
        over = _OVER.fullmatch(word)
        if over is None:
            raise
        volume, time = unit(over.group(1)), unit(over.group(3))
        if volume.quantity != "volume" or time.quantity != "time":
            raise
        seconds = float(over.group(2).replace(",", ".")) * time.factor
        if seconds <= 0:
            raise
        return MeasuredUnit("volume", volume.factor, 0.0, over_s=seconds)

"""Units of the trade and their factors to the one base unit per quantity.

Base units: volume ml, flow ml/min, pressure bar, time s, temperature degC, distance km, speed rpm,
voltage V, engine time h, kinematic viscosity mm2/s, height mm, pressure rate bar/s. The factors are the defined
ones (1 in = 25.4 mm, 1 lb = 0.45359237 kg, US gallon 231 in3, imperial gallon 4.54609 l, standard gravity
9.80665 m/s2); the tests compare every one with the unit registry `pint`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

from wearlab.errors import UnitError
from wearlab.language import _


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: base value = value * factor + offset, in the base unit of its quantity."""

    symbol: str
    quantity: str
    factor: float
    offset: float = 0.0


BASE: dict[str, str] = {
    "volume": "ml",
    "flow": "ml/min",
    "pressure": "bar",
    "time": "s",
    "temperature": "degC",
    "distance": "km",
    "speed": "rpm",
    "voltage": "V",
    "engine time": "h",
    "height": "mm",
    "pressure rate": "bar/s",
    "stroke volume": "mm3/stroke",
    "stroke mass": "mg/stroke",
}

_US_OZ = 231 * 2.54**3 / 128
_UK_OZ = 4546.09 / 160
_PSI = 0.45359237 * 9.80665 / 0.0254**2 / 1e5
_KGF = 9.80665 / 10

_TABLE: tuple[tuple[Unit, tuple[str, ...]], ...] = (
    (Unit("ml", "volume", 1.0), ("ml", "cc", "cm3", "cm^3", "cm³", "ccm", "mls", "millilitre", "milliliter")),
    (Unit("l", "volume", 1000.0), ("l", "litre", "liter", "ltr")),
    (Unit("mm3", "volume", 0.001), ("mm3", "mm^3", "mm³")),
    (Unit("us fl oz", "volume", _US_OZ), ("us fl oz", "fl oz us", "us fluid ounce", "us oz")),
    (Unit("uk fl oz", "volume", _UK_OZ), ("uk fl oz", "fl oz uk", "imp fl oz", "imperial fl oz", "uk oz")),
    (
        Unit("ml/min", "flow", 1.0),
        ("ml/min", "cc/min", "cm3/min", "cm³/min", "ml/mn", "ml per min", "ml / min", "ml/1 min"),
    ),
    (Unit("ml/s", "flow", 60.0), ("ml/s", "cc/s", "cm3/s")),
    (Unit("l/h", "flow", 1000.0 / 60.0), ("l/h", "l/hr", "lph", "ltr/h")),
    (Unit("l/min", "flow", 1000.0), ("l/min", "lpm")),
    (Unit("bar", "pressure", 1.0), ("bar", "bars")),
    (Unit("mbar", "pressure", 0.001), ("mbar",)),
    (Unit("MPa", "pressure", 10.0), ("mpa",)),
    (Unit("kPa", "pressure", 0.01), ("kpa",)),
    (Unit("psi", "pressure", _PSI), ("psi", "lb/in2", "lbf/in2", "psig")),
    (Unit("kgf/cm2", "pressure", _KGF), ("kgf/cm2", "kgf/cm²", "kg/cm2", "kg/cm²", "at")),
    (Unit("s", "time", 1.0), ("s", "sec", "secs", "second", "seconds", "sek")),
    (Unit("min", "time", 60.0), ("min", "mins", "minute", "minutes", "mn")),
    (Unit("ms", "time", 0.001), ("ms", "msec")),
    (Unit("degC", "temperature", 1.0), ("degc", "°c", "c", "deg c", "celsius", "º c", "ºc", "° c")),
    (
        Unit("degF", "temperature", 5.0 / 9.0, -160.0 / 9.0),
        ("degf", "°f", "f", "deg f", "fahrenheit", "ºf", "° f"),
    ),
    (Unit("K", "temperature", 1.0, -273.15), ("k", "kelvin")),
    (Unit("km", "distance", 1.0), ("km", "kms", "kilometer", "kilometre")),
    (Unit("mi", "distance", 1.609344), ("mi", "mile", "miles")),
    (Unit("rpm", "speed", 1.0), ("rpm", "1/min", "min-1", "r/min", "u/min", "tr/min", "min^-1")),
    (Unit("V", "voltage", 1.0), ("v", "volt", "volts")),
    (Unit("h", "engine time", 1.0), ("h", "hr", "hrs", "hour", "hours", "std")),
    (Unit("mm", "height", 1.0), ("mm",)),
    (Unit("bar/s", "pressure rate", 1.0), ("bar/s", "bar/sec")),
    (Unit("mm3/stroke", "stroke volume", 1.0), ("mm3/stroke", "mm³/stroke", "mm3/hub", "mm3/str")),
    (Unit("mg/stroke", "stroke mass", 1.0), ("mg/stroke", "mg/hub", "mg/str")),
)

_BY_WORD: dict[str, Unit] = {word: unit for unit, words in _TABLE for word in words}


def unit(text: str) -> Unit:
    """Return the unit written as `text` (case, blanks and a closing point do not matter).

    A bare "fl oz" is ambiguous (US 29.57 ml, UK 28.41 ml) and is refused.

    Raises
    ------
    UnitError
        The text is not a unit of the table.
    """
    word = " ".join(text.strip().lower().split()).rstrip(".")
    word = word.replace(" /", "/").replace("/ ", "/")
    if word in _BY_WORD:
        return _BY_WORD[word]
    if word in ("fl oz", "oz", "fluid ounce", "fl. oz"):
        raise UnitError(f'"{text}" can be a US (29.57 ml) or a UK (28.41 ml) fluid ounce: say which')
    raise UnitError(f'"{text}" is not a known unit')


@overload
def to_base(value: float, text: str, quantity: str) -> float: ...
@overload
def to_base(value: NDArray[np.float64], text: str, quantity: str) -> NDArray[np.float64]: ...
def to_base(value: float | NDArray[np.float64], text: str, quantity: str) -> float | NDArray[np.float64]:
    """Convert a value or an array from the unit `text` to the base unit of `quantity`.

    Raises
    ------
    UnitError
        The unit is unknown or measures another quantity (a height is no volume).
    """
    found = unit(text)
    if found.quantity != quantity:
        raise UnitError(f'"{text}" measures {found.quantity}, expected {quantity} ({BASE[quantity]})')
    return value * found.factor + found.offset


def rate_unit(name: str) -> str:
    """Return the unit of a rate of wear as it is shown: "ml/min per 10,000 km"."""
    return _("{unit} per 10,000 km", unit=name)

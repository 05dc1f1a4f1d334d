"""Every factor of the unit table against the unit registry `pint`, and the refusals."""

from __future__ import annotations

import numpy as np
import pint
import pytest

from wearlab.errors import UnitError
from wearlab.units import _TABLE, BASE, Unit, to_base, unit

REGISTRY = pint.UnitRegistry()

# our symbol -> the registry's own name
PINT: dict[str, str] = {
    "ml": "milliliter",
    "l": "liter",
    "mm3": "millimeter ** 3",
    "us fl oz": "US_fluid_ounce",
    "uk fl oz": "imperial_fluid_ounce",
    "ml/min": "milliliter / minute",
    "ml/s": "milliliter / second",
    "l/h": "liter / hour",
    "l/min": "liter / minute",
    "bar": "bar",
    "mbar": "millibar",
    "MPa": "megapascal",
    "kPa": "kilopascal",
    "psi": "pound_force_per_square_inch",
    "kgf/cm2": "kilogram_force / centimeter ** 2",
    "s": "second",
    "min": "minute",
    "ms": "millisecond",
    "degC": "degree_Celsius",
    "degF": "degree_Fahrenheit",
    "K": "kelvin",
    "km": "kilometer",
    "mi": "mile",
    "rpm": "revolutions_per_minute",
    "V": "volt",
    "h": "hour",
    "mm": "millimeter",
    "bar/s": "bar / second",
    "mm3/stroke": "millimeter ** 3",
    "mg/stroke": "milligram",
}
UNITS = [found for found, _ in _TABLE]
WORDS = [(word, found) for found, words in _TABLE for word in words]


@pytest.mark.parametrize("found", UNITS, ids=lambda found: found.symbol)
@pytest.mark.parametrize("value", [0.0, 1.0, 37.5])
def test_factor_against_the_registry(found: Unit, value: float) -> None:
    there = REGISTRY.Quantity(value, PINT[found.symbol]).to(PINT[BASE[found.quantity]])
    here = to_base(value, found.symbol, found.quantity)
    assert here == pytest.approx(there.magnitude, rel=1e-12, abs=1e-12)


def test_every_unit_is_compared_and_every_quantity_has_its_base() -> None:
    assert {found.symbol for found in UNITS} == set(PINT)
    assert {found.quantity for found in UNITS} == set(BASE)
    for quantity, symbol in BASE.items():
        base = next(found for found in UNITS if found.symbol == symbol)
        assert (base.quantity, base.factor, base.offset) == (quantity, 1.0, 0.0)


@pytest.mark.parametrize(("word", "found"), WORDS, ids=[word for word, _ in WORDS])
def test_every_spelling_is_understood(word: str, found: Unit) -> None:
    assert unit(word) == found
    assert unit(f"  {word.upper()} ") == found


def test_no_spelling_stands_for_two_units() -> None:
    words = [word for word, _ in WORDS]
    assert len(words) == len(set(words))
    assert words == [word.lower() for word in words]


def test_printed_figures() -> None:
    # figures as commonly printed in unit tables
    assert to_base(1, "US fl oz", "volume") == pytest.approx(29.5735, abs=5e-5)
    assert to_base(1, "UK fl oz", "volume") == pytest.approx(28.4131, abs=5e-5)
    assert to_base(1, "bar", "pressure") / to_base(1, "psi", "pressure") == pytest.approx(14.5038, abs=5e-5)
    assert to_base(212, "F", "temperature") == pytest.approx(100)
    assert to_base(1, "mi", "distance") == 1.609344


@pytest.mark.parametrize("word", ["fl oz", "oz", "Fluid Ounce", " fl. oz "])
def test_a_bare_fluid_ounce_is_refused(word: str) -> None:
    with pytest.raises(UnitError, match="say which"):
        unit(word)


@pytest.mark.parametrize("word", ["", "litres per fortnight", "mm2", "m"])
def test_an_unknown_unit_is_refused(word: str) -> None:
    with pytest.raises(UnitError, match="not a known unit"):
        unit(word)


@pytest.mark.parametrize(
    ("word", "quantity"),
    [
        ("mm", "volume"),
        ("ml", "flow"),
        ("min", "engine time"),
        ("h", "time"),
        ("mg/stroke", "flow"),
        ("bar", "pressure rate"),
    ],
)
def test_a_unit_of_another_quantity_is_refused(word: str, quantity: str) -> None:
    with pytest.raises(UnitError, match=f"expected {quantity}"):
        to_base(1.0, word, quantity)


def test_blanks_and_points_do_not_matter() -> None:
    assert unit("ml /  min").symbol == "ml/min"
    assert unit("sec.").symbol == "s"
    assert unit("US  fl  oz").symbol == "us fl oz"


def test_arrays_are_converted_like_numbers() -> None:
    values = np.array([0.0, 32.0, 212.0])
    assert to_base(values, "degF", "temperature") == pytest.approx([-160 / 9, 0, 100], abs=1e-12)

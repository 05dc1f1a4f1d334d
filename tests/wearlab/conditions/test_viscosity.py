"""Viscosity over temperature: printed worked examples, the exact inverse, and where it refuses."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from wearlab.conditions.viscosity import ViscosityLaw, law_of, printed_inverse, through, viscosity_of, z_of
from wearlab.config import Fuel
from wearlab.errors import InputError


def test_printed_worked_example_with_rounded_kelvin() -> None:
    """ASTM D341 short form, a printed worked calculator: 32 mm2/s at 40 C, 5.4 at 100 C, T = C + 273."""
    law = through((40.0, 32.0), (100.0, 5.4), full=False, kelvin=273.0)
    assert round(law.a, 4) == 9.5259
    assert round(law.b, 4) == 3.7449
    assert round(float(law.at(80.0)), 1) == 8.5
    # the same example, recomputed with more digits
    assert law.a == pytest.approx(9.525928, abs=5e-7)
    assert law.b == pytest.approx(3.744932, abs=5e-7)
    assert float(law.at(80.0)) == pytest.approx(8.533104, abs=5e-7)


def test_same_example_with_exact_kelvin() -> None:
    """The example above with 273.15 (computed)."""
    law = through((40.0, 32.0), (100.0, 5.4), full=False)
    assert law.a == pytest.approx(9.530815, abs=5e-7)
    assert law.b == pytest.approx(3.746578, abs=5e-7)
    assert law.at([80.0, 60.0]) == pytest.approx([8.533215, 15.185893], abs=5e-7)


def test_thin_fuel_needs_the_full_form() -> None:
    """2.60 mm2/s at 40 C and 1.10 at 100 C (computed by an independent routine)."""
    full = through((40.0, 2.60), (100.0, 1.10))
    assert full.a == pytest.approx(9.586085, abs=5e-7)
    assert full.b == pytest.approx(3.955247, abs=5e-7)
    assert full.at([20.0, 60.0, 80.0]) == pytest.approx([4.0118, 1.8451, 1.3940], abs=2.5e-4)
    short = through((40.0, 2.60), (100.0, 1.10), full=False)
    assert short.at([20.0, 60.0, 80.0]) == pytest.approx([4.0540, 1.8334, 1.3842], abs=6e-5)


def test_printed_inverse_is_approximate_and_ours_is_exact() -> None:
    """The printed inverse of the full form returns 0.99995 for 1.0, 1.50014 for 1.5 and 2.00017 for 2.0."""
    v = np.array([1.0, 1.5, 2.0])
    assert printed_inverse(z_of(v)) == pytest.approx([0.99995, 1.50014, 2.00017], abs=5e-6)
    assert viscosity_of(z_of(v)) == pytest.approx(v, rel=1e-14)
    thin = np.linspace(0.21, 2.0, 500)
    assert 1e-4 < np.abs(printed_inverse(z_of(thin)) - thin).max() < 3e-4


@given(st.floats(0.21, 1e6))
def test_round_trip_of_z(v: float) -> None:
    assert float(viscosity_of(z_of(v))) == pytest.approx(v, rel=1e-12)
    if v >= 0.32:
        assert float(viscosity_of(z_of(v, full=False), full=False)) == pytest.approx(v, rel=1e-12)


@given(st.floats(0.22, 5.0))
def test_inverse_equals_a_bracketing_root(v: float) -> None:
    z = float(z_of(v))
    found = brentq(lambda u: u + 0.7 + np.exp(-1.47 - 1.84 * u - 0.51 * u * u) - z, 0.0, 10.0, xtol=1e-13)
    assert float(viscosity_of(z)) == pytest.approx(found, abs=1e-11)


@given(
    st.floats(0, 60),
    st.floats(20, 80),
    st.floats(0.4, 20),
    st.floats(1.2, 4),
    st.booleans(),
    st.sampled_from([273.0, 273.15]),
)
def test_law_meets_its_points_and_falls_between(
    cool: float, apart: float, thin: float, times: float, full: bool, kelvin: float
) -> None:
    points = ((cool, thin * times), (cool + apart, thin))
    law = through(*points, full=full, kelvin=kelvin)
    assert law.at([cool, cool + apart]) == pytest.approx([thin * times, thin], rel=1e-9)
    along = law.at(np.linspace(cool - 5, cool + apart, 60))
    assert (np.diff(along) < 0).all()
    turned = through(points[1], points[0], full=full, kelvin=kelvin)
    assert (turned.a, turned.b) == (law.a, law.b)


def test_shapes_missing_values_and_range() -> None:
    law = law_of(Fuel())
    grid = np.array([[20.0, np.nan], [60.0, 80.0]])
    answer = law.at(grid)
    assert answer.shape == (2, 2)
    assert np.isnan(answer).tolist() == [[False, True], [False, False]]
    assert np.isnan(law.at(-300.0))  # colder than absolute zero
    assert np.isnan(law.at(600.0))  # thinner than the form reaches
    assert np.isnan(law.at(-271.0))  # the law overflows: no number rather than infinity
    assert np.isnan(viscosity_of(z_of(0.2)))
    assert np.isnan(viscosity_of(0.95, full=False))


def test_ordinary_road_diesel() -> None:
    """2.8 mm2/s at 40 C and 1.15 at 100 C: 4.4 at 20, 1.95 at 60, 1.46 at 80 (computed for the trade's figures)."""
    assert law_of(Fuel()).at([20.0, 60.0, 80.0]) == pytest.approx([4.4, 1.96, 1.46], abs=0.03)


def test_thicker_fuel_on_the_same_slope() -> None:
    law = law_of(Fuel())
    thicker = law.thicker(1.2, 40.0)
    assert isinstance(thicker, ViscosityLaw)
    assert float(thicker.at(40.0)) == pytest.approx(1.2 * 2.8, rel=1e-12)
    assert thicker.b == law.b
    # thicker fuels are steeper
    assert float(thicker.at(0.0) / law.at(0.0)) > 1.2


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        ((40.0, 2.8), (40.0, 1.15), "two temperatures"),
        ((40.0, 1.0), (100.0, 2.0), "falls with temperature"),
        ((40.0, 2.8), (100.0, 0.1), "at least 0.21"),
        ((float("nan"), 2.8), (100.0, 1.0), "two temperatures"),
    ],
)
def test_impossible_points_are_refused(first: tuple[float, float], second: tuple[float, float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        through(first, second)

"""Annular clearance leakage: computed values, quadrature of the local gap, exact annulus, Barus along the gap."""

from __future__ import annotations

from decimal import Decimal, localcontext
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from wearlab.conditions.leakage import annular_leakage, barus_flow_factor, barus_viscosity_factor
from wearlab.errors import InputError

# d 6 mm, h 2 um, dp 100 MPa, mu 2.1 mPa s, L 10 mm
GAP: dict[str, Any] = {
    "diameter_mm": 6.0, "clearance_um": 2.0, "length_mm": 10.0, "drop_bar": 1000.0, "viscosity_mpas": 2.1,
}  # fmt: skip


def test_eccentric_gap() -> None:
    """Formula: Merritt, Hydraulic Control Systems, 1967; values computed, angular quadrature agrees to 1e-15."""
    flow = annular_leakage(**GAP, eccentricity=[0.0, 0.3, 0.5, 1.0])
    assert flow == pytest.approx([3.5903916, 4.0750945, 4.9367885, 8.9759790], abs=5e-8)
    assert flow[3] / flow[0] == pytest.approx(2.5, rel=1e-14)


def test_exact_annulus_has_the_mean_diameter() -> None:
    """Concentric annulus of a 6 mm plunger: 3.5915884 ml/min (computed), the thin gap within 7.4e-9 of it."""
    with localcontext() as digits:
        digits.prec = 40  # the exact form takes differences of nearly equal fourth powers
        inner, outer = Decimal("3e-3"), Decimal("3.002e-3")
        shape = outer**4 - inner**4 - (outer**2 - inner**2) ** 2 / (outer / inner).ln()
    exact = np.pi * 1e8 / (8 * 2.1e-3 * 1e-2) * float(shape) * 6e7
    thin = float(annular_leakage(**{**GAP, "diameter_mm": 6.002}))
    assert exact == pytest.approx(3.5915884, abs=5e-8)
    assert abs(thin / exact - 1.0) == pytest.approx(7.4e-9, rel=0.02)
    assert thin / float(annular_leakage(**GAP)) == pytest.approx(6.002 / 6.0, rel=1e-12)


@given(
    st.floats(2, 20),
    st.floats(0.5, 20),
    st.floats(2, 50),
    st.floats(1, 2500),
    st.floats(0.5, 50),
    st.floats(0, 1),
)
def test_units_against_quadrature_of_the_local_gap(
    d: float, h: float, length: float, drop: float, mu: float, ratio: float
) -> None:
    """Slot flow h(a)^3 dp / (12 mu L) a unit of width, summed around the circumference in SI units."""

    def local(angle: float) -> float:
        gap = h * 1e-6 * (1 + ratio * np.cos(angle))
        return float(gap**3 * drop * 1e5 / (12 * mu * 1e-3 * length * 1e-3) * 0.5 * d * 1e-3)

    around = 2 * quad(local, 0, np.pi, epsabs=0, epsrel=1e-10)[0]
    flow = annular_leakage(
        diameter_mm=d, clearance_um=h, length_mm=length, drop_bar=drop, viscosity_mpas=mu, eccentricity=ratio
    )
    assert float(flow) == pytest.approx(around * 1e6 * 60, rel=1e-9)


def test_clearance_acts_with_its_cube() -> None:
    """10 % more clearance gives 1.331 times the leakage."""
    flow = annular_leakage(**{**GAP, "clearance_um": [2.0, 2.2, 4.0]})
    assert flow / flow[0] == pytest.approx([1.0, 1.331, 8.0], rel=1e-12)


def test_barus() -> None:
    """alpha 1.5e-8 /Pa and 100 MPa: mu ratio 4.481689, flow factor 0.517913 (computed, quadrature agrees)."""
    assert float(barus_viscosity_factor(1000.0, 1.5e-8)) == pytest.approx(4.481689, abs=5e-7)
    assert float(barus_flow_factor(1000.0, 1.5e-8)) == pytest.approx(0.517913, abs=5e-7)
    plain, thick = annular_leakage(**GAP), annular_leakage(**GAP, barus_per_pa=1.5e-8)
    assert float(thick / plain) == pytest.approx(0.517913, abs=5e-7)


@given(st.floats(0, 2500), st.floats(0, 3e-8), st.floats(0, 100))
def test_barus_factor_against_quadrature_along_the_gap(drop: float, alpha: float, after: float) -> None:
    low, high = after * 1e5, (after + drop) * 1e5
    if drop < 1:
        expected = np.exp(-alpha * 0.5 * (low + high))
    else:
        expected = quad(lambda p: np.exp(-alpha * p), low, high, epsabs=0, epsrel=1e-11)[0] / (high - low)
    assert float(barus_flow_factor(drop, alpha, outlet_bar=after)) == pytest.approx(float(expected), rel=1e-6)
    assert float(barus_flow_factor(drop, 0.0, outlet_bar=after)) == 1.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"clearance_um": 0.0}, "clearance of a gap is above zero"),
        ({"viscosity_mpas": -1.0}, "viscosity of a gap is above zero"),
        ({"eccentricity": 1.2}, "between 0"),
        ({"clearance_um": 300.0}, "thin gap"),
    ],
)
def test_impossible_gaps_are_refused(change: dict[str, float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        annular_leakage(**{**GAP, **change})

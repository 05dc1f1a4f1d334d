"""Density over temperature by the tables of 1980: computed values, round trips, bounds, ranges."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import brentq

from wearlab.conditions.density import density_15, density_at, expansion, volume_factor

# ASTM D1250 (1980), tables 53B/54B: alpha in 1e-6/K and VCF at 20, 40, 60 C, from the printed constants by two
# independent routines that agree; no printed table entry was at hand
TABLE = {
    825.0: (873.523, 0.99563, 0.97803, 0.96027),
    832.0: (858.886, 0.99570, 0.97840, 0.96094),
    845.0: (837.238, 0.99581, 0.97894, 0.96193),
}


@pytest.mark.parametrize("rho", TABLE)
def test_expansion_and_volume_factor(rho: float) -> None:
    alpha, *factors = TABLE[rho]
    assert float(expansion(rho)) * 1e6 == pytest.approx(alpha, abs=6e-4)
    assert volume_factor(rho, [20.0, 40.0, 60.0]) == pytest.approx(factors, abs=5.1e-6)


def test_observed_density_to_15_degrees() -> None:
    """Observed 815.0 at 35 C is 829.408 at 15 C (computed by iteration, independent routine)."""
    assert float(density_15(815.0, 35.0)) == pytest.approx(829.408, abs=5e-4)


@given(st.floats(654, 1074), st.floats(-18, 150))
def test_round_trip(rho: float, t: float) -> None:
    # at a bound between two pieces a stretch of densities is reached from both
    assume(min(abs(rho - bound) for bound in (770.5, 787.5, 839.0)) > 0.1)
    assert float(density_15(density_at(rho, t), t)) == pytest.approx(rho, rel=1e-11)


@given(st.floats(700, 1000), st.floats(-10, 120))
def test_inverse_equals_a_bracketing_root(rho: float, t: float) -> None:
    assume(min(abs(rho - bound) for bound in (770.5, 787.5, 839.0)) > 3)
    seen = float(density_at(rho, t))
    low, high = (
        max(b for b in (653.0, 770.5, 787.5, 839.0) if b <= rho),
        min(b for b in (770.4999, 787.4999, 838.9999, 1075.0) if b >= rho),
    )
    found = brentq(lambda r: float(density_at(r, t)) - seen, low, high, xtol=1e-10)
    assert float(density_15(seen, t)) == pytest.approx(found, abs=1e-7)


def test_bounds_between_pieces_have_an_answer() -> None:
    """A density seen between the reach of two pieces belongs to the bound; one that both reach is told near it."""
    for t in (-18.0, 0.0, 35.0, 60.0, 120.0, 150.0):
        for bound in (770.5, 787.5, 839.0):
            near = density_at([bound - 1e-9, bound], t)
            between = np.linspace(near.min(), near.max(), 5)
            assert density_15(between, t) == pytest.approx(bound, abs=0.1)


@given(st.floats(653, 1075), st.floats(-18, 149))
def test_density_falls_with_temperature_and_is_itself_at_15(rho: float, t: float) -> None:
    assert float(density_at(rho, 15.0)) == rho
    assert float(density_at(rho, t + 1.0)) < float(density_at(rho, t))


def test_shapes_and_range() -> None:
    grid = density_at(np.array([[820.0], [840.0]]), np.array([0.0, 20.0, 40.0]))
    assert grid.shape == (2, 3)
    assert np.isnan(volume_factor([652.0, 1076.0, 830.0, 830.0, np.nan], [20.0, 20.0, -19.0, 151.0, 20.0])).all()
    assert np.isnan(density_15([600.0, 1200.0, 815.0], [15.0, 15.0, 200.0])).all()

"""Chart factors as printed in ISO 7870-2 and in Montgomery, Introduction to Statistical Quality Control, App. VI."""

from __future__ import annotations

from math import pi, sqrt

import pytest

from wearlab.control.constants import c4, d2, d2_star, d3, factors, median_range, range_chance
from wearlab.errors import InputError

# n: A2, D3, D4, d2 as printed
PRINTED = {
    2: (1.880, 0, 3.267, 1.128),
    3: (1.023, 0, 2.574, 1.693),
    4: (0.729, 0, 2.282, 2.059),
    5: (0.577, 0, 2.114, 2.326),
    6: (0.483, 0, 2.004, 2.534),
    7: (0.419, 0.076, 1.924, 2.704),
    8: (0.373, 0.136, 1.864, 2.847),
    9: (0.337, 0.184, 1.816, 2.970),
    10: (0.308, 0.223, 1.777, 3.078),
}
# n: d3, c4, 3/d2, A3, B3, B4, by another integration of the same laws
COMPUTED = {
    2: (0.85250, 0.79788, 2.65868, 2.65868, 0, 3.26653),
    3: (0.88837, 0.88623, 1.77245, 1.95441, 0, 2.56817),
    4: (0.87981, 0.92132, 1.45719, 1.62810, 0, 2.26605),
    5: (0.86408, 0.93999, 1.28981, 1.42730, 0, 2.08900),
    6: (0.84804, 0.95153, 1.18371, 1.28713, 0.03036, 1.96964),
    7: (0.83321, 0.95937, 1.10932, 1.18192, 0.11769, 1.88231),
    8: (0.81983, 0.96503, 1.05367, 1.09910, 0.18509, 1.81491),
    9: (0.80783, 0.96931, 1.01009, 1.03166, 0.23913, 1.76087),
    10: (0.79705, 0.97266, 0.97482, 0.97535, 0.28371, 1.71629),
}


@pytest.mark.parametrize("n", PRINTED)
def test_printed_factors(n: int) -> None:
    found = factors(n)
    # the tables round some last digits up where the exact value lies just below (2.57459, 2.11450)
    assert (found.A2, found.D3, found.D4, found.d2) == pytest.approx(PRINTED[n], abs=0.00061)


@pytest.mark.parametrize("n", COMPUTED)
def test_computed_factors(n: int) -> None:
    found = factors(n)
    assert (found.d3, found.c4, found.E2, found.A3, found.B3, found.B4) == pytest.approx(COMPUTED[n], abs=6e-6)


def test_ranges_of_two_have_a_closed_form() -> None:
    assert d2(2) == pytest.approx(2 / sqrt(pi), rel=1e-13)
    assert d3(2) == pytest.approx(sqrt(2 - 4 / pi), rel=1e-12)
    assert c4(2) == pytest.approx(sqrt(2 / pi), rel=1e-13)
    # sqrt(2) times the upper quartile of the normal distribution
    assert median_range(2) == pytest.approx(0.95387255, abs=1e-8)


def test_median_range_halves_the_law() -> None:
    assert range_chance(median_range(7), 7) == pytest.approx(0.5, abs=1e-12)


def test_large_samples_keep_their_digits() -> None:
    # d2 of 100 as tabled by Tippett (1925), Biometrika 17: 5.01519
    assert d2(100) == pytest.approx(5.01519, abs=6e-6)


def test_divisor_of_one_sample() -> None:
    # K2 of three appraisers and K3 of ten parts in the AIAG manual Measurement Systems Analysis
    assert 1 / d2_star(3, 1) == pytest.approx(0.5231, abs=6e-5)
    assert 1 / d2_star(10, 1) == pytest.approx(0.3146, abs=6e-5)


def test_a_sample_of_one_has_no_range() -> None:
    with pytest.raises(InputError):
        factors(1)

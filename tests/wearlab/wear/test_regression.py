"""Polynomials against certified values and against exact rational arithmetic."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from wearlab.errors import InputError
from wearlab.records import NoAnswer
from wearlab.wear.regression import Polynomial, polynomial

REFERENCE = Path(__file__).parents[2] / "reference"

# NIST StRD, Filip, certified values of b0..b10
FILIP = (
    -1467.48961422980,
    -2772.17959193342,
    -2316.37108160893,
    -1127.97394098372,
    -354.478233703349,
    -75.1242017393757,
    -10.8753180355343,
    -1.06221498588947,
    -0.670191154593408e-01,
    -0.246781078275479e-02,
    -0.402962525080404e-04,
)


def points(name: str) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    lines = (REFERENCE / name).read_text("utf-8").splitlines()
    rows = np.genfromtxt([line for line in lines if not line.startswith("#")], delimiter=",", names=True)
    return rows["x"], rows["y"]


def fitted(x: object, y: object, degree: int) -> Polynomial:
    answer = polynomial(x, y, degree)  # type: ignore[arg-type]
    assert isinstance(answer, Polynomial)
    return answer


def test_norris_to_nine_digits() -> None:
    fit = fitted(*points("nist_norris.csv"), 1)
    # NIST StRD, Norris, certified values
    assert fit.coefficients == pytest.approx((-0.262323073774029, 1.00211681802045), rel=1e-9)
    assert fit.sd == pytest.approx((0.232818234301152, 0.429796848199937e-03), rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert fit.r_squared == pytest.approx(0.999993745883712, rel=1e-12)
    assert (fit.n, fit.dof) == (36, 34)


def test_filip_reaches_the_certified_digits() -> None:
    fit = fitted(*points("nist_filip.csv"), 10)
    # plain powers of x in double precision reach about seven digits; the scaled basis reaches twelve and more
    assert fit.coefficients == pytest.approx(FILIP, rel=1e-11)
    assert fit.residual_sd == pytest.approx(0.334801051324544e-02, rel=1e-11)
    assert fit.r_squared == pytest.approx(0.996727416185620, rel=1e-12)
    assert fit.condition < 100


def test_filip_standard_deviations_against_rational_arithmetic() -> None:
    x, y = points("nist_filip.csv")
    fit = fitted(x, y, 10)
    variance = _exact_inverse_diagonal(x, 10)
    expected = [0.334801051324544e-02 * float(value) ** 0.5 for value in variance]
    assert fit.sd == pytest.approx(expected, rel=1e-9)


def _exact_inverse_diagonal(x: NDArray[np.float64], degree: int) -> list[Fraction]:
    """Diagonal of (X'X)^-1 of plain powers, by Gauss-Jordan in rational numbers: no rounding at all."""
    size = degree + 1
    sums = [sum((Fraction(float(v)) ** p for v in x), Fraction(0)) for p in range(2 * degree + 1)]
    table = [[sums[i + j] for j in range(size)] + [Fraction(int(i == j)) for j in range(size)] for i in range(size)]
    for i in range(size):
        lead = table[i][i]
        table[i] = [cell / lead for cell in table[i]]
        for k in range(size):
            if k != i:
                factor = table[k][i]
                table[k] = [a - factor * b for a, b in zip(table[k], table[i], strict=True)]
    return [table[i][size + i] for i in range(size)]


def test_value_at_a_place_is_the_polynomial() -> None:
    x = np.linspace(100_000, 180_000, 12)
    fit = fitted(x, 3 + 2e-4 * x - 1e-9 * x**2, 2)
    assert fit.at([120_000.0]) == pytest.approx([3 + 24 - 14.4], rel=1e-12)


def test_degree_zero_is_the_mean() -> None:
    fit = fitted([5, 5, 5, 5], [1, 2, 3, 6], 0)
    assert fit.coefficients == pytest.approx((3.0,))
    # standard error of a mean: s / sqrt(n), s^2 = 14/3
    assert fit.sd == pytest.approx(((14 / 3 / 4) ** 0.5,))


@pytest.mark.parametrize(
    ("x", "y", "degree", "words"),
    [
        ([7, 7, 7, 7], [1, 2, 3, 4], 1, "2 different places"),
        ([1, 2], [1, 2], 1, "at least 3 readings"),
        ([1, 2, float("nan"), 4], [1, 2, 3, 4], 1, "not a finite number"),
        ([1, 2, 3, 4], [1, 2, float("inf"), 4], 1, "not a finite number"),
        ([1, 1, 2, 2, 3], [1, 2, 3, 4, 5], 3, "4 different places"),
    ],
)
def test_no_answer_has_its_reason(x: list[float], y: list[float], degree: int, words: str) -> None:
    answer = polynomial(x, y, degree)
    assert isinstance(answer, NoAnswer)
    assert words in answer.reason


def test_a_hopeless_design_is_refused_with_its_condition_number() -> None:
    # 13 places, twelve of them within a millionth of the range: twelve powers cannot be told apart there
    x = np.r_[np.linspace(0, 1e-6, 12), 1.0, 1.0, 1.0]
    answer = polynomial(x, np.sin(x), 12)
    assert isinstance(answer, NoAnswer)
    assert "condition number" in answer.reason


def test_lists_of_two_lengths_are_an_error() -> None:
    with pytest.raises(InputError, match="one length"):
        polynomial([1, 2, 3], [1, 2], 1)


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    degree=st.integers(1, 4),
    factor=st.sampled_from([0.001, 1 / 1.609344, 1000.0]),
)
def test_unit_of_distance_changes_nothing(seed: int, degree: int, factor: float) -> None:
    rng = np.random.default_rng(seed)
    x = rng.uniform(0, 300_000, 15)
    y = rng.normal(30, 5, 15)
    here, there = fitted(x, y, degree), fitted(x * factor, y, degree)
    assert there.at(x * factor) == pytest.approx(here.at(x), rel=1e-7)
    powers = factor ** np.arange(degree + 1)
    assert np.array(there.sd) * powers == pytest.approx(np.array(here.sd), rel=1e-6)

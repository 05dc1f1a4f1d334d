"""Inverses by halves against the linear algebra library."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from wearlab.wear.inverse import SMALL, inverse_of, inverse_of_lower


def batch(m: int, n: int, seed: int) -> NDArray[np.float64]:
    """Positive definite matrices (m, n, n) of differing size and shape."""
    rng = np.random.default_rng(seed)
    root = rng.standard_normal((m, n, n + 2)) * rng.uniform(0.5, 5.0, (m, n, 1))
    return np.asarray(root @ root.swapaxes(1, 2) + 0.1 * np.eye(n))


@pytest.mark.parametrize("n", [1, 2, 3, SMALL - 1, SMALL, SMALL + 1, 2 * SMALL + 1, 37, 50, 101])
def test_inverse_and_log_determinant(n: int) -> None:
    k = batch(6, n, n)
    before = k.copy()
    inverse, log_det = inverse_of(k)
    sign, known = np.linalg.slogdet(k)
    assert (sign == 1).all()
    np.testing.assert_allclose(log_det, known, rtol=1e-10, atol=1e-10)
    known_inverse = np.linalg.inv(k)
    np.testing.assert_allclose(inverse, known_inverse, rtol=1e-7, atol=1e-9 * np.abs(known_inverse).max())
    np.testing.assert_array_equal(k, before)


def test_each_matrix_of_a_batch_stands_alone() -> None:
    k = batch(5, 40, 1)
    whole = inverse_of(k)
    for number in range(5):
        one = inverse_of(k[[number]])
        np.testing.assert_allclose(one[0][0], whole[0][number], rtol=1e-9, atol=1e-12)
        assert one[1][0] == pytest.approx(whole[1][number], rel=1e-12)


@pytest.mark.parametrize("n", [4, 30, 60])
@pytest.mark.parametrize("at", ["first", "last"])
def test_not_positive_definite(n: int, at: str) -> None:
    """One bad matrix of a batch is enough, wherever its negative eigenvalue sits."""
    k = batch(3, n, 2)
    vector = np.zeros(n)
    vector[0 if at == "first" else -1] = 1.0
    k[1] -= 2 * k[1].max() * np.outer(vector, vector)
    with pytest.raises(np.linalg.LinAlgError):
        inverse_of(k)


def test_equal_rows_are_singular() -> None:
    k = np.ones((2, 30, 30))
    with pytest.raises(np.linalg.LinAlgError):
        inverse_of(k)


@pytest.mark.parametrize("ratio", [1e-2, 1e-4, 1e-6, 1e-8, 1e-10])
def test_readings_that_nearly_agree(ratio: float) -> None:
    """a J + b I of n rows: eigenvalues a n + b once, b else; inverse (I - a J / (a n + b)) / b."""
    n, a = 60, 30.0
    b = ratio * a
    inverse, log_det = inverse_of(np.full((1, n, n), a) + b * np.eye(n))
    lost = 1e-13 * n / ratio  # digits that no method keeps: rounding of K itself, against b
    assert log_det[0] == pytest.approx(np.log(a * n + b) + (n - 1) * np.log(b), abs=1e-6 + n * lost)
    known = (np.eye(n) - a / (a * n + b)) / b
    np.testing.assert_allclose(inverse[0], known, atol=(1e-7 + lost) / b)


@pytest.mark.parametrize("n", [1, SMALL, SMALL + 1, 2 * SMALL + 5, 97])
def test_inverse_of_a_triangle_is_a_triangle(n: int) -> None:
    rng = np.random.default_rng(n)
    lower = np.tril(rng.standard_normal((6, n, n)) / n)
    lower[:, np.arange(n), np.arange(n)] = rng.uniform(0.05, 2.0, (6, n))
    found = inverse_of_lower(lower)
    assert (np.triu(found, 1) == 0).all()
    eye = np.broadcast_to(np.eye(n), lower.shape)
    np.testing.assert_allclose(found @ lower, eye, atol=1e-9)
    np.testing.assert_allclose(lower @ found, eye, atol=1e-9)

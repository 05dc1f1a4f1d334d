"""Mixing of steps on fixed-point maps whose fixed point is known."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from wearlab.wear.em import MEMORY, Mixing

Array = NDArray[np.float64]


def linear(rates: list[float], seed: int = 3) -> tuple[Callable[[Array], Array], Array]:
    """A map x -> A x + b with these rates of convergence, and its fixed point (I - A)^-1 b."""
    d = len(rates)
    rng = np.random.default_rng(seed)
    turn = np.linalg.qr(rng.standard_normal((d, d)))[0]
    a = turn @ np.diag(rates) @ turn.T
    b = rng.standard_normal(d)
    return lambda x: a @ x + b, np.linalg.solve(np.eye(d) - a, b)


def steps_to(image: Callable[[Array], Array], fixed: Array, *, mixed: bool, most: int = 20_000) -> int:
    mixing, x, weight = Mixing(), np.zeros(fixed.size), np.ones(fixed.size)
    for number in range(most):
        if np.linalg.norm(x - fixed) < 1e-8 * np.linalg.norm(fixed):
            return number
        x = mixing.next(x, image(x), weight) if mixed else image(x)
    return most


@pytest.mark.parametrize("rates", [[0.99], [0.999, 0.5], [0.99, 0.9, 0.5, -0.3], [0.995, 0.98, 0.7, 0.2, 0.1]])
def test_much_faster_than_plain_steps(rates: list[float]) -> None:
    """On a linear map of few dimensions mixing ends in few steps, plain ones take ln(1e-8) / ln(slowest rate)."""
    image, fixed = linear(rates)
    plain, mixed = (steps_to(image, fixed, mixed=how) for how in (False, True))
    assert plain > 0.9 * np.log(1e-8) / np.log(max(rates)) - 5 / (1 - max(rates))
    assert mixed <= 4 * len(rates) + 4
    assert mixed < plain / 20


def test_more_dimensions_than_are_remembered() -> None:
    image, fixed = linear(list(np.linspace(0.1, 0.99, 3 * MEMORY)))
    assert steps_to(image, fixed, mixed=True) < steps_to(image, fixed, mixed=False) / 5


def test_one_coordinate_is_the_secant_step() -> None:
    """From x to g(x) twice: the secant of g(x) - x meets zero at the fixed point of a line."""
    mixing = Mixing()
    one = np.ones(1)
    assert mixing.next(np.array([0.0]), np.array([1.0]), one)[0] == 1.0  # g(x) = 1 + x / 2
    assert mixing.next(np.array([1.0]), np.array([1.5]), one)[0] == pytest.approx(2.0)


def test_first_step_and_step_after_forgetting_are_plain() -> None:
    mixing, rng = Mixing(), np.random.default_rng(5)
    for _ in range(2):
        point, image = rng.standard_normal(4), rng.standard_normal(4)
        np.testing.assert_array_equal(mixing.next(point, image, np.ones(4)), image)
        mixing.forget()


def test_units_of_a_coordinate_do_not_matter() -> None:
    """With weights that undo them; the map has more coordinates than steps are remembered, so weights count."""
    image, fixed = linear(list(np.linspace(0.2, 0.97, 2 * MEMORY)))
    unit = 10.0 ** np.linspace(-2, 2, fixed.size)
    plain, scaled = Mixing(), Mixing()
    x = z = np.zeros(fixed.size)
    for _ in range(MEMORY):
        x = plain.next(x, image(x), np.ones(fixed.size))
        z = scaled.next(z, unit * image(z / unit), 1 / unit)
    np.testing.assert_allclose(z / unit, x, rtol=1e-5, atol=1e-6)


def test_steps_that_repeat_themselves_stay_finite() -> None:
    """Nothing to tell directions from: the answer is the plain step."""
    mixing, point, image = Mixing(), np.ones(3), np.full(3, 2.0)
    for _ in range(MEMORY + 3):
        np.testing.assert_array_equal(mixing.next(point, image, np.ones(3)), image)

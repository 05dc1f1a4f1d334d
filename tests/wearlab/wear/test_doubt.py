"""What a doubtful reading counts for, worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from wearlab.wear.doubt import LEAST, doubted, weight

#: Median of |N(0, 1)|: half of the normal law lies within it.
MIDDLE = 0.6744897501960817


def test_weight_falls_from_three_to_five() -> None:
    z = np.array([0.0, -2.9, 3.0, 3.5, -4.0, 4.5, 5.0, -8.0, 1e6])
    np.testing.assert_allclose(weight(z), [1, 1, 1, 0.75, 0.5, 0.25, LEAST, LEAST, LEAST])


def test_weight_of_a_table_keeps_its_shape() -> None:
    assert weight(np.zeros((2, 3))).shape == (2, 3)


def of(z: list[float], *, variance: float = 4.0, doubt: list[float] | None = None, own: float = 1.5) -> list[float]:
    n = len(z)
    before = np.zeros(n) if doubt is None else np.array(doubt)
    found = doubted(np.array(z), np.full(n, variance), before, np.full(n, own), np.zeros(n, dtype=bool))
    return [float(value) for value in found]


def typical(*far: float) -> list[float]:
    """Residuals whose middle is that of a standard normal, and some far out on both sides of it."""
    return [0.0] * len(far) + [MIDDLE, -MIDDLE, MIDDLE] + list(far)


def test_a_weight_acts_as_added_variance() -> None:
    """Weight 1/2 doubles the reading's own variance, 1/4 makes it four times as large."""
    found = of(typical(4.0, -4.5))
    assert found[:5] == pytest.approx([0.0] * 5)
    assert found[5:] == pytest.approx([1.5 * (2 - 1), 1.5 * (4 - 1)])


def test_nothing_is_added_to_what_counts_in_full() -> None:
    assert of(typical(2.9, -2.9)) == pytest.approx([0.0] * 7)


def test_variance_added_stays_finite() -> None:
    assert of(typical(1e9))[-1] == pytest.approx(1.5 * (1 / LEAST - 1))


def test_doubt_of_the_pass_before_is_taken_out_first() -> None:
    """A residual of 2 sd with 3 of its variance of 4 being doubt is one of 4 sd without: 2 sqrt(4 / (4 - 3))."""
    z = typical(2.0)
    found = of(z, doubt=[0.0] * 4 + [3.0])
    assert found[:-1] == pytest.approx([0.0] * 4)
    assert found[-1] == pytest.approx(1.5 * (2 - 1))


def test_a_doubt_is_dropped_when_the_rest_no_longer_contradicts() -> None:
    """With doubt 3 in variance 4, 1.2 sd are 2.4 without it: the reading counts in full again."""
    assert of(typical(1.2), doubt=[0.0] * 4 + [3.0])[-1] == 0.0


def test_swollen_variances_are_seen_through() -> None:
    """Where the middle of the residuals is 0.8 of what it should be, one of 3.2 is judged as 4."""
    z = [0.8 * value for value in typical(4.0)]
    assert of(z)[-1] == pytest.approx(1.5)
    # not by more than a factor of two
    z = [0.1 * value for value in typical(4.0)]
    z[-1] = 2.0
    assert of(z)[-1] == pytest.approx(1.5)
    # and a middle that is too large excuses nobody
    z = [3.0 * value for value in typical(4.0)]
    z[-1] = 4.0
    assert of(z)[-1] == pytest.approx(1.5)


def test_readings_beyond_the_scale_are_never_doubted() -> None:
    z = np.array([0.5, -0.7, 0.7, 9.0, -9.0])
    beyond = np.array([False, False, False, True, False])
    found = doubted(z, np.full(5, 4.0), np.zeros(5), np.ones(5), beyond)
    assert found[3] == 0.0
    assert found[4] > 0.0


def test_only_readings_beyond_the_scale() -> None:
    nothing = np.zeros(2)
    found = doubted(np.array([9.0, 1.0]), np.ones(2), nothing, np.ones(2), np.ones(2, dtype=bool))
    np.testing.assert_array_equal(found, nothing)

"""Median of the slopes of all pairs of readings."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import theilslopes

from wearlab.lives.pace import slopes_of_pairs


def test_median_of_slopes_is_that_of_theil_and_sen() -> None:
    rng = np.random.default_rng(2)
    number = np.sort(rng.integers(0, 500, 40)).astype(float)
    km = 70 * number + rng.normal(0, 400, 40)
    # independent route: scipy's estimator, which takes all pairs at different days
    expected = theilslopes(km, number).slope
    assert np.median(slopes_of_pairs(number, km, fewest_days=1)) == pytest.approx(expected)


def test_long_logs_are_thinned_without_losing_the_pace() -> None:
    number = np.arange(0, 3000)
    assert slopes_of_pairs(number, 42.0 * number).size < 50_000
    assert np.median(slopes_of_pairs(number, 42.0 * number)) == pytest.approx(42)

"""The rivals against least squares worked out elsewhere, and their samples against their laws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import linregress, t

from wearlab.forecast.rivals import FAMILY_RATE, LINE, NO_CHANGE, Histories, student_pit, student_quantiles

X = np.array([1.0, 2.0, 4.0, 7.0, 2.0, 5.0, 3.0])
Y = np.array([2.0, 2.6, 3.9, 5.1, 8.0, 11.0, 4.0])
PART = np.array([0, 0, 0, 0, 1, 1, 2])


def test_line_is_least_squares_with_a_prediction_interval() -> None:
    middle, spread, freedom = Histories(X, Y, PART).reading(LINE, np.array([0]), np.array([9.0]))
    fit = linregress(X[:4], Y[:4])
    rest = Y[:4] - fit.intercept - fit.slope * X[:4]
    sigma = np.sqrt((rest**2).sum() / 2)
    away = (9.0 - X[:4].mean()) ** 2 / ((X[:4] - X[:4].mean()) ** 2).sum()
    assert middle[0] == pytest.approx(fit.intercept + 9 * fit.slope)
    assert spread[0] == pytest.approx(sigma * np.sqrt(1 + 1 / 4 + away))
    assert freedom[0] == 2
    told = student_quantiles(middle, spread, freedom, (0.05,))[0, 0]
    assert told == pytest.approx(middle[0] + spread[0] * t.ppf(0.05, 2))
    assert student_pit(middle, spread, freedom, np.array([told]))[0] == pytest.approx(0.05)


def test_a_line_through_two_readings_has_no_interval_and_one_reading_no_line() -> None:
    middle, spread, _ = Histories(X, Y, PART).reading(LINE, np.array([1, 2]), np.array([6.0, 6.0]))
    assert middle[0] == pytest.approx(12.0)
    assert np.isnan(spread).all()
    assert np.isnan(middle[1])


def test_no_change_and_family_rate() -> None:
    known = Histories(X, Y, PART, np.array([0, 0, 1]))
    at, ahead = np.array([0, 1, 2]), np.array([9.0, 6.0, 8.0])
    assert known.reading(NO_CHANGE, at, ahead)[0].tolist() == [5.1, 11.0, 4.0]
    # all change over all exposure: (3.1 + 3) / (6 + 3); the family without a rate has that of all
    rate = 6.1 / 9
    assert known.reading(FAMILY_RATE, at, ahead)[0] == pytest.approx([5.1 + 2 * rate, 11 + rate, 4 + 5 * rate])
    steps = np.array([0.6, 1.3, 1.2, 3.0])
    assert known.reading(NO_CHANGE, at, ahead)[1] == pytest.approx(np.sqrt((steps**2).mean()))


def test_crossings_lie_between_the_last_reading_and_the_cap() -> None:
    known = Histories(X, Y, PART)
    cap = np.array([70.0])
    line = known.crossing(LINE, np.array([0]), 10.0, 1.0, cap, 3)[0]
    fit = linregress(X[:4], Y[:4])
    assert np.median(line) == pytest.approx((10 - fit.intercept) / fit.slope, rel=0.02)
    assert line.min() >= 7.0
    assert line.max() <= 70.0
    assert known.crossing(NO_CHANGE, np.array([0]), 10.0, 1.0, cap, 3).tolist() == [[70.0] * 2000]
    family = known.crossing(FAMILY_RATE, np.array([0]), 10.0, 1.0, cap, 3)[0]
    assert np.median(family) == pytest.approx(7 + 4.9 / (6.1 / 9), rel=0.03)
    # the same turned upside down, and the same again from the same seed
    turned = Histories(X, -Y, PART)
    for name in (LINE, FAMILY_RATE):
        one, other = (
            known.crossing(name, np.array([0]), 10.0, 1.0, cap, 3),
            known.crossing(name, np.array([0]), 10.0, 1.0, cap, 3),
        )
        assert (one == other).all()
        below = turned.crossing(name, np.array([0]), -10.0, -1.0, cap, 3)
        assert np.median(below) == pytest.approx(np.median(one), rel=0.05)
    assert (known.crossing(LINE, np.array([0]), 4.0, 1.0, cap, 3) == 7.0).mean() > 0.9

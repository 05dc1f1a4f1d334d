"""Where many rising functions reach their values at once: regula falsi (Illinois), safeguarded by halving."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Places = NDArray[np.intp]

_ROUNDS = 60


def close_in(
    function: Callable[[Array, Places], Array],
    low: Array,
    high: Array,
    at_low: Array,
    at_high: Array,
    *,
    value_exact: float,
    place_exact: float,
) -> Array:
    """Return where each of n functions is 0, shape (n,).

    Parameters
    ----------
    function
        Values at places (m,) of the functions numbered (m,).
    low, high
        Enclose the zeros, shape (n,): `at_low` < 0 <= `at_high` are the values there.
    value_exact, place_exact
        A zero is found when the value is this small, or the enclosure this narrow.
    """
    result = high.copy()
    rows = np.arange(low.size)
    kept = np.zeros(low.size)
    for turn in range(_ROUNDS):
        if not rows.size:
            break
        # every fourth step halves the span, so that a flat side cannot stall it
        share = np.full(rows.size, 0.5) if turn % 4 == 3 else np.clip(at_low / (at_low - at_high), 0.01, 0.99)
        middle = low + share * (high - low)
        value = function(middle, rows)
        result[rows] = middle
        over = value >= 0
        again = np.where(over, 1.0, -1.0)
        at_low = np.where(over, np.where(kept == again, at_low / 2, at_low), value)
        at_high = np.where(over, value, np.where(kept == again, at_high / 2, at_high))
        low, high = np.where(over, low, middle), np.where(over, middle, high)
        rest = (np.abs(value) >= value_exact) & (high - low >= place_exact)
        rows, low, high, kept = rows[rest], low[rest], high[rest], again[rest]
        at_low, at_high = at_low[rest], at_high[rest]
    return result

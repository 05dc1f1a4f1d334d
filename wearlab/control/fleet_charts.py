"""The plain charts of every part and set of a fleet at once, over what each test showed beyond what was foretold.

Series of innovations have mean 0 and sd 1 if nothing happened, so that no chart needs a series to tell its own. The
charts are those of `individuals`, `ewma`, `cusum` and `tsquared`, drawn for all series together. Repeats of a part at
one visit follow each other in its series although they share what the visit shares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from wearlab.control.cusum import check_cusum, sums
from wearlab.control.ewma import averages, check_weight
from wearlab.control.innovations import Innovations
from wearlab.errors import InputError
from wearlab.wear.blocks import Floats, Ints


@dataclass(frozen=True, slots=True)
class ChartRules:
    """Limits of the plain charts; what each costs in false signals is told by `run_length`.

    `width` of single readings and `ewma_width` of their average (of `weight`) in sd to either side; `reference`,
    `decision` and `head_start` of the CUSUM in sd of a reading; `alpha` the chance of T-squared at one visit.

    Raises
    ------
    InputError
        A figure is out of its range.
    """

    width: float
    weight: float
    ewma_width: float
    reference: float
    decision: float
    alpha: float
    head_start: float = 0.0

    def __post_init__(self) -> None:
        if not (self.width > 0 and self.ewma_width > 0):
            raise InputError("the width of control limits has to be above 0")
        if not 0 < self.alpha < 1:
            raise InputError(f"the chance of a false signal lies between 0 and 1, not {self.alpha}")
        check_weight(self.weight)
        check_cusum(self.reference, self.decision, self.head_start)


@dataclass(frozen=True, slots=True, eq=False)
class FleetChart:
    """One chart of all series, an entry a reading, (N,): `statistic` (NaN: none), its limits, and where it signals."""

    name: str
    statistic: Floats
    lower: Floats
    upper: Floats
    signal: NDArray[np.bool_]


def fleet_charts(found: Innovations, series: Ints, turn: Ints, rules: ChartRules) -> tuple[FleetChart, ...]:
    """Draw the charts of single readings, EWMA, CUSUM upward and downward, and T-squared.

    Parameters
    ----------
    found
        Innovations of N readings, NaN where a reading lies beyond the scale.
    series, turn
        Of every reading, (N,): the part it is of, and a number that rises with time.
    """
    at = _table(series, turn)
    z = np.append(found.given_past, np.nan)[at]

    def back(table: Floats) -> Floats:
        out = np.full(found.given_past.size, np.nan)
        real = at >= 0
        out[at[real]] = table[real]
        return out

    average, spread = averages(z, rules.weight, 0.0)
    reach = rules.ewma_width * back(spread)
    upward, _ = sums(z - rules.reference, rules.head_start)
    downward, _ = sums(-z - rules.reference, rules.head_start)
    # a visit none of whose readings is on the scale has no degree, and no statistic either
    farthest = np.asarray(chdtri(np.maximum(found.readings, 1), rules.alpha), dtype=np.float64)
    never = -np.inf
    return (
        _chart("individuals", found.given_past, -rules.width, rules.width),
        _chart("EWMA", back(average), -reach, reach),
        _chart("CUSUM upward", back(upward), never, rules.decision),
        _chart("CUSUM downward", back(downward), never, rules.decision),
        _chart("T-squared", found.t_squared, never, farthest),
    )


def _chart(name: str, statistic: Floats, lower: Floats | float, upper: Floats | float) -> FleetChart:
    low, high = (np.broadcast_to(np.asarray(v, dtype=np.float64), statistic.shape) for v in (lower, upper))
    # a comparison with NaN is false: what is missing cannot signal
    return FleetChart(name, statistic, low, high, (statistic > high) | (statistic < low))


def _table(series: Ints, turn: Ints) -> Ints:
    """Return the places of readings, one row a series in the order of time, (S, n); -1 past the end of a series."""
    order = np.lexsort((turn, series))
    code = series[order]
    first = np.flatnonzero(np.r_[True, code[1:] != code[:-1]]) if code.size else np.zeros(0, dtype=np.intp)
    length = np.diff(np.r_[first, code.size])
    out = np.full((first.size, int(length.max(initial=0))), -1, dtype=np.int64)
    row = np.repeat(np.arange(first.size), length)
    out[row, np.arange(code.size) - np.repeat(first, length)] = order
    return out

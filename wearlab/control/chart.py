"""What every plain chart hands back: a statistic, its centre and its limits at every point, and where it signals.

A series is an array in the order of time; NaN is a missing reading. It keeps its place, so that an index is an index
of what the caller handed in, but it has no statistic and never signals; every chart says what else it does with it.

The spread of a series whose sd is not known comes from its moving ranges: neighbours are close in time, so that a
drift or a step widens it less than it would the ordinary sd. Limits from a few readings are themselves uncertain, and
then signals come more often or more rarely than `run_length` says, which takes mean and sd as known.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.control.constants import d2, median_range
from wearlab.errors import InputError
from wearlab.language import _
from wearlab.records import NoAnswer

Array = NDArray[np.float64]
Places = NDArray[np.intp]

#: How moving ranges become an sd: their mean, or their median, which a few wild readings do not move.
Spread = Literal["mean", "median"]


@dataclass(frozen=True, slots=True)
class Chart:
    """One chart of n points: `statistic`, `centre`, `lower` and `upper`, each (n,), in the unit of the statistic.

    `statistic` is NaN where a reading is missing. `lower` or `upper` is infinite where that side cannot signal.
    `signals` are the indices past a limit.
    """

    name: str
    statistic: Array
    centre: Array
    lower: Array
    upper: Array
    signals: Places


@dataclass(frozen=True, slots=True)
class Scale:
    """Mean and sd a chart was drawn with, and whether each was given or came from the series itself."""

    mean: float
    sd: float
    mean_known: bool
    sd_known: bool


def chart(name: str, statistic: Array, centre: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> Chart:
    """Return the chart of a statistic (n,); centre and limits are numbers or (n,)."""
    low, mid, high = (np.broadcast_to(np.asarray(v, dtype=np.float64), statistic.shape) for v in (lower, centre, upper))
    # a comparison with NaN is false: what is missing cannot signal
    past = (statistic > high) | (statistic < low)
    return Chart(name, statistic, mid.copy(), low.copy(), high.copy(), np.flatnonzero(past))


def series(values: ArrayLike) -> Array:
    """Return a series as floats, shape (n,).

    Raises
    ------
    InputError
        It is not one-dimensional, or holds an infinite value (a reading beyond the scale is a bound, not a number).
    """
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1:
        raise InputError(f"a series has one dimension, not {x.ndim}")
    if np.isinf(x).any():
        raise InputError("a series holds an infinite value; leave a reading beyond the scale out as missing")
    return x


def moving_ranges(x: Array) -> Array:
    """Return |x_i - x_(i-1)| at every i, shape (n,); NaN at the first place and beside a missing reading."""
    return np.concatenate([np.full(min(1, x.size), np.nan), np.abs(np.diff(x))])


def scale_of(x: Array, mean: float | None, sd: float | None, spread: Spread = "mean") -> Scale | NoAnswer:
    """Return mean and sd of a series (n,), each as given or else from the readings.

    Raises
    ------
    InputError
        A given mean is not finite, or a given sd is not positive.
    """
    if mean is not None and not isfinite(mean):
        raise InputError("the mean of a chart has to be a finite number")
    if sd is not None and not (isfinite(sd) and sd > 0):
        raise InputError("the sd of a chart has to be a finite number above 0")
    seen = x[~np.isnan(x)]
    if not seen.size:
        return NoAnswer(_("there is no reading to draw a chart of"))
    middle = float(seen.mean()) if mean is None else float(mean)
    if sd is not None:
        return Scale(middle, float(sd), mean is not None, True)
    ranges = moving_ranges(x)
    ranges = ranges[~np.isnan(ranges)]
    if not ranges.size:
        return NoAnswer(_("the spread of a chart needs two readings that follow each other"))
    width = float(ranges.mean()) / d2(2) if spread == "mean" else float(np.median(ranges)) / median_range(2)
    if not width > 0:
        return NoAnswer(_("readings that follow each other do not differ, so the spread of a chart cannot be told"))
    return Scale(middle, width, mean is not None, False)

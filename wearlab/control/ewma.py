"""Chart of the exponentially weighted moving average, z_t = weight x_t + (1 - weight) z_(t-1), from the mean on.

Its sd after t readings is sd sqrt(weight / (2 - weight) (1 - (1 - weight)^(2t))): the limits open from the first
reading to their final width. A missing reading leaves z, its limits and t as they are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from wearlab.control.chart import Array, Chart, Scale, Spread, chart, scale_of, series
from wearlab.errors import InputError
from wearlab.records import NoAnswer


@dataclass(frozen=True, slots=True)
class Ewma:
    """The chart of the average, in the unit of the readings, and the scale it rests on."""

    average: Chart
    scale: Scale
    weight: float
    width: float


def ewma(
    values: ArrayLike,
    *,
    weight: float,
    width: float,
    mean: float | None = None,
    sd: float | None = None,
    steady: bool = False,
    spread: Spread = "mean",
) -> Ewma | NoAnswer:
    """Draw the chart of a series.

    Parameters
    ----------
    values
        Readings in the order of time, shape (n,); NaN = missing.
    weight
        Of the newest reading, above 0 and at most 1.
    width
        Limits in sd of the average to either side; `run_length.ewma_width` finds the one for a wanted chance.
    mean, sd
        Known mean and sd of a reading, else from the readings (sd from their moving ranges).
    steady
        Take the final width from the first reading on.
    """
    check_weight(weight)
    if not width > 0:
        raise InputError("the width of control limits has to be above 0")
    x = series(values)
    scale = scale_of(x, mean, sd, spread)
    if isinstance(scale, NoAnswer):
        return scale
    statistic, opened = averages(x, weight, scale.mean, steady=steady)
    reach = width * scale.sd * opened
    return Ewma(chart("EWMA", statistic, scale.mean, scale.mean - reach, scale.mean + reach), scale, weight, width)


def averages(x: Array, weight: float, mean: float, *, steady: bool = False) -> tuple[Array, Array]:
    """Return the average of any number of series (..., n) at every reading, and its sd in sd of a reading."""
    seen = ~np.isnan(x)
    z = np.full(x.shape[:-1], mean)
    statistic = np.full(x.shape, np.nan)
    for place in range(x.shape[-1]):
        here = seen[..., place]
        z = np.where(here, z + weight * (x[..., place] - z), z)
        statistic[..., place] = np.where(here, z, np.nan)
    # before the first reading there is nothing to limit; the first one's limits stand there
    readings = np.maximum(np.cumsum(seen, axis=-1), 1)
    opened = np.ones(x.shape) if steady else 1 - (1 - weight) ** (2 * readings)
    return statistic, np.sqrt(weight / (2 - weight) * opened)


def check_weight(weight: float) -> None:
    """Raise InputError where a weight is not above 0 and at most 1."""
    if not 0 < weight <= 1:
        raise InputError(f"the weight of the newest reading is above 0 and at most 1, not {weight}")

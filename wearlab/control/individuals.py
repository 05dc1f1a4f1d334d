"""Chart of single readings, with the chart of their moving ranges.

Limits of a reading are mean -+ width sd, those of a moving range d2 sd -+ width d3 sd with the factors of samples of
two (below 0 cut to 0). Where sd comes from the readings it is the mean moving range over d2, or the median one over its
own divisor. A moving range needs both neighbours: across a missing reading there is none.
"""

from __future__ import annotations

from dataclasses import dataclass

from numpy.typing import ArrayLike

from wearlab.control.chart import Chart, Scale, Spread, chart, moving_ranges, scale_of, series
from wearlab.control.constants import d2, d3
from wearlab.errors import InputError
from wearlab.records import NoAnswer


@dataclass(frozen=True, slots=True)
class Individuals:
    """The chart of `readings`, the chart of `ranges` (in the unit of the readings), and the scale both rest on."""

    readings: Chart
    ranges: Chart
    scale: Scale


def individuals(
    values: ArrayLike,
    *,
    mean: float | None = None,
    sd: float | None = None,
    width: float = 3.0,
    spread: Spread = "mean",
) -> Individuals | NoAnswer:
    """Draw the charts of a series.

    Parameters
    ----------
    values
        Readings in the order of time, shape (n,); NaN = missing.
    mean, sd
        Known mean and sd of a reading, else from the readings.
    width
        Limits in sd to either side.
    spread
        Whether the mean or the median moving range tells the sd.

    Returns
    -------
    Individuals | NoAnswer
        No answer without a reading, or without two neighbours where the sd is not given.
    """
    if not width > 0:
        raise InputError("the width of control limits has to be above 0")
    x = series(values)
    scale = scale_of(x, mean, sd, spread)
    if isinstance(scale, NoAnswer):
        return scale
    reach = width * scale.sd
    middle, about = d2(2) * scale.sd, d3(2) * reach
    return Individuals(
        readings=chart("individuals", x, scale.mean, scale.mean - reach, scale.mean + reach),
        ranges=chart("moving range", moving_ranges(x), middle, max(0.0, middle - about), middle + about),
        scale=scale,
    )

"""Two-sided cumulative sum chart, S+ = max(0, S+ + z - k) and S- = max(0, S- - z - k), z = (x - mean) / sd.

A side signals where its sum passes h. It goes on without being set back, so that the sum shows how long the change has
lasted: `since` is the reading at which the sum last left 0, the usual first guess of when the level changed. A missing
reading leaves both sums as they are. Head start: Lucas & Crosier, Technometrics 24 (1982) 199-205.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from wearlab.control.chart import Array, Chart, Places, Scale, Spread, chart, scale_of, series
from wearlab.errors import InputError
from wearlab.records import NoAnswer


@dataclass(frozen=True, slots=True)
class Cusum:
    """Charts of the `upward` and the `downward` sum, both counted upwards from 0 in sd of a reading.

    `signals` are the indices where either signals; `upward_since`, `downward_since` (n,) the index of the reading at
    which the sum of that place last left 0, -1 where it is 0 or missing.
    """

    upward: Chart
    downward: Chart
    signals: Places
    upward_since: Places
    downward_since: Places
    scale: Scale


def cusum(
    values: ArrayLike,
    *,
    reference: float,
    decision: float,
    mean: float | None = None,
    sd: float | None = None,
    head_start: float = 0.0,
    spread: Spread = "mean",
) -> Cusum | NoAnswer:
    """Draw the chart of a series.

    Parameters
    ----------
    values
        Readings in the order of time, shape (n,); NaN = missing.
    reference
        k, in sd: half the step that should be found soonest.
    decision
        h, in sd: the sum that signals; `run_length.cusum_decision` finds the one for a wanted chance.
    mean, sd
        Known mean and sd of a reading, else from the readings. With `sd=1`, k and h are in the unit of the readings.
    head_start
        What both sums start from, at least 0 and below h.
    """
    check_cusum(reference, decision, head_start)
    x = series(values)
    scale = scale_of(x, mean, sd, spread)
    if isinstance(scale, NoAnswer):
        return scale
    z = (x - scale.mean) / scale.sd
    up, up_since = sums(z - reference, head_start)
    down, down_since = sums(-z - reference, head_start)
    upward = chart("CUSUM upward", up, 0.0, -np.inf, decision)
    downward = chart("CUSUM downward", down, 0.0, -np.inf, decision)
    return Cusum(upward, downward, np.union1d(upward.signals, downward.signals), up_since, down_since, scale)


def check_cusum(reference: float, decision: float, head_start: float) -> None:
    """Raise InputError where k is below 0, h is not above 0, or the head start does not lie below h."""
    if not reference >= 0:
        raise InputError(f"the reference value of a CUSUM is at least 0, not {reference}")
    if not decision > 0:
        raise InputError(f"the decision value of a CUSUM is above 0, not {decision}")
    if not 0 <= head_start < decision:
        raise InputError("the head start of a CUSUM is at least 0 and below its decision value")


def sums(steps: Array, start: float) -> tuple[Array, Places]:
    """Return the sums max(0, S + step) of any number of series (..., n), and the place at which each last left 0."""
    total, began = np.full(steps.shape[:-1], start), np.zeros(steps.shape[:-1], dtype=np.intp)
    out, since = np.full(steps.shape, np.nan), np.full(steps.shape, -1, dtype=np.intp)
    for place in range(steps.shape[-1]):
        step = steps[..., place]
        here = ~np.isnan(step)
        began = np.where(here & (total == 0), place, began)
        total = np.where(here, np.maximum(0.0, total + step), total)
        out[..., place] = np.where(here, total, np.nan)
        since[..., place] = np.where(here & (total > 0), began, -1)
    return out, since

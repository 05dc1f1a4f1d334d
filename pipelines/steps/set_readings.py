"""What the latest test of a set read, as the figure of a rule."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.steps.group_rows import Floats, Ints
from pipelines.steps.set_limits import RATIOS, Asked
from pipelines.steps.vehicle_sets import VehicleSets
from pipelines.steps.wear_learn import Learned
from wearlab.forecast.set_figures import compared, in_unit


@dataclass(frozen=True, slots=True, eq=False)
class SetReadings:
    """Figures (M, K) of the readings of each set's latest test, NaN where that test did not measure what they need;
    `count` (M, K) how many readings the forecast rests on."""

    figure: Floats
    count: Ints


def set_readings(found: Learned, sets: VehicleSets, one: Asked) -> SetReadings:
    """Return the figures of the latest tests and the numbers of readings behind the forecasts."""
    group = found.group
    rows, fitted = group.rows, group.fitted
    newest = np.where(sets.known, rows.day[sets.newest], -1)
    lives = len(group.lives)
    last = np.full(lives, -1, dtype=np.int64)
    last[rows.life[fitted]] = rows.day[fitted]
    own = fitted[rows.day[fitted] == last[rows.life[fitted]]]
    mean = _mean(rows.life[own], rows.level[own], rows.bound[own], lives)
    level = np.where(sets.known & (newest == sets.tested_on[:, None]), mean[sets.life], np.nan)
    first = None
    if one.figure.kind == "percent from first":
        begun = np.full(lives, -1, dtype=np.int64)
        begun[rows.life[fitted[::-1]]] = rows.day[fitted[::-1]]
        early = fitted[rows.day[fitted] == begun[rows.life[fitted]]]
        base = _mean(rows.life[early], rows.level[early], rows.bound[early], lives)[sets.life]
        first = np.where(sets.known & (base > 0), base, np.nan).T.astype(np.float32)[:, :, None]
    seen = np.isfinite(level)
    values = np.where(seen, level, 1.0).T.astype(np.float32)[:, :, None]
    valid = seen & ~sets.new & ~sets.suspect
    told = in_unit(one.figure, compared(one.figure, values, first, seen, valid))[:, :, 0].T.astype(np.float64)
    counts = np.where(sets.known, group.per_life_fitted[sets.life], 0)
    if one.figure.kind == "total":
        members = [list(places) for places in one.figure.totals]
        usable = np.stack([seen[:, places].all(axis=1) for places in members], axis=1)
        count = np.stack([counts[:, places].sum(axis=1) for places in members], axis=1)
    else:
        whole = seen.all(axis=1, keepdims=True) & sets.counted if one.rule.kind in RATIOS else True
        others = valid.sum(axis=1, keepdims=True) - valid >= 1 if one.figure.kind == "times lowest" else True
        usable = seen & whole & others
        count = counts
    return SetReadings(np.where(usable & np.isfinite(told), told, np.nan), count.astype(np.int64))


def _mean(life: Ints, level: Floats, bound: Ints | np.ndarray[tuple[int], np.dtype[np.int8]], lives: int) -> Floats:
    """Mean reading of every life (P,); NaN where there is none, or one beyond the scale."""
    count = np.bincount(life, minlength=lives)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.bincount(life, level, minlength=lives) / count
    beyond = np.bincount(life[bound != 0], minlength=lives) > 0
    return np.where(beyond, np.nan, mean)

"""The working scale is chosen by forecasts of held-back readings, not by the likelihood of the readings at hand.

Each part's last two visits are hidden, every candidate is fitted to the rest of a sample of vehicles, and the farther
hidden visit is forecast with all that is uncertain: level, rate, path, visit and reading.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from wearlab.wear.blocks import Floats, Ints, blocks
from wearlab.wear.components import mixture_of
from wearlab.wear.data import Coded, coded
from wearlab.wear.estimate import Options
from wearlab.wear.hold_back import HoldBack, hold_back, predictive_log_density
from wearlab.wear.mixture import level_ahead
from wearlab.wear.scale import WorkingScale
from wearlab.wear.scale_fit import ScaleFit, fit_scale
from wearlab.wear.stacking import FEWEST_VEHICLES, ScaleChoice, choose

#: The search over candidates need not end as close as the final fit.
TOLERANCE = 1e-3


def candidates_for(data: Coded, scales: tuple[WorkingScale, ...]) -> tuple[WorkingScale, ...]:
    """Return the scales on which every reading has a value."""
    ends = np.min(data.y), np.min(data.exposure)
    return tuple(scale for scale in scales if (scale.power == 1 or ends[0] > 0) and (scale.gamma == 1 or ends[1] >= 0))


def choose_scale(
    data: Coded,
    scales: tuple[WorkingScale, ...],
    options: Options,
    *,
    previous: ScaleChoice | None,
    without: tuple[str, ...],
    seed: int,
) -> ScaleChoice:
    """Weigh the scales, the straight line first, by their forecasts of held-back readings."""
    names = tuple(scale.name for scale in scales)
    split = hold_back(data.part, data.turn, data.vehicle, data.exposure, data.bound, seed=seed)
    if split.vehicles < FEWEST_VEHICLES or len(scales) == 1:
        # too few to decide: no candidate needs to be fitted
        return choose(names, np.zeros((split.vehicles, len(scales))), previous)
    options = replace(options, executor=None)  # a sample is soon done here
    part = coded(data.source.take(split.kept))
    made = blocks(part)
    table = []
    for scale in scales:
        fit = fit_scale(
            part, scale, replace(options, tolerance=TOLERANCE, progress=None), made=made, without=without, seed=seed
        )
        table.append(_scored(fit, data, split, options))
    return choose(names, split.by_vehicle(np.stack(table, axis=1)), previous)


def _scored(fit: ScaleFit, data: Coded, split: HoldBack, options: Options) -> Floats:
    """Return the log density (r,), on the measured scale, that a fit gives the readings to be scored."""
    mixed = mixture_of((fit,), np.ones(1), options, average=False, seed=0)
    component = mixed.components[0]
    rows = split.scored
    part = _found(data.part_label[data.part[rows]], fit.design.data.part_label)
    mean, variance = level_ahead(component, data.exposure[rows], part)
    variance = variance + component.noise[part]
    factor = np.where(data.factor, data.prior_mean, 0.0)
    correction = np.exp(-data.covariates[rows] @ factor)
    shift, spread = conditions_of(fit, data, rows, mean)
    mean, variance = mean + shift, variance + spread
    density = predictive_log_density(mean, np.sqrt(np.maximum(variance, 1e-300)), data.y[rows] * correction, fit.scale)
    return density + np.log(correction)


def conditions_of(fit: ScaleFit, data: Coded, rows: Ints, mean: Floats) -> tuple[Floats, Floats]:
    """Return what conditions add to forecast levels `mean` (r,) of readings at `rows` (r,), and its variance (r,).

    On the working scale. `fit` may be of fewer readings than `data`. Uncertain are the coefficients, what a condition
    that was not recorded adds to its visit, and the offset of a rig period that the fit has not seen. A covariate
    without a coefficient adds nothing: the readings of the fit do not tell it.
    """
    q = fit.scale.inverse(mean)
    slope = np.abs(fit.scale.slope(np.maximum(q, 1e-9) if fit.scale.power != 1 else q) * q)
    variance = (data.visit_sd[rows] * slope) ** 2
    places: list[int] = []
    columns: list[Floats] = []
    out = np.zeros(rows.size)

    def add(place: int, column: Floats, shift: float = 0.0) -> None:
        nonlocal out
        out = out + (fit.fixed.estimate[place] - shift) * column
        places.append(place)
        columns.append(column)

    for k, name in enumerate(data.names):
        known = fit.fixed.place(name)
        if known is not None and data.role[k] == "condition":
            value = data.covariates[rows, k]
            add(known, value * slope if data.factor[k] else value, data.prior_mean[k] if data.factor[k] else 0.0)
    for code in np.unique(data.period[rows]):
        known = fit.fixed.place(f"period {data.period_label[code]}")
        here = np.where(data.period[rows] == code, slope, 0.0)
        if known is not None:
            add(known, here)
        elif code > 0:
            variance = variance + (data.source.period_sd * here) ** 2
    if columns:
        matrix = np.stack(columns, axis=1)
        variance = variance + np.sum((matrix @ fit.fixed.covariance[np.ix_(places, places)]) * matrix, axis=1)
    return out, np.maximum(variance, 0.0)


def _found(labels: Ints, among: Ints) -> Ints:
    """Return the place of each label among sorted labels."""
    return np.searchsorted(among, labels).astype(np.int64)

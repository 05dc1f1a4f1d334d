"""The forecast of a reading not yet taken: level, rate, path, and what the reading itself adds, over all components."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from wearlab.forecast.scores import crps_grid
from wearlab.wear.choice import conditions_of
from wearlab.wear.data import Coded
from wearlab.wear.mixture import Mixture, level_ahead, mixed_quantiles
from wearlab.wear.results import WearFit
from wearlab.wear.scale import WorkingScale

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: chances of the grid on which a law is scored, close together at its ends
_GRID = np.concatenate([[1e-5, 1e-4, 1e-3, 4e-3], np.linspace(0.01, 0.99, 99), [0.996, 0.999, 1 - 1e-4, 1 - 1e-5]])


@dataclass(frozen=True, slots=True, eq=False)
class ReadingLaw:
    """Forecasts of m readings: mixtures of K normal laws, each on its working scale.

    `weights` (K,), `scales` K, `mean` and `sd` (K, m) on the working scale, `correction` (m,): the reading times it is
    what the model fits.
    """

    weights: Array
    scales: tuple[WorkingScale, ...]
    mean: Array
    sd: Array
    correction: Array

    def below(self, q: ArrayLike) -> Array:
        """Return the chance (m,) that each reading comes out at or below q (m,)."""
        value = np.asarray(q, dtype=np.float64) * self.correction
        total = np.zeros(self.correction.size)
        for weight, scale, mean, sd in zip(self.weights, self.scales, self.mean, self.sd, strict=True):
            allowed = scale.allows(value)
            worked = np.where(allowed, scale.forward(np.where(allowed, value, 1.0)), -np.inf)
            with np.errstate(divide="ignore", invalid="ignore"):
                total += weight * ndtr((worked - mean) / sd)
        return np.clip(total, 0.0, 1.0)

    def quantiles(self, chances: Sequence[float] | Array) -> Array:
        """Return quantiles (Q, m) of the readings."""
        found = mixed_quantiles(self.weights, self.mean, self.sd, tuple(chances), list(self.scales))
        return np.asarray(found / self.correction)

    def crps(self, y: Array) -> Array:
        """Return the CRPS (m,) at the readings that came.

        What a scale lays beyond its own end, at infinity, is scored as lying at the largest quantile that is finite.
        """
        values = self.quantiles(_GRID).T
        values = np.maximum.accumulate(np.where(np.isfinite(values), values, -np.inf), axis=1)
        return crps_grid(values, np.broadcast_to(_GRID, values.shape), y)

    def scaled(self, factor: float) -> ReadingLaw:
        """Return the law with its standard deviations multiplied."""
        return ReadingLaw(self.weights, self.scales, self.mean, self.sd * factor, self.correction)


def reading_law(fit: WearFit, mixture: Mixture, data: Coded, rows: Ints) -> tuple[ReadingLaw, Ints]:
    """Return the forecast of readings at `rows` (r,) of `data`, and which of them have one (m,) places in `rows`.

    `fit` is of some of the readings of `data`, with the same labels; a reading of a part that it never saw has no
    forecast. `mixture` is the fit's, or that scaled.
    """
    label = data.part_label[data.part[rows]]
    known = fit.data.part_label
    place = np.minimum(np.searchsorted(known, label), known.size - 1)
    told = np.flatnonzero(known[place] == label)
    part, at = place[told], rows[told]
    factor = np.where(data.factor, np.nan_to_num(data.prior_mean), 0.0)
    correction = np.exp(-data.covariates[at] @ factor)
    means, sds = [], []
    for component in mixture.components:
        with_scale = next(one for one in fit.candidates if one.scale == component.scale)
        mean, variance = level_ahead(component, data.exposure[at], part)
        variance = variance + component.noise[part]
        shift, spread = conditions_of(with_scale, data, at, mean)
        means.append(mean + shift)
        sds.append(np.sqrt(np.maximum(variance + spread, 1e-300)))
    scales = tuple(component.scale for component in mixture.components)
    law = ReadingLaw(mixture.weights, scales, np.stack(means), np.stack(sds), correction)
    return law, told.astype(np.int64)

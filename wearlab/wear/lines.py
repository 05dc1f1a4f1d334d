"""Straight lines of many lives in one pass over arrays; each is the same line that `fit_line` gives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError
from wearlab.language import _
from wearlab.records import NoAnswer
from wearlab.wear.line import FEWEST, NOT_FINITE, ONE_PLACE, LineFit, line_of, too_few
from wearlab.wear.regression import pair


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines of groups 0 to G - 1; every array has shape (G,), NaN where a group has no line."""

    n: NDArray[np.int64]
    x_mean: NDArray[np.float64]
    y_mean: NDArray[np.float64]
    sxx: NDArray[np.float64]
    slope: NDArray[np.float64]
    intercept: NDArray[np.float64]
    residual_sd: NDArray[np.float64]
    rss: NDArray[np.float64]
    resolution: NDArray[np.float64]
    x_min: NDArray[np.float64]
    x_max: NDArray[np.float64]
    finite: NDArray[np.bool_]

    def __len__(self) -> int:
        return int(self.n.size)

    def line(self, group: int) -> LineFit | NoAnswer:
        """Return the line of one group, or why it has none."""
        n = int(self.n[group])
        if n < FEWEST:
            return NoAnswer(too_few(n))
        if not self.finite[group]:
            return NoAnswer(_(NOT_FINITE))
        if np.isnan(self.slope[group]):
            return NoAnswer(_(ONE_PLACE))
        return line_of(
            n,
            float(self.x_mean[group]),
            float(self.y_mean[group]),
            float(self.sxx[group]),
            float(self.slope[group]),
            float(self.rss[group]),
            float(self.resolution[group]),
            float(self.x_min[group]),
            float(self.x_max[group]),
        )


def fit_lines(
    x: ArrayLike, y: ArrayLike, group: ArrayLike, *, groups: int | None = None, resolution: ArrayLike = 0.0
) -> Lines:
    """Fit one line a group to the points (x, y) of shape (n,); `group` holds numbers from 0, in any order.

    `groups` is the number of groups G (default: the largest number and one); `resolution` is one graduation
    for all or one a group, shape (G,), and floors the residual standard deviation as in `fit_line`.

    Raises
    ------
    InputError
        The arrays are not of one length, a group number is out of range, or a resolution is negative.
    """
    xs, ys = pair(x, y)
    of = np.asarray(group, dtype=np.int64)
    if of.shape != xs.shape:
        raise InputError(f"every reading needs its group: {xs.size} readings, {of.size} group numbers")
    count = groups if groups is not None else (int(of.max()) + 1 if of.size else 0)
    if of.size and (of.min() < 0 or of.max() >= count):
        raise InputError(f"a group number lies outside 0 to {count - 1}")
    floor = np.broadcast_to(np.asarray(resolution, dtype=np.float64), (count,))
    if (floor < 0).any():
        raise InputError("a resolution is 0 or more")

    usable = np.isfinite(xs) & np.isfinite(ys)
    finite = np.bincount(of, ~usable, minlength=count) == 0
    n = np.bincount(of, minlength=count).astype(np.int64)
    told = usable & finite[of]
    of_told, x_told, y_told = of[told], xs[told], ys[told]

    def total(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.bincount(of_told, values, minlength=count).astype(np.float64)

    x_min = np.full(count, np.inf)
    x_max = np.full(count, -np.inf)
    np.minimum.at(x_min, of_told, x_told)
    np.maximum.at(x_max, of_told, x_told)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        x_mean, y_mean = total(x_told) / n, total(y_told) / n
        u, v = x_told - x_mean[of_told], y_told - y_mean[of_told]
        sxx = total(u * u)
        fitted = (n >= FEWEST) & finite & (x_max > x_min) & (sxx > 0)
        slope = np.where(fitted, total(u * v) / sxx, np.nan)
        rss = np.where(fitted, total((v - slope[of_told] * u) ** 2), np.nan)
        finite = finite & ~(fitted & ~(np.isfinite(sxx) & np.isfinite(rss)))
        fitted &= finite
        slope = np.where(fitted, slope, np.nan)
        residual_sd = np.where(fitted, np.maximum(np.sqrt(rss / (n - 2)), floor / np.sqrt(12)), np.nan)
    return Lines(
        n=n,
        x_mean=x_mean,
        y_mean=y_mean,
        sxx=sxx,
        slope=slope,
        intercept=y_mean - slope * x_mean,
        residual_sd=residual_sd,
        rss=rss,
        resolution=np.array(floor),
        x_min=x_min,
        x_max=x_max,
        finite=finite,
    )

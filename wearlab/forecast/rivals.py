"""Plain forecasts that the wear model has to beat: a line per part, no change, the family's rate.

All three are what a careful person does with paper: each tells a reading and its spread, and a crossing as a sample.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from wearlab.language import msg

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Names of the rivals, in the order they are told.
LINE, NO_CHANGE, FAMILY_RATE = msg("line per part"), msg("no change"), msg("family rate")
RIVALS = (LINE, NO_CHANGE, FAMILY_RATE)
#: Values in the sample of a crossing.
DRAWS = 2000


class Histories:
    """Readings up to the origin, by part: lines, last readings and what the parts share.

    `part` (n,) numbers 0 to P - 1, each with one reading or more; `family` (P,) numbers of parts that share a rate.
    """

    def __init__(self, x: Array, y: Array, part: Ints, family: Ints | None = None) -> None:
        order = np.lexsort((x, part))
        self.x, self.y, self.part = x[order], y[order], part[order]
        count = np.bincount(self.part)
        self.count = count
        self.last = np.cumsum(count) - 1
        self.family = np.zeros(count.size, dtype=np.int64) if family is None else family
        self._lines()
        self._steps()

    def _lines(self) -> None:
        """Least squares a part: mean, slope and residual sd (NaN where there are too few readings)."""
        n, part = self.count, self.part
        self.mean_x = np.bincount(part, self.x) / n
        self.mean_y = np.bincount(part, self.y) / n
        dx, dy = self.x - self.mean_x[part], self.y - self.mean_y[part]
        self.sxx = np.bincount(part, dx * dx)
        can = self.sxx > 0
        self.slope = np.where(can, np.bincount(part, dx * dy) / np.where(can, self.sxx, 1.0), np.nan)
        rest = np.bincount(part, (dy - np.nan_to_num(self.slope)[part] * dx) ** 2)
        self.freedom = n - 2
        enough = can & (self.freedom > 0)
        self.residual = np.where(enough, np.sqrt(rest / np.maximum(self.freedom, 1)), np.nan)

    def _steps(self) -> None:
        """What parts share: the rate of each family, its spread from part to part, and the spread of one step."""
        inside = np.diff(self.part) == 0
        dx, dy, of = np.diff(self.x)[inside], np.diff(self.y)[inside], self.part[1:][inside]
        families = int(self.family.max()) + 1
        home = self.family[of]
        # the rate of all steps of a family together: total change over total exposure
        change = self.y[self.last] - self.y[self.last - self.count + 1]
        gone = self.x[self.last] - self.x[self.last - self.count + 1]
        total = np.bincount(self.family, gone, minlength=families)
        rate = np.bincount(self.family, change, minlength=families) / np.where(total > 0, total, 1.0)
        everyone = gone.sum()
        self.rate = np.where(total > 0, rate, change.sum() / everyone if everyone > 0 else 0.0)
        self.rate_sd = np.array(
            [_spread(self.slope[(self.family == f) & np.isfinite(self.slope)]) for f in range(families)]
        )
        self.step_sd = _root_mean(dy)
        self.rest_sd = _root_mean(dy - self.rate[home] * dx)

    def reading(self, name: str, part: Ints, x: Array) -> tuple[Array, Array, Array]:
        """Return middle, spread and degrees of freedom (m,) of a Student forecast; NaN where a rival is silent.

        `part` (m,) and `x` (m,): which part is read, and at what exposure.
        """
        endless = np.full(part.size, 1e6)
        last = self.y[self.last[part]]
        if name == NO_CHANGE:
            return last, np.full(part.size, self.step_sd), endless
        away = x - self.x[self.last[part]]
        if name == FAMILY_RATE:
            home = self.family[part]
            return last + self.rate[home] * away, np.hypot(self.rest_sd, self.rate_sd[home] * away), endless
        off = x - self.mean_x[part]
        with np.errstate(divide="ignore", invalid="ignore"):
            sd = self.residual[part] * np.sqrt(1 + 1 / self.count[part] + off**2 / self.sxx[part])
        return self.mean_y[part] + self.slope[part] * off, sd, np.maximum(self.freedom[part], 1).astype(np.float64)

    def crossing(self, name: str, part: Ints, limit: float, sign: float, cap: Array, seed: int) -> Array:
        """Return samples (m, DRAWS) of the exposure at which each part crosses, between its last reading and `cap`."""
        rng = np.random.default_rng([seed, RIVALS.index(name)])
        start = self.x[self.last[part]][:, None]
        late = cap[:, None]
        if name == NO_CHANGE:
            return np.broadcast_to(late, (part.size, DRAWS)).copy()
        if name == FAMILY_RATE:
            home = self.family[part][:, None]
            rate = self.rate[home] + self.rate_sd[home] * rng.standard_normal((part.size, DRAWS))
            left = sign * (limit - self.y[self.last[part]])[:, None]
            with np.errstate(divide="ignore", invalid="ignore"):
                met = np.where(sign * rate > 0, start + left / (sign * rate), late)
            return np.asarray(np.clip(met, start, late))
        freedom = np.maximum(self.freedom[part], 1)[:, None]
        sigma = self.residual[part][:, None] * np.sqrt(freedom / rng.chisquare(freedom, (part.size, DRAWS)))
        first, second = rng.standard_normal((2, part.size, DRAWS))
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = self.slope[part][:, None] + sigma * first / np.sqrt(self.sxx[part])[:, None]
            middle = self.mean_y[part][:, None] + sigma * second / np.sqrt(self.count[part])[:, None]
            met = self.mean_x[part][:, None] + (limit - middle) / slope
        # a line that is past already crosses at once; one that leads away never does
        reached = middle + slope * (start - self.mean_x[part][:, None])
        met = np.where(sign * (reached - limit) >= 0, start, np.where(sign * slope > 0, met, late))
        return np.asarray(np.clip(met, start, late))


def student_pit(middle: Array, spread: Array, freedom: Array, y: Array) -> Array:
    """Return the chance (m,) that a Student forecast gave to at most what came; a point without spread gives 0 or 1."""
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(spread > 0, (y - middle) / spread, np.where(y == middle, 0.0, np.sign(y - middle) * np.inf))
    return np.asarray(stdtr(freedom, np.where(np.isnan(middle), np.nan, z)), dtype=np.float64)


def student_quantiles(middle: Array, spread: Array, freedom: Array, chances: Sequence[float] | Array) -> Array:
    """Return quantiles (m, Q) of Student forecasts."""
    z = stdtrit(freedom[:, None], np.asarray(chances)[None, :])
    return np.asarray(middle[:, None] + spread[:, None] * z, dtype=np.float64)


def _spread(values: Array) -> float:
    return float(values.std(ddof=1)) if values.size > 1 else 0.0


def _root_mean(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0

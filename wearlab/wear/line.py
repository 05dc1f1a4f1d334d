"""A straight line through one life's readings: level, next reading, and where it crosses a limit.

The line is y = y_mean + slope (x - x_mean) + error, errors independent with one variance. It is the simple
rival of every wear model: it knows nothing of the family, the visit or the rig, and its intervals are not
calibrated.

The crossing of a limit is told by Fieller's set: all x at which the limit lies inside the interval of the
level, |y_mean + slope (x - x_mean) - limit| <= t s sqrt(1/n + (x - x_mean)^2 / sxx), a quadratic inequality
in x. With a slope that is told apart from zero the set is an interval; otherwise it may reach to infinity,
or be everything.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite, sqrt
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from wearlab.errors import InputError
from wearlab.language import _, _n, msg
from wearlab.records import NoAnswer
from wearlab.wear.regression import pair

#: The side of a limit on which a reading fails.
Direction = Literal["above", "below"]

#: Fewest readings of a line: two fix it, the third tells how far readings scatter.
FEWEST = 3

NOT_FINITE = msg("a value among the readings is not a finite number, or too large to compute with")
ONE_PLACE = msg("all readings were taken at the same distance, so no trend can be told")
AWAY = msg("the level moves away from the limit")


@dataclass(frozen=True, slots=True)
class Interval:
    """A value and its two-sided interval of the given coverage."""

    point: float
    low: float
    high: float
    coverage: float


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where the level passes the limit, on the scale of x, with Fieller's set at the given coverage.

    `high` infinite: the readings allow that it is never passed. `point` infinite as well: the line itself
    does not lead to the limit. `low` minus infinite: the level has been past the limit as far back as can
    be told.
    """

    point: float
    low: float
    high: float
    coverage: float


@dataclass(frozen=True, slots=True)
class LineFit:
    """A line by least squares; `intercept` is the level at x = 0, `covariance` joins intercept and slope."""

    n: int
    x_mean: float
    y_mean: float
    sxx: float
    intercept: float
    slope: float
    intercept_sd: float
    slope_sd: float
    covariance: float
    residual_sd: float
    dof: int
    x_min: float
    x_max: float

    def level(self, x: float, coverage: float = 0.9) -> Interval:
        """Return the level at x with its interval."""
        return self._interval(x, coverage, 0.0)

    def next_reading(self, x: float, coverage: float = 0.9, resolution: float = 0.0) -> Interval:
        """Return what one more reading at x would show; `resolution` d adds a uniform error's d^2/12."""
        return self._interval(x, coverage, self.residual_sd**2 + resolution**2 / 12)

    def slope_interval(self, coverage: float = 0.9) -> Interval:
        """Return the slope with its interval."""
        reach = t_quantile(self.dof, coverage) * self.slope_sd
        return Interval(self.slope, self.slope - reach, self.slope + reach, coverage)

    def band(
        self, x: ArrayLike, coverage: float = 0.9
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Return level, low and high at every x, each of the shape of x."""
        u = np.asarray(x, dtype=np.float64) - self.x_mean
        middle = self.y_mean + self.slope * u
        reach = t_quantile(self.dof, coverage) * self.residual_sd * np.sqrt(1 / self.n + u**2 / self.sxx)
        return middle, middle - reach, middle + reach

    def crossing(self, limit: float, direction: Direction, coverage: float = 0.9) -> Crossing | NoAnswer:
        """Return where the level passes `limit` towards the failing side.

        "above": the level rises through the limit; "below": it falls through it.
        """
        if not isfinite(limit):
            return NoAnswer(_("the limit is not a finite number"))
        sign = 1.0 if direction == "above" else -1.0
        slope, gap = sign * self.slope, sign * (self.y_mean - limit)
        spread = t_quantile(self.dof, coverage) * self.residual_sd
        if self.residual_sd == 0 and self.slope == 0:
            return NoAnswer(_("all readings are equal: neither a trend nor its error can be told"))
        # a u^2 + 2 b u + c <= 0 with u = x - x_mean, each written so that nothing cancels
        a = (slope - spread / sqrt(self.sxx)) * (slope + spread / sqrt(self.sxx))
        b = gap * slope
        c = (gap - spread / sqrt(self.n)) * (gap + spread / sqrt(self.n))
        disc = spread**2 * (a / self.n + gap**2 / self.sxx)
        if a > 0 and slope < 0:
            return NoAnswer(_(AWAY))
        if a <= 0 and disc <= 0:
            return NoAnswer(_("the readings tell neither the slope from zero nor the level from the limit"))
        first, second = (self.x_mean + root for root in _roots(a, b, c, max(disc, 0.0)))
        point = self.x_mean - gap / slope if slope > 0 else (inf if gap < 0 else -inf)
        if a > 0:
            return Crossing(point, min(first, point), max(second, point), coverage)
        # Slope not told from zero: the set is all but the stretch from first to second, in which the level
        # is surely on one side of the limit, the side it has at x_mean. The crossing lies after that
        # stretch, or before it.
        if gap < 0:
            return Crossing(point, min(second, point), inf, coverage)
        return Crossing(point, -inf, max(first, point), coverage)

    def _interval(self, x: float, coverage: float, extra: float) -> Interval:
        u = x - self.x_mean
        middle = self.y_mean + self.slope * u
        variance = self.residual_sd**2 * (1 / self.n + u**2 / self.sxx) + extra
        reach = t_quantile(self.dof, coverage) * sqrt(variance)
        return Interval(middle, middle - reach, middle + reach, coverage)


def fit_line(x: ArrayLike, y: ArrayLike, *, resolution: float = 0.0) -> LineFit | NoAnswer:
    """Fit a line to the points (x, y), both of shape (n,).

    With a graduation `resolution` d (unit of y) the residual standard deviation is never taken as less than
    d / sqrt(12): readings that agree to the graduation do not prove that there is no error.

    Raises
    ------
    InputError
        The arrays are not of one length, or the resolution is negative.
    """
    xs, ys = pair(x, y)
    if resolution < 0:
        raise InputError(f"a resolution is 0 or more, not {resolution}")
    if xs.size < FEWEST:
        return NoAnswer(too_few(xs.size))
    if not (np.isfinite(xs).all() and np.isfinite(ys).all()):
        return NoAnswer(_(NOT_FINITE))
    if xs.min() == xs.max():
        return NoAnswer(_(ONE_PLACE))
    x_mean, y_mean = float(xs.mean()), float(ys.mean())
    u, v = xs - x_mean, ys - y_mean
    sxx = float(u @ u)
    if sxx == 0:
        return NoAnswer(_(ONE_PLACE))
    slope = float(u @ v) / sxx
    rss = float(np.sum((v - slope * u) ** 2))
    if not (isfinite(sxx) and isfinite(rss)):
        return NoAnswer(_(NOT_FINITE))
    return line_of(xs.size, x_mean, y_mean, sxx, slope, rss, resolution, float(xs.min()), float(xs.max()))


def too_few(n: int) -> str:
    """Return why n readings are too few for a line."""
    return _n(
        "a line needs at least {least} readings, there is {n}",
        "a line needs at least {least} readings, there are {n}",
        n,
        least=FEWEST,
    )


def line_of(
    n: int,
    x_mean: float,
    y_mean: float,
    sxx: float,
    slope: float,
    rss: float,
    resolution: float,
    x_min: float,
    x_max: float,
) -> LineFit:
    """Return the line of n points; `rss` sums the squared residuals, `sxx` the squares of x - x_mean."""
    dof = n - 2
    s = max(sqrt(rss / dof), resolution / sqrt(12))
    slope_sd = s / sqrt(sxx)
    return LineFit(
        n=n,
        x_mean=x_mean,
        y_mean=y_mean,
        sxx=sxx,
        intercept=y_mean - slope * x_mean,
        slope=slope,
        intercept_sd=s * sqrt(1 / n + x_mean**2 / sxx),
        slope_sd=slope_sd,
        covariance=-x_mean * slope_sd**2,
        residual_sd=s,
        dof=dof,
        x_min=x_min,
        x_max=x_max,
    )


def t_quantile(dof: int, coverage: float) -> float:
    """Return Student's t that bounds a two-sided interval of this coverage.

    Raises
    ------
    InputError
        The coverage is not between 0 and 1.
    """
    if not 0 < coverage < 1:
        raise InputError(f"a coverage lies between 0 and 1, not {coverage}")
    return float(stdtrit(dof, 0.5 + coverage / 2))


def _roots(a: float, b: float, c: float, disc: float) -> tuple[float, float]:
    """Return the roots of a u^2 + 2 b u + c, smaller first; infinite where a vanishes."""
    q = -(b + sqrt(disc)) if b >= 0 else -(b - sqrt(disc))
    near = c / q if q != 0 else 0.0
    far = q / a if a != 0 else (inf if q > 0 else -inf)
    return (near, far) if near <= far else (far, near)

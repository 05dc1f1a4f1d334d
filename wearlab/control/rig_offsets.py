"""What a rig reads high or low, when, and by which channel; and readings whose verdict hangs on it.

The wear model has an offset for every rig and calibration period. Here each period also has a drift: a column of years
since the period began, so that what a rig reads high grows in a straight line until it is calibrated. Offset and drift
are told apart from wear because a vehicle is tested on other rigs as well, and before and after a calibration.

Channels are told from readings of one test: what a tube reads high beyond what its parts and its tests show, by one
best linear prediction with parts and channels as random effects and tests taken out. Where a tube always took the same
position, tube and position cannot be told apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_matrix
from scipy.special import ndtri

from wearlab.errors import InputError
from wearlab.language import _
from wearlab.records import NoAnswer
from wearlab.wear.line import Interval
from wearlab.wear.scale_fit import Fixed

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: prior sd of a drift, a year: as much again as a rig is trusted to (common practice, no source)
DRIFT_SD = 0.05
#: a period with tests over fewer days than this has an offset but no drift
SHORTEST = 90
#: prior sd of what a channel reads high: a rig is trusted to about 5 % (common practice, no source)
CHANNEL_SD = 0.05
_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Period:
    """One rig between calibrations: `name` of its drift, places (n,) of its readings, first and last day of tests."""

    rig: str
    name: str
    rows: Ints
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class ChannelOffset:
    """What one channel reads high, in %, with how many readings say so."""

    channel: str
    offset: Interval
    readings: int


def periods(rig: Sequence[str], day: Ints, calibrated: dict[str, Sequence[int]]) -> list[Period]:
    """Cut the readings (n,) of each rig at its days of calibration; readings without a rig belong to none."""
    names = np.asarray(rig, dtype=object)
    if names.shape != day.shape:
        raise InputError("every reading needs a rig (or none) and a day")
    found = []
    for name in sorted({str(one) for one in names} - {""}):
        cuts = np.array(sorted(calibrated.get(name, ())), dtype=np.int64)
        place, called = np.searchsorted(cuts, day, side="right"), period_names(name, cuts)
        for number in range(cuts.size + 1):
            rows = np.flatnonzero((names == name) & (place == number)).astype(np.int64)
            if rows.size:
                found.append(Period(name, called[number], rows, int(day[rows].min()), int(day[rows].max())))
    return found


def period_names(rig: str, cuts: Ints) -> list[str]:
    """Return the names of a rig's periods, in order, from its days of calibration (k,), rising: k + 1 of them."""
    days = [str(day) for day in cuts.astype("datetime64[D]")]
    return [f"{rig} before {days[0]}" if days else rig, *(f"{rig} from {day}" for day in days)]


def drift_columns(found: Sequence[Period], day: Ints) -> tuple[Floats, tuple[str, ...]]:
    """Return a column (n, k) of years since its first test for every period that is long enough, and its name."""
    long = [one for one in found if one.last - one.first >= SHORTEST]
    made = np.zeros((day.size, len(long)))
    for k, one in enumerate(long):
        made[one.rows, k] = (day[one.rows] - one.first) / _YEAR
    return made, tuple(drift_name(one) for one in long)


def drift_name(period: Period) -> str:
    """Return the name of a period's drift among the fixed effects."""
    return f"drift of {period.name}"


def offset_on(fixed: Fixed, period: Period, day: int, *, widen: float = 1.0, coverage: float = 0.9) -> Interval:
    """Return what a rig reads high on a day of a period, in %; NaN ends where the tests do not tell it.

    A period that is no effect of its own is the base, which the others are told against: it is off by its drift only.
    """
    line = np.zeros(len(fixed.names))
    for name, times in ((f"period {period.name}", 1.0), (drift_name(period), (day - period.first) / _YEAR)):
        at = fixed.place(name)
        if at is not None:
            line[at] = times
    if not line.any():
        return Interval(0.0, nan, nan, coverage)
    middle = float(line @ fixed.estimate)
    sd = widen * sqrt(max(float(line @ fixed.covariance @ line), 0.0))
    return _percent(middle, sd, coverage)


def channel_offsets(
    levels: ArrayLike, part: ArrayLike, test: ArrayLike, channel: ArrayLike, *, coverage: float = 0.9
) -> tuple[ChannelOffset, ...] | NoAnswer:
    """Return what each channel reads high, from readings (n,) above 0 with part, test and channel of each, (n,)."""
    y = np.asarray(levels, dtype=np.float64)
    labels = np.asarray(channel).astype(str)
    good = y > 0
    if not good.any() or np.unique(labels[good]).size < 2:
        return NoAnswer(_("fewer than two channels are written down with readings above 0"))
    log_y = np.log(y[good])
    names, tube = np.unique(labels[good], return_inverse=True)
    own, of_test = (np.unique(np.asarray(one)[good], return_inverse=True)[1] for one in (part, test))
    log_y -= (np.bincount(of_test, log_y) / np.bincount(of_test))[of_test]
    mean = np.bincount(own, log_y) / np.bincount(own)
    noise = log_y - mean[own]
    parts, free = mean.size, log_y.size - mean.size - int(of_test.max())
    if free < 1 or not noise @ noise > 0:
        return NoAnswer(_("too few readings to tell channels from parts: every one has its own part or test"))
    error, between = float(noise @ noise) / free, max(float(np.var(mean)), 1e-6)
    # parts and channels side by side, tests taken out; both with the spread that is known of them
    size = parts + names.size
    rows = np.arange(log_y.size)
    both = csr_matrix((np.ones(2 * rows.size), (np.r_[rows, rows], np.r_[own, parts + tube])), shape=(rows.size, size))
    tests = csr_matrix((np.ones(rows.size), (of_test, rows)))
    sums = tests @ both
    count = np.bincount(of_test).astype(np.float64)
    matrix = (both.T @ both).toarray() - (sums.T @ sums.multiply(1 / count[:, None]).tocsr()).toarray()
    matrix[np.diag_indices(size)] += error / np.r_[np.full(parts, between), np.full(names.size, CHANNEL_SD**2)]
    inverse = np.linalg.inv(matrix)
    found = (inverse @ (both.T @ log_y))[parts:]
    sd = np.sqrt(error * np.diag(inverse)[parts:])
    many = np.bincount(tube)
    return tuple(
        ChannelOffset(str(name), _percent(float(found[k]), float(sd[k]), coverage), int(many[k]))
        for k, name in enumerate(names)
    )


def hangs_on_rig(level: float, limit: float, offset: Interval) -> bool:
    """Whether a reading lies between a limit and what the rig makes of it, and the rig's offset is sure to be there."""
    if not (offset.low > 0 or offset.high < 0):
        return False
    moved = limit * (1 + offset.point / 100)
    return min(limit, moved) < level <= max(limit, moved)


def _percent(middle: float, sd: float, coverage: float) -> Interval:
    reach = float(ndtri(0.5 + coverage / 2)) * sd
    point, low, high = (100 * (exp(min(value, 50.0)) - 1) for value in (middle, middle - reach, middle + reach))
    return Interval(point, low, high, coverage)

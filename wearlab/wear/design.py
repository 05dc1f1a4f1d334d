"""Fixed effects of one group on one working scale: the columns of z and the priors of their coefficients.

Level and rate are columns of every group. With several families each has its own: flat when no penalty is asked for,
else as a deviation from the common level and rate with a wide normal prior, so that a family with a single test is
still answered for. Columns are kept as entries (reading, column, value), since a rig offset or an event touches few
readings of a fleet.

A "factor" covariate multiplies the reading by exp(coefficient * column). The part of it that its prior mean explains
is taken out of the reading before the scale is applied; the rest enters through the derivative of the scale at the
value that the other readings foretell.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearlab.wear.blocks import Blocks, Floats, Ints
from wearlab.wear.data import Coded
from wearlab.wear.scale import WorkingScale

#: Prior sd of a family's level and rate, and of the level of unknown starts, in standard deviations of y.
FAMILY_WIDTH = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One fixed effect: its name, what it is, and its prior on the scale of the column."""

    name: str
    kind: str  # level, rate, start, family level, family rate, covariate, period
    family: int
    prior_mean: float
    prior_sd: float


@dataclass(frozen=True, slots=True, eq=False)
class Entries:
    """Values of the design: reading, column and base value; `factor` entries are multiplied by the scale's slope."""

    reading: Ints
    column: Ints
    value: Floats
    factor: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Frame:
    """What a group on one working scale is built by beside its readings: what all of them together decide.

    `spread` is the sd of y, from which the priors of families are taken; `mixed` whether lives with and without a
    known start are both there, `shared` whether a visit shares a known sd.
    """

    scale: WorkingScale
    flat: bool
    span: float
    spread: float
    mixed: bool
    shared: bool


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """One group on one working scale; arrays (N,) in the order of the data.

    `y` is the working value of the reading freed of the factors' prior means, `x` working exposure in units of
    `span`, `gathered` that on the present vehicle, `log_slope` dg/dlog q at the value told, `known` the known
    variance of a reading (graduation), `shared` the known sd of a visit's shared effect, `start` 1 for an unknown
    start. `span` turns exposure into x: x = (exposure / span)^gamma. `left_out` marks which of the columns that
    `frame` makes are not among `columns`; `refitted` tells that slopes and known variances are no longer those that
    it makes.
    """

    data: Coded
    blocks: Blocks
    frame: Frame
    left_out: NDArray[np.bool_]
    scale: WorkingScale
    span: float
    y: Floats
    x: Floats
    gathered: Floats
    start: Floats
    correction: Floats
    log_slope: Floats
    known: Floats
    shared: Floats
    columns: tuple[Column, ...]
    entries: Entries
    refitted: bool = False

    @property
    def n(self) -> int:
        """Number of readings."""
        return int(self.y.size)

    @property
    def p(self) -> int:
        """Number of fixed effects."""
        return len(self.columns)

    @property
    def prior_mean(self) -> Floats:
        """Prior means (p,)."""
        return np.array([column.prior_mean for column in self.columns])

    @property
    def precision(self) -> Floats:
        """Prior precisions (p,), 0 where flat."""
        return np.array([column.prior_sd**-2.0 for column in self.columns])

    def values(self) -> Floats:
        """Values of the entries at the present slope of the scale."""
        entries = self.entries
        return np.where(entries.factor, entries.value * self.log_slope[entries.reading], entries.value)

    def refit_at(self, told: Floats) -> Problem:
        """Return the problem with slopes and known variances taken at these working values (N,).

        They must not hold the noise of the reading itself: a column that leans on it is told from it, and an offset
        that is not there stands out.
        """
        q = self.scale.inverse(told)
        if self.scale.power != 1:
            reach = self.scale.inverse(self.y)
            q = np.clip(q, reach / 4, reach * 4)  # a fit gone astray must not give a slope without bounds
        log_slope, known, shared = _at(q, self.correction, self.data, self.scale)
        return replace(self, log_slope=log_slope, known=known, shared=shared, refitted=True)


def typical_span(exposure: Floats, life: Ints) -> float:
    """Median, over lives seen at two exposures at least, of the exposure between first and last test.

    Where no life was seen twice, the median exposure; 1 where all are zero.
    """
    lives = int(life.max()) + 1
    low, high = np.full(lives, np.inf), np.full(lives, -np.inf)
    np.minimum.at(low, life, exposure)
    np.maximum.at(high, life, exposure)
    span = (high - low)[np.isfinite(high)]
    if (span > 0).any():
        return float(np.median(span[span > 0]))
    median = float(np.median(np.abs(exposure)))
    return median if median > 0 else 1.0


def problem(data: Coded, made: Blocks, scale: WorkingScale, *, flat: bool) -> Problem:
    """Return the group on one working scale; `flat` leaves the prior out of level and rate of the families."""
    unknown = made.unknown_start
    y = scale.forward(data.y * _correction(data))
    return framed(
        data,
        made,
        Frame(
            scale=scale,
            flat=flat,
            span=typical_span(made.exposure, made.life),
            spread=float(np.std(y)) or 1.0,
            mixed=bool(unknown.any() and not unknown.all()),
            shared=bool(data.visit_sd.any()),
        ),
    )


def framed(data: Coded, made: Blocks, frame: Frame) -> Problem:
    """Return readings on the working scale of a frame; every value is of its own reading alone."""
    scale, span, unknown = frame.scale, frame.span, made.unknown_start
    if scale.gamma == 1:
        x = made.exposure / span
    else:
        x = np.where(unknown, made.exposure / span, scale.exposure(made.exposure / span))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(made.exposure != 0, made.gathered / made.exposure, 1.0)
    n = data.y.size
    correction = _correction(data)
    q = data.y * correction
    columns, entries = _columns(data, x, unknown, frame)
    log_slope, known, shared = _at(q, correction, data, scale)
    return Problem(
        data=data,
        blocks=made,
        frame=frame,
        left_out=np.zeros(len(columns), dtype=np.bool_),
        scale=scale,
        span=span,
        y=scale.forward(q),
        x=x,
        gathered=x * share,
        start=unknown.astype(np.float64) if frame.mixed else np.zeros(n),
        correction=correction,
        log_slope=log_slope,
        known=known,
        shared=shared,
        columns=columns,
        entries=entries,
    )


def _correction(data: Coded) -> Floats:
    """Return what frees readings (N,) of the factors' prior means; column by column, so that no reading's value
    depends on which others are there."""
    out = np.zeros(data.y.size)
    for k in np.flatnonzero(data.factor & (data.prior_mean != 0)):
        out -= data.covariates[:, k] * data.prior_mean[k]
    return np.asarray(np.exp(out), dtype=np.float64)


def _at(q: Floats, correction: Floats, data: Coded, scale: WorkingScale) -> tuple[Floats, Floats, Floats]:
    """Slope of the scale over log q, known variance and shared sd, all at corrected readings q."""
    slope = scale.slope(q)
    log_slope = np.abs(slope * q)
    return log_slope, (data.resolution * correction * slope) ** 2 / 12.0, data.visit_sd * log_slope


def _columns(data: Coded, x: Floats, unknown: NDArray[np.bool_], frame: Frame) -> tuple[tuple[Column, ...], Entries]:
    n, flat, spread = data.y.size, frame.flat, frame.spread
    every = np.arange(n)
    inf = float("inf")
    families = data.family_label.size
    columns: list[Column] = []
    parts: list[tuple[Ints, Ints, Floats, bool]] = []

    def add(column: Column, reading: Ints, value: Floats, factor: bool = False) -> None:
        parts.append((reading, np.full(reading.size, len(columns)), value, factor))
        columns.append(column)

    def add_each(kind: str, code: Ints, labels: NDArray[np.str_], value: Floats, sd: float, first: int = 0) -> None:
        base = len(columns)
        columns.extend(
            Column(f"{kind.split()[-1]} {label}", kind, k, 0.0, sd) for k, label in enumerate(labels[first:], first)
        )
        parts.append(
            (np.flatnonzero(code >= first), base + code[code >= first] - first, value[code >= first], kind == "period")
        )

    labels = data.family_label.astype(str)
    if families == 1 or not flat:
        add(Column("level", "level", -1, 0.0, inf), every, np.ones(n))
        add(Column("rate", "rate", -1, 0.0, inf), every, x)
    if families > 1:
        width = inf if flat else FAMILY_WIDTH * spread
        add_each("family level", data.family, labels, np.ones(n), width)
        add_each("family rate", data.family, labels, x, width)
    if frame.mixed:
        rows = np.flatnonzero(unknown)
        add(Column("start", "start", -1, 0.0, inf if flat else FAMILY_WIDTH * spread), rows, np.ones(rows.size))
    for k, name in enumerate(data.names):
        rows = np.flatnonzero(data.covariates[:, k])
        shift = data.prior_mean[k] if not data.factor[k] else 0.0
        add(
            Column(name, "covariate", -1, float(shift), float(data.prior_sd[k])),
            rows,
            data.covariates[rows, k],
            bool(data.factor[k]),
        )
    if data.period_label.size > 1:
        add_each("period", data.period, data.period_label, np.ones(n), float(data.source.period_sd), first=1)
    return tuple(columns), Entries(
        reading=np.concatenate([part[0] for part in parts]),
        column=np.concatenate([part[1] for part in parts]),
        value=np.concatenate([part[2] for part in parts]),
        factor=np.concatenate([np.full(part[0].size, part[3]) for part in parts]),
    )


def dropped(design: Problem, columns: NDArray[np.bool_]) -> Problem:
    """Return the problem without the columns marked in (p,)."""
    place = np.cumsum(~columns) - 1
    keep = ~columns[design.entries.column]
    entries = design.entries
    left_out = design.left_out.copy()
    left_out[np.flatnonzero(~left_out)[columns]] = True
    return replace(
        design,
        left_out=left_out,
        columns=tuple(column for column, out in zip(design.columns, columns, strict=True) if not out),
        entries=Entries(
            reading=entries.reading[keep],
            column=place[entries.column[keep]],
            value=entries.value[keep],
            factor=entries.factor[keep],
        ),
    )

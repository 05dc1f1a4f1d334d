"""The wear model of one group fitted on one working scale, in the units of the readings and of exposure."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearlab.language import _
from wearlab.wear.blocks import Blocks, Floats, Ints, blocks
from wearlab.wear.data import Coded, coded
from wearlab.wear.design import Problem, problem
from wearlab.wear.effects import told_apart
from wearlab.wear.estimate import Estimate, Options, Step
from wearlab.wear.fit import maximised
from wearlab.wear.information import observed
from wearlab.wear.least_squares import least_squares
from wearlab.wear.scale import WorkingScale
from wearlab.wear.state import posterior
from wearlab.wear.variances import Variances, errors_of, variances_of

#: From this many blocks on, the search starts from the optimum of every `SAMPLE`-th block.
LARGE = 2000
SAMPLE = 8
#: In a large fleet the search ends when less than this is left to gain; far below a standard error.
LARGE_TOLERANCE = 1e-5


@dataclass(frozen=True, slots=True, eq=False)
class Fixed:
    """Fixed effects: names, estimates (p,) and covariance (p, p), in units of y and of exposure as given."""

    names: tuple[str, ...]
    estimate: Floats
    covariance: Floats

    @property
    def sd(self) -> Floats:
        """Standard errors (p,)."""
        return np.sqrt(np.diag(self.covariance))

    def place(self, name: str) -> int | None:
        """Return the place of an effect, None where it is absent."""
        return self.names.index(name) if name in self.names else None


@dataclass(frozen=True, slots=True, eq=False)
class Effects:
    """Predicted effects on the working scale, rates per exposure as given: parts (P,) and vehicles (V,)."""

    part: NDArray[Any]
    part_level: Floats
    part_rate: Floats
    vehicle: NDArray[Any]
    vehicle_level: Floats
    vehicle_rate: Floats


@dataclass(frozen=True, slots=True, eq=False)
class ScaleFit:
    """One fit. `criterion` is the restricted or full log-likelihood with all constants, the penalty left out.

    `variances` and their standard errors `variance_se` count exposure as given (to the power gamma, where the scale
    has one). `merged` says in sentences which effects were told as one and which columns could not be told.
    """

    scale: WorkingScale
    method: str
    criterion: float
    status: str
    trace: tuple[Step, ...]
    fixed: Fixed
    variances: Variances
    variance_se: Variances
    merged: tuple[str, ...]
    error_assumed: bool
    estimate: Estimate

    @property
    def design(self) -> Problem:
        """The problem as it was last worked on."""
        return self.estimate.work.design

    @property
    def unit(self) -> float:
        """Working exposure 1, in units of exposure to the power gamma."""
        return float(self.design.span**self.scale.gamma)

    @property
    def effects(self) -> Effects:
        """What parts and vehicles differ by from the fixed effects."""
        done = self.estimate
        found = posterior(done.work, done.local, done.theta, done.evaluated.beta, done.evaluated.covariance)
        found = found.per(self.unit)
        life = life_of_part(self.design)
        return Effects(
            part=self.design.data.part_label,
            part_level=found.part_level[life],
            part_rate=found.part_rate[life],
            vehicle=self.design.data.vehicle_label,
            vehicle_level=found.vehicle_level,
            vehicle_rate=found.vehicle_rate,
        )


def life_of_part(design: Problem) -> Ints:
    """Return, for every part code, the life that its last reading belongs to."""
    data, made = design.data, design.blocks
    out = np.empty(data.part_label.size, dtype=np.int64)
    order = np.lexsort((made.exposure, data.turn))
    out[data.part[order]] = made.life[order]
    return out


def fit_scale(
    data: Coded,
    scale: WorkingScale,
    options: Options,
    *,
    made: Blocks | None = None,
    without: Collection[str] = (),
    seed: int = 1,
) -> ScaleFit:
    """Fit one working scale. `without` names effects that are left out, `seed` draws the sample of a large fleet."""
    made = blocks(data) if made is None else made
    design, beta, spread, silent = least_squares(problem(data, made, scale, flat=not options.penalty))
    told = told_apart(design, spread, penalty=options.penalty, without=without)
    coordinates, theta = told.coordinates, np.array(told.start)
    if made.count >= LARGE:
        first = _sampled(data, made, scale, options, without, seed)
        if first is not None:
            theta = coordinates.theta_kept(np.maximum(first.variances.per(design.span**scale.gamma).theta(), 0.0))
            theta = _off_zero(theta, np.array(told.start))
        options = replace(options, tolerance=max(options.tolerance, LARGE_TOLERANCE))
    estimate = observed(maximised(design, coordinates, theta, beta, spread, options), options)
    return _reported(estimate, options, told.notes, silent, told.error_assumed)


def _sampled(
    data: Coded, made: Blocks, scale: WorkingScale, options: Options, without: Collection[str], seed: int
) -> ScaleFit | None:
    """Fit a random part of a large fleet, to start from."""
    rng = np.random.default_rng(seed)
    chosen = np.zeros(data.y.size, dtype=np.bool_)
    for chunk in made.chunks:
        pick = rng.random(chunk.rows.shape[0]) < 1 / SAMPLE
        rows = chunk.rows[pick]
        chosen[rows[rows < data.y.size]] = True
    if not chosen.any():
        return None
    part = coded(data.source.take(chosen))
    options = replace(options, tolerance=1e-3, executor=None)
    return fit_scale(part, scale, options, made=blocks(part), without=without, seed=seed)


def _off_zero(theta: Floats, start: Floats) -> Floats:
    """Start what the sample put at zero, and what it lacked, from a small share of the plain start."""
    out = theta.copy()
    for k in range(out.size):
        if k != 3 and start[k] > 0 and out[k] < 1e-4 * start[k]:
            out[k] = 1e-2 * start[k]
    out[3] = np.clip(out[3], -0.99 * np.sqrt(out[2] * out[4]), 0.99 * np.sqrt(out[2] * out[4]))
    return out


def _reported(
    estimate: Estimate, options: Options, notes: tuple[str, ...], silent: tuple[str, ...], assumed: bool
) -> ScaleFit:
    design = estimate.work.design
    unit = design.span**design.scale.gamma
    inverse = np.asarray(np.linalg.pinv(estimate.curvature), dtype=np.float64)
    return ScaleFit(
        scale=design.scale,
        method=options.method,
        criterion=estimate.evaluated.criterion,
        status=estimate.status,
        trace=estimate.trace,
        fixed=_fixed(design, estimate.evaluated.beta, estimate.evaluated.covariance, unit),
        variances=variances_of(estimate.theta).per(1 / unit),
        variance_se=errors_of(estimate.coordinates, estimate.phi, inverse).per(1 / unit),
        merged=(*notes, *(_("{name}: the readings cannot tell it", name=_(name)) for name in silent)),
        error_assumed=assumed,
        estimate=estimate,
    )


def _fixed(design: Problem, beta: Floats, covariance: Floats, unit: float) -> Fixed:
    """Turn coefficients into named effects: families whole instead of deviations, rates per exposure as given."""
    names: list[str] = []
    lines: list[NDArray[Any]] = []
    common = {column.kind: k for k, column in enumerate(design.columns) if column.kind in ("level", "rate")}
    shift = np.zeros(design.p)
    for k, column in enumerate(design.columns):
        line = np.zeros(design.p)
        line[k] = 1.0
        kind = column.kind.removeprefix("family ")
        if column.kind.startswith("family ") and kind in common:
            line[common[kind]] = 1.0
        if kind == "rate":
            line /= unit
        names.append(column.name)
        lines.append(line)
        if column.kind == "covariate" and _is_factor(design, column.name):
            at = design.data.names.index(column.name)
            shift[k] = design.data.prior_mean[at]
    matrix = np.array(lines).reshape(len(lines), design.p)
    return Fixed(tuple(names), matrix @ beta + shift, matrix @ covariance @ matrix.T)


def _is_factor(design: Problem, name: str) -> bool:
    return bool(design.data.factor[design.data.names.index(name)])

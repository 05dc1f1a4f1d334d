"""One pass over the chunks: everything that the restricted likelihood, its score and its curvature are sums of.

With U = K^-1 [X y] of a block, all that is needed of G, for any coefficients beta, is U' G U and trace(K^-1 G); so one
pass gives the best beta, the criterion and the exact score together. The average information (Gilmour, Thompson and
Cullis 1995) is taken at the beta of the pass before, which costs nothing and agrees at convergence.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.wear.beyond import Spread, expectation
from wearlab.wear.blocks import Floats, Ints
from wearlab.wear.covariance import Readings, actions, covariance, products, structure, traces
from wearlab.wear.design import Problem
from wearlab.wear.executor import ALONE, Executor
from wearlab.wear.inverse import inverse_of
from wearlab.wear.local import Local
from wearlab.wear.variances import INDEX

J = len(INDEX)


@dataclass(frozen=True, slots=True, eq=False)
class Work:
    """What the passes change between them: response, reading variances added to doubtful readings, and beyond.

    `y` (N,) holds the expected value of readings beyond the scale; `doubt` (N,) is variance added to gross errors;
    `spread` keeps, per chunk, the covariance of the readings beyond the scale.
    """

    design: Problem
    y: Floats
    doubt: Floats
    spread: dict[int, Spread]


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """Sums over all blocks. Fixed effects come first, the response is the last row and column.

    `gram` (p+1, p+1) is [X y]' K^-1 [X y]; `log_det` of K; `trace` (10,); `inner` [U' G U] (10, p+1, p+1);
    `average` (10, 10) is w' G K^-1 G w and `lean` (10, p) X' K^-1 G w at the beta given; `missing` (p, p)
    is the information on the coefficients that readings beyond the scale do not give; `beyond` is the share of
    readings beyond the scale in the log-likelihood.
    """

    gram: Floats
    log_det: float
    trace: Floats
    inner: Floats
    average: Floats
    lean: Floats
    missing: Floats
    beyond: float


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """What a pass saw of every reading, (N,), and of the readings beyond the scale.

    `z` is the leave-one-out residual over its sd, `variance` the square of that sd, `told` the value that all other
    readings foretell (free of the reading's own noise), `y` the working value with readings beyond the scale replaced
    by their expectation.
    """

    z: Floats
    variance: Floats
    told: Floats
    y: Floats
    spread: dict[int, Spread]


def readings_of(work: Work) -> Readings:
    """Return the readings of all chunks with the place for padding added."""
    design = work.design

    def floats(values: Floats) -> Floats:
        return np.append(values, 0.0)

    return Readings(
        x=floats(design.x),
        gathered=floats(design.gathered),
        start=floats(design.start),
        known=floats(design.known + work.doubt),
        shared=floats(design.shared),
        life_slot=np.append(design.blocks.life_slot, -1),
        visit_slot=np.append(design.blocks.visit_slot, -1),
        any_start=design.frame.mixed,
        any_shared=design.frame.shared,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Begun:
    """Readings ready for their chunks, with the place for padding: (N + 1,) responses; values of the entries."""

    work: Work
    local: tuple[Local, ...]
    readings: Readings
    y: Floats
    values: Floats

    @classmethod
    def of(cls, work: Work, local: tuple[Local, ...]) -> Begun:
        """Make ready what all chunks share."""
        return cls(work, local, readings_of(work), np.append(work.y, 0.0), work.design.values())


def passed(
    work: Work,
    local: tuple[Local, ...],
    theta: Floats,
    beta: Floats,
    active: NDArray[np.bool_],
    *,
    executor: Executor = ALONE,
    look: bool = False,
    score: bool = True,
    beyond: bool = True,
) -> tuple[Sums, Looked | None]:
    """Go once over all chunks at variances theta (10,) and coefficients beta (p,); `look` also tells every reading,
    without `score` only the criterion and the coefficients are summed, without `beyond` a reading beyond the scale
    counts as if measured at the scale's end.

    Raises
    ------
    numpy.linalg.LinAlgError
        A covariance is not positive definite, or a variance beyond all numbers.
    """
    if not np.isfinite(theta).all():
        raise np.linalg.LinAlgError("a variance is beyond all numbers")
    design = work.design
    n, p = design.n, design.p
    task = Pass(theta, beta, active, look, score, beyond and bool(design.data.bound.any()))
    total = _Total.none(p)
    z, by_others, variance = np.zeros(n), np.zeros(n), np.ones(n)
    expected = work.y.copy()
    spread: dict[int, Spread] = {}
    number = 0
    for run in executor.over(task, work, local):
        total.add(run.total)
        for seen in run.chunks:
            if seen.spread is not None:
                spread[number] = seen.spread
            if seen.z is not None:
                chunk = design.blocks.chunks[number]
                rows = chunk.rows[chunk.rows < n]
                z[rows], variance[rows], by_others[rows] = seen.z, seen.variance, seen.told
                if seen.spread is not None:
                    one = seen.spread
                    expected[chunk.rows[one.block[:, None], one.place][one.real]] = one.mean[one.real]
            number += 1
    total.gram[p, p] += total.extra
    sums = Sums(
        total.gram,
        total.log_det,
        total.trace,
        total.inner,
        total.average,
        total.lean,
        total.missing[:p, :p],
        total.past + 0.5 * total.extra,
    )
    return sums, Looked(z, variance, by_others, expected, spread) if look else None


@dataclass(slots=True, eq=False)
class _Total:
    """Sums as `Sums` has them, of some chunks so far."""

    gram: Floats
    log_det: float
    trace: Floats
    inner: Floats
    average: Floats
    lean: Floats
    missing: Floats
    extra: float
    past: float

    @classmethod
    def none(cls, p: int) -> _Total:
        square = np.zeros((p + 1, p + 1))
        inner = np.zeros((J, p + 1, p + 1))
        return cls(square, 0.0, np.zeros(J), inner, np.zeros((J, J)), np.zeros((J, p)), square.copy(), 0.0, 0.0)

    def add(self, other: _Total) -> None:
        """Add the sums of a run."""
        for name in ("gram", "trace", "inner", "average", "lean", "missing"):
            mine = getattr(self, name)
            mine += getattr(other, name)
        self.log_det += other.log_det
        self.extra += other.extra
        self.past += other.past


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """What a pass saw of one chunk's readings, in the order of its rows; None where it was not asked to look."""

    z: Floats | None
    variance: Floats | None
    told: Floats | None
    spread: Spread | None


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    total: _Total
    chunks: list[_Seen]


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """The sums of one chunk: matrices over the chunk's own columns `used`, `lean` over all."""

    used: Ints
    log_det: float
    trace: Floats
    gram: Floats
    inner: list[Floats | None]
    extra: float
    missing: Floats | None
    average: Floats
    lean: Floats
    seen: _Seen


@dataclass(frozen=True, slots=True, eq=False)
class Pass:
    """One pass as a task; fields as in `passed`, `bounded` tells whether readings beyond the scale are looked at."""

    theta: Floats
    beta: Floats
    active: NDArray[np.bool_]
    look: bool
    score: bool
    bounded: bool

    def begin(self, work: Work, local: tuple[Local, ...]) -> Begun:
        """Make ready what all chunks share."""
        return Begun.of(work, local)

    def one(self, begun: Begun, number: int) -> _Part:
        """Return the sums of one chunk."""
        active, score, theta = self.active, self.score, self.theta
        work, readings, y = begun.work, begun.readings, begun.y
        design = work.design
        chunk, own = design.blocks.chunks[number], begun.local[number]
        path, repeat = (bool(active[INDEX[name]]) or theta[INDEX[name]] > 0 for name in ("path", "repeat"))
        s = structure(chunk, readings, path=path, repeat=repeat)
        m, width = chunk.rows.shape
        big = np.concatenate([own.design(begun.values, m, width), y[chunk.rows][:, :, None]], axis=2)
        inverse, log_dets = inverse_of(covariance(s, theta))
        inverse[:, np.arange(width), np.arange(width)] *= s.real
        u = inverse @ big
        gamma = np.concatenate([-own.at(self.beta), np.ones((m, 1))], axis=1)
        w = (u @ gamma[:, :, None])[:, :, 0]
        told, effective, extra, missing = None, inverse, 0.0, None
        if self.bounded:
            old = work.spread.get(number)
            if old is not None:
                drawn = old.drawn(inverse)
                effective, extra = inverse - drawn, old.gram(inverse)
                missing = own.summed(big.swapaxes(1, 2) @ (drawn @ big))
            told = expectation(chunk, design, inverse, w, y[chunk.rows])
        f = actions(s, w, active) if score else np.zeros((m, width, 0))
        v = inverse @ f
        seen = _Seen(None, None, None, told)
        if self.look:
            inside = s.real > 0
            diagonal = np.einsum("mii->mi", inverse)[inside]
            far = w[inside]
            seen = _Seen(far / np.sqrt(diagonal), 1.0 / diagonal, y[chunk.rows[inside]] - far / diagonal, told)
        inner = products(s, u, active) if score else []
        lean = np.zeros((J, self.beta.size))
        if score:
            fixed = own.columns >= 0
            side = u[:, :, :-1].swapaxes(1, 2) @ f
            for j in np.flatnonzero(active).tolist():
                lean[j] = np.bincount(own.columns[fixed], side[:, :, j][fixed], minlength=self.beta.size)
        return _Part(
            used=own.used,
            log_det=float(log_dets.sum()),
            trace=traces(s, effective, active) if score else np.zeros(J),
            gram=own.summed(big.swapaxes(1, 2) @ u),
            inner=[None if matrix is None else own.summed(matrix) for matrix in inner],
            extra=extra,
            missing=missing,
            average=f.reshape(m * width, -1).T @ v.reshape(m * width, -1) if score else np.zeros((J, J)),
            lean=lean,
            seen=seen,
        )

    def together(self, answers: Iterable[_Part]) -> _Run:
        """Add the sums of a run of chunks, in order."""
        total = _Total.none(self.beta.size)
        chunks = []
        for part in answers:
            used = np.ix_(part.used, part.used)
            total.gram[used] += part.gram
            if part.missing is not None:
                total.missing[used] += part.missing
            for j, matrix in enumerate(part.inner):
                if matrix is not None:
                    total.inner[j][used] += matrix
            total.log_det += part.log_det
            total.trace += part.trace
            total.average += part.average
            total.lean += part.lean
            total.extra += part.extra
            if part.seen.spread is not None:
                total.past += part.seen.spread.log_likelihood
            chunks.append(part.seen)
        return _Run(total, chunks)

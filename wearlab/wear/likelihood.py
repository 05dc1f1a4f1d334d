"""One pass over the chunks: everything that the restricted likelihood, its score and its curvature are sums of.

With U = K^-1 [X y] of a block, all that is needed of G, for any coefficients beta, is U' G U and trace(K^-1 G); so one
pass gives the best beta, the criterion and the exact score together. The average information (Gilmour, Thompson and
Cullis 1995) is taken at the beta of the pass before, which costs nothing and agrees at convergence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.wear.beyond import Spread, expectation
from wearlab.wear.blocks import Floats
from wearlab.wear.covariance import Readings, actions, covariance, products, structure, traces
from wearlab.wear.design import Problem
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
        any_start=bool(design.start.any()),
        any_shared=bool(design.shared.any()),
    )


def passed(
    work: Work,
    local: tuple[Local, ...],
    theta: Floats,
    beta: Floats,
    active: NDArray[np.bool_],
    *,
    workers: int = 2,
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
        A covariance is not positive definite.
    """
    design = work.design
    n, p = design.n, design.p
    readings = readings_of(work)
    y, values = np.append(work.y, 0.0), design.values()
    path, repeat = (bool(active[INDEX[name]]) or theta[INDEX[name]] > 0 for name in ("path", "repeat"))
    z, by_others, variance = np.zeros(n + 1), np.zeros(n + 1), np.ones(n + 1)
    expected = np.append(work.y, 0.0)
    bounded = beyond and bool(design.data.bound.any())

    def one(number: int) -> _Part:
        chunk, design_of = design.blocks.chunks[number], local[number]
        s = structure(chunk, readings, path=path, repeat=repeat)
        m, width = chunk.rows.shape
        big = np.concatenate([design_of.design(values, m, width), y[chunk.rows][:, :, None]], axis=2)
        inverse, log_dets = inverse_of(covariance(s, theta))
        inverse[:, np.arange(width), np.arange(width)] *= s.real
        u = inverse @ big
        gamma = np.concatenate([-design_of.at(beta), np.ones((m, 1))], axis=1)
        w = (u @ gamma[:, :, None])[:, :, 0]
        told, effective, extra, missing = None, inverse, 0.0, None
        if bounded:
            old = work.spread.get(number)
            if old is not None:
                drawn = old.drawn(inverse)
                effective, extra = inverse - drawn, old.gram(inverse)
                missing = big.swapaxes(1, 2) @ (drawn @ big)
            told = expectation(chunk, design, inverse, w, y[chunk.rows])
        f = actions(s, w, active) if score else np.zeros((m, width, 0))
        v = inverse @ f
        if look:
            diagonal = np.einsum("mii->mi", inverse)
            inside = s.real > 0
            rows = chunk.rows[inside]
            z[rows] = w[inside] / np.sqrt(diagonal[inside])
            variance[rows] = 1.0 / diagonal[inside]
            by_others[rows] = y[rows] - w[inside] / diagonal[inside]
            if told is not None:
                expected[chunk.rows[told.block[:, None], told.place][told.real]] = told.mean[told.real]
        gram = big.swapaxes(1, 2) @ u
        return _Part(
            number=number,
            log_det=float(log_dets.sum()),
            trace=traces(s, effective, active) if score else np.zeros(J),
            gram=gram,
            inner=products(s, u, active) if score else [],
            extra=extra,
            missing=missing,
            average=f.reshape(m * width, -1).T @ v.reshape(m * width, -1) if score else np.zeros((J, J)),
            lean=u[:, :, :-1].swapaxes(1, 2) @ f,
            told=told,
        )

    gram, inner = np.zeros((p + 1, p + 1)), np.zeros((J, p + 1, p + 1))
    missing = np.zeros((p + 1, p + 1))
    trace, average, lean = np.zeros(J), np.zeros((J, J)), np.zeros((J, p))
    log_det = extra = past = 0.0
    spread: dict[int, Spread] = {}
    for part in _parts(one, len(local), workers):
        design_of = local[part.number]
        used = np.ix_(design_of.used, design_of.used)
        gram[used] += design_of.summed(part.gram)
        if part.missing is not None:
            missing[used] += design_of.summed(part.missing)
        for j, matrix in enumerate(part.inner):
            if matrix is not None:
                inner[j][used] += design_of.summed(matrix)
        fixed = design_of.columns >= 0
        for j in np.flatnonzero(active).tolist() if score else ():
            lean[j] += np.bincount(design_of.columns[fixed], part.lean[:, :, j][fixed], minlength=p)
        log_det += part.log_det
        trace += part.trace
        average += part.average
        extra += part.extra
        if part.told is not None:
            past += part.told.log_likelihood
            spread[part.number] = part.told
    gram[p, p] += extra
    sums = Sums(gram, log_det, trace, inner, average, lean, missing[:p, :p], past + 0.5 * extra)
    return sums, Looked(z[:n], variance[:n], by_others[:n], expected[:n], spread) if look else None


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    number: int
    log_det: float
    trace: Floats
    gram: Floats
    inner: list[Floats | None]
    extra: float
    missing: Floats | None
    average: Floats
    lean: Floats
    told: Spread | None


def _parts(one: Callable[[int], _Part], count: int, workers: int) -> Iterator[_Part]:
    """Yield the parts in order, so that sums do not depend on which thread was faster."""
    if workers < 2 or count < 2:
        yield from (one(k) for k in range(count))
        return
    with ThreadPoolExecutor(workers) as pool:
        yield from pool.map(one, range(count))

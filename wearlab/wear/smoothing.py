"""The true level at every reading, told by all readings of its block."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain

import numpy as np

from wearlab.wear.blocks import Floats
from wearlab.wear.covariance import PATH, REPEAT, covariance, signal, structure
from wearlab.wear.evaluated import Evaluated
from wearlab.wear.executor import ALONE, Executor
from wearlab.wear.inverse import inverse_of
from wearlab.wear.likelihood import Begun, Work
from wearlab.wear.local import Local
from wearlab.wear.state import Kinds, given, padded_of, true_columns


def smoothed(
    work: Work, local: tuple[Local, ...], theta: Floats, found: Evaluated, executor: Executor = ALONE
) -> tuple[Floats, Floats]:
    """Return mean and variance (N,) of the true level at every reading, on the working scale."""
    design = work.design
    mean, variance = np.zeros(design.n), np.zeros(design.n)
    task = Smoothing(theta, found.beta, padded_of(found.covariance))
    told = chain.from_iterable(executor.over(task, work, local))
    for chunk, (level, spread) in zip(design.blocks.chunks, told, strict=True):
        rows = chunk.rows[chunk.rows < design.n]
        mean[rows], variance[rows] = level, spread
    return mean, np.maximum(variance, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Smoothing:
    """The true level at every reading as a task; fields as in `Posteriors`."""

    theta: Floats
    beta: Floats
    padded: Floats

    def begin(self, work: Work, local: tuple[Local, ...]) -> tuple[Begun, Kinds]:
        """Make ready what all chunks share."""
        return Begun.of(work, local), Kinds.of(work.design)

    def one(self, begun: tuple[Begun, Kinds], number: int) -> tuple[Floats, Floats]:
        """Return mean and variance at the readings of one chunk, in the order of its rows."""
        shared, kinds = begun
        theta, own = self.theta, shared.local[number]
        chunk = shared.work.design.blocks.chunks[number]
        s = structure(chunk, shared.readings, path=theta[PATH] > 0, repeat=theta[REPEAT] > 0)
        x = own.design(shared.values, *chunk.rows.shape)
        inverse, _ = inverse_of(covariance(s, theta))
        coefficients = own.at(self.beta)
        w = (inverse @ (shared.y[chunk.rows][:, :, None] - x @ coefficients[:, :, None]))[:, :, 0] * s.real
        reach = signal(s, theta)
        fixed = x * true_columns(kinds, own)[:, None, :]
        spread = shared.work.spread.get(number)
        told, change = given(reach, fixed, inverse, w, coefficients, x, self.padded, own, spread)
        inside = s.real > 0
        return told[inside], np.einsum("mii->mi", reach + change)[inside]

    def together(self, answers: Iterable[tuple[Floats, Floats]]) -> list[tuple[Floats, Floats]]:
        """Return the chunks of a run one after the other."""
        return list(answers)

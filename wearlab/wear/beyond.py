"""Readings beyond the scale: what they are expected to be, given everything else of their block.

The E-step of an EM algorithm. Given coefficients and variances, the readings beyond the scale of one block are jointly
normal given its measured readings, and lie in a box; their mean and covariance inside it replace them in the M-step
through E[y] and E[yy'].
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi

import numpy as np
from numpy.typing import NDArray

from wearlab.wear.blocks import Chunk, Floats, Ints
from wearlab.wear.design import Problem
from wearlab.wear.truncated import truncated_moments


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Readings beyond the scale of k blocks of a chunk, at most c in each.

    `block` (k,) numbers the block, `place` (k, c) the reading within it, `real` (k, c) is false for padding; `mean`
    (k, c) and `covariance` (k, c, c) on the working scale. `log_likelihood` is what their being beyond the scale adds
    to that of the measured readings, beside the completed quadratic form.
    """

    block: Ints
    place: Ints
    real: NDArray[np.bool_]
    mean: Floats
    covariance: Floats
    log_likelihood: float

    def drawn(self, inverse: Floats) -> Floats:
        """Return K^-1 S K^-1 (m, n, n), S the covariance of the readings beyond the scale."""
        out = np.zeros_like(inverse)
        side = np.take_along_axis(inverse[self.block], self.place[:, None, :], axis=2)
        out[self.block] = side @ self.covariance @ side.swapaxes(1, 2)
        return out

    def of(self, blocks: Ints) -> Spread | None:
        """Return the same of some blocks (b,), which rise, numbered anew; without its share of the likelihood."""
        kept = np.isin(self.block, blocks)
        if not kept.any():
            return None
        return Spread(
            block=np.searchsorted(blocks, self.block[kept]),
            place=self.place[kept],
            real=self.real[kept],
            mean=self.mean[kept],
            covariance=self.covariance[kept],
            log_likelihood=0.0,
        )

    def gram(self, inverse: Floats) -> float:
        """Return the sum of trace(K^-1 S)."""
        corner = inverse[self.block[:, None, None], self.place[:, :, None], self.place[:, None, :]]
        return float(np.sum(corner * self.covariance))


def expectation(chunk: Chunk, design: Problem, inverse: Floats, w: Floats, y: Floats) -> Spread | None:
    """Return the moments of a chunk's readings beyond the scale; None where it has none.

    `inverse` (m, n, n) is K^-1, `w` (m, n) is K^-1 times the residual, `y` (m, n) the working values it was taken at
    (those of readings beyond the scale do not matter).
    """
    bound = np.append(design.data.bound, 0)[chunk.rows]
    beyond = bound != 0
    block = np.flatnonzero(beyond.any(axis=1))
    if block.size == 0:
        return None
    most = int(beyond.sum(axis=1).max())
    place = np.argsort(~beyond[block], axis=1, kind="stable")[:, :most]
    real = np.take_along_axis(beyond[block], place, axis=1)
    both = real[:, :, None] & real[:, None, :]
    corner = inverse[block[:, None, None], place[:, :, None], place[:, None, :]]
    corner = np.where(both, corner, np.eye(most))
    covariance = np.linalg.inv(corner)
    side = np.where(real, np.take_along_axis(w[block], place, axis=1), 0.0)
    pull = (covariance @ side[:, :, None])[:, :, 0]
    mean = np.where(real, np.take_along_axis(y[block], place, axis=1) - pull, 0.0)
    limit = np.append(design.y, 0.0)[np.take_along_axis(chunk.rows[block], place, axis=1)]
    sense = np.take_along_axis(bound[block], place, axis=1)
    moments = truncated_moments(
        mean,
        0.5 * (covariance + covariance.swapaxes(1, 2)),
        np.where(sense > 0, limit, -np.inf),
        np.where(sense < 0, limit, np.inf),
    )
    count = int(real.sum())
    log_det = float(np.linalg.slogdet(covariance)[1].sum())
    return Spread(
        block=block,
        place=place,
        real=real,
        mean=np.where(real, moments.mean, 0.0),
        covariance=np.where(both, moments.covariance, 0.0),
        log_likelihood=0.5 * (count * log(2 * pi) + log_det + float(np.sum(side * pull)))
        + float(np.sum(moments.log_probability)),
    )

"""What readings say of causes after every visit: z, and the standard deviation of a size.

With u = L^-1 d of a cause and w, W as in `innovations`, the best size is u'w / v and z = u'w / sqrt(v), where
v = u'u - (W'u)' C (W'u): Rao's score test with known variances. All are sums over readings in the order of visits, so
that the answer after every visit is a partial sum of the same terms. v does not depend on the readings: it is worked
out once and serves any number of series. No array holds readings by causes by fixed effects.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from wearlab.control.innovations import Whitened
from wearlab.wear.blocks import Floats, Ints

#: A cause that its block's readings tell this share of what they would tell without fixed effects is not told at all.
LEAST_TOLD = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class CauseScores:
    """c causes of the m blocks of a chunk: u (m, n, c), and `sd` (m, T, c) of a size after every visit, 0: not told.

    `visit` (m, n) are the visits of the readings, -1 for padding; sizes are on the working scale.
    """

    visit: Ints
    u: Floats
    sd: Floats

    @classmethod
    def of(cls, white: Whitened, d: Floats) -> CauseScores:
        """Work out what causes d (m, n, c) tell after every visit."""
        u = white.inverse @ d
        squares = u * u
        m, _, c = u.shape
        # with C = R R' the fixed effects take the squares of (W R)'u, which needs no product by C
        across = (white.wx @ roots(white.covariance)).swapaxes(1, 2)
        plain, side = np.zeros((m, c)), np.zeros((m, across.shape[1], c))
        # of all the visits: before its onset a cause has no more than rounding in u
        least = LEAST_TOLD * np.maximum(squares.sum(axis=1), 1e-300)
        visits = int(white.visit.max()) + 1
        sd = np.zeros((m, visits, c))
        for visit in range(visits):
            at, here = _of_visit(white.visit, visit)
            plain += (here @ squares[:, at])[:, 0]
            side += (across[:, :, at] * here) @ u[:, at]
            left = plain - np.einsum("mqc,mqc->mc", side, side)
            good = left > least
            sd[:, visit] = np.where(good, 1.0 / np.sqrt(np.where(good, left, 1.0)), 0.0)
        return cls(white.visit, u, sd)

    def by_visit(self, w: Floats) -> Iterator[Floats]:
        """Yield z (m, R, c) after every visit, 0 where nothing is told, of R series w (m, R, n)."""
        told = np.zeros((*w.shape[:2], self.u.shape[2]))
        for visit in range(self.sd.shape[1]):
            at, here = _of_visit(self.visit, visit)
            told += (w[:, :, at] * here) @ self.u[:, at]
            yield told * self.sd[:, visit, None, :]

    def largest(self, w: Floats) -> Floats:
        """Return the largest |z| over all causes after every visit, (m, R, T), of R series w (m, R, n)."""
        return np.stack([np.maximum(z.max(axis=2), -z.min(axis=2)) for z in self.by_visit(w)], axis=2)

    def newest(self, w: Floats) -> tuple[Floats, Floats]:
        """Return the largest |z| before and after the newest visit of each block, (m, R) each, of series w (m, R, n).

        What `largest` returns at these two visits, without the visits between; 0 before a block's only visit.
        """
        last = self.visit.max(axis=1)
        here = np.arange(last.size)
        new = (self.visit == last[:, None])[:, None, :]
        earlier = np.where((last > 0)[:, None], self.sd[here, np.maximum(last - 1, 0)], 0.0)
        told = (w * ~new) @ self.u
        before = told * earlier[:, None, :]
        told += (w * new) @ self.u
        told *= self.sd[here, np.maximum(last, 0)][:, None, :]
        return np.maximum(before.max(axis=2), -before.min(axis=2)), np.maximum(told.max(axis=2), -told.min(axis=2))


def roots(covariance: Floats) -> Floats:
    """Return R (m, q, q) with C = R R' of covariances that may have rows of zeros."""
    unused = np.einsum("mii->mi", covariance) <= 0
    at = np.arange(covariance.shape[1])
    filled = covariance.copy()
    filled[:, at, at] += unused
    try:
        root = np.linalg.cholesky(filled) * ~unused[:, :, None]
    except np.linalg.LinAlgError:  # columns that settle each other to the last digit
        values, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    return np.asarray(root, dtype=np.float64)


def _of_visit(visit: Ints, number: int) -> tuple[slice, Floats]:
    """Return the places at which any block has readings of a visit, and which of them are, (m, 1, places)."""
    here = visit == number
    places = np.flatnonzero(here.any(axis=0))
    at = slice(int(places[0]), int(places[-1]) + 1) if places.size else slice(0, 0)
    return at, here[:, None, at].astype(np.float64)

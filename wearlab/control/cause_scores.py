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
from wearlab.wear.blocks import Floats

#: A cause that its block's readings tell this share of what they would tell without fixed effects is not told at all.
LEAST_TOLD = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class CauseScores:
    """c causes of the m blocks of a chunk: u (m, n, c), and `sd` (m, T, c) of a size after every visit, 0: not told.

    `visit` (m, n) are the visits of the readings, -1 for padding; sizes are on the working scale.
    """

    visit: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    u: Floats
    sd: Floats

    @classmethod
    def of(cls, white: Whitened, d: Floats) -> CauseScores:
        """Work out what causes d (m, n, c) tell after every visit."""
        u = white.inverse @ d
        squares = u * u
        m, _, c = u.shape
        across = white.wx.swapaxes(1, 2)
        plain, side = np.zeros((m, c)), np.zeros((m, across.shape[1], c))
        visits = int(white.visit.max()) + 1
        sd = np.zeros((m, visits, c))
        for visit in range(visits):
            here = (white.visit == visit).astype(np.float64)[:, None, :]
            plain += (here @ squares)[:, 0]
            side += (across * here) @ u
            left = plain - np.sum((white.covariance @ side) * side, axis=1)
            good = left > LEAST_TOLD * np.maximum(plain, 1e-300)
            sd[:, visit] = np.where(good, 1.0 / np.sqrt(np.where(good, left, 1.0)), 0.0)
        return cls(white.visit, u, sd)

    def by_visit(self, w: Floats) -> Iterator[Floats]:
        """Yield z (m, R, c) after every visit, 0 where nothing is told, of R series w (m, R, n)."""
        told = np.zeros((*w.shape[:2], self.u.shape[2]))
        for visit in range(self.sd.shape[1]):
            told += (w * (self.visit == visit)[:, None, :]) @ self.u
            yield told * self.sd[:, visit, None, :]

    def largest(self, w: Floats) -> Floats:
        """Return the largest |z| over all causes after every visit, (m, R, T), of R series w (m, R, n)."""
        return np.stack([np.maximum(z.max(axis=2), -z.min(axis=2)) for z in self.by_visit(w)], axis=2)

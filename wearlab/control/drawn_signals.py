"""How often a group's own series would signal by chance, drawn many series at a time.

What a cause tells after each visit (the sd of its size) does not depend on the readings: it is worked out once, visit
by visit, so that no array holds readings by causes by fixed effects. After that a draw costs one product a visit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from wearlab.control import budget
from wearlab.control.budget import FalseSignals
from wearlab.control.innovations import Whitened
from wearlab.control.signatures import LEAST_TOLD, signatures
from wearlab.wear.blocks import Floats
from wearlab.wear.scale_fit import ScaleFit

#: Numbers held at a time for draws of one chunk.
HELD = 1_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """All causes of a chunk: u = L^-1 d (m, n, c), and `sd` (m, T, c) of a size after every visit, 0: not told."""

    white: Whitened
    u: Floats
    sd: Floats

    @classmethod
    def of(cls, white: Whitened, d: Floats) -> Prepared:
        """Work out what causes d (m, n, c) tell after every visit."""
        u = white.inverse @ d
        visits = int(white.visit.max()) + 1
        m, _, c = u.shape
        sd = np.zeros((m, visits, c))
        plain = np.zeros((m, c))
        side = np.zeros((m, white.wx.shape[2], c))
        across = white.wx.swapaxes(1, 2)
        for visit in range(visits):
            here = (white.visit == visit).astype(np.float64)
            mine = u * here[:, :, None]
            plain += np.einsum("mnc,mnc->mc", mine, mine)
            side += across @ mine
            left = plain - np.einsum("mqc,mqc->mc", white.covariance @ side, side)
            good = left > LEAST_TOLD * np.maximum(plain, 1e-300)
            sd[:, visit] = np.where(good, 1.0 / np.sqrt(np.where(good, left, 1.0)), 0.0)
        return cls(white, u, sd)

    def newest(self, w: Floats) -> Floats:
        """Return the largest |z| over all causes after every visit, (m, R, T), of R drawn series w (m, R, n)."""
        m, draws, _ = w.shape
        visits = self.sd.shape[1]
        out = np.zeros((m, draws, visits))
        told = np.zeros((m, draws, self.u.shape[2]))
        for visit in range(visits):
            here = (self.white.visit == visit).astype(np.float64)
            told += (w * here[:, None, :]) @ self.u
            out[:, :, visit] = (np.abs(told) * self.sd[:, visit][:, None, :]).max(axis=2)
        return out


def drawn_signals(fit: ScaleFit, thetas: Sequence[Floats] = (), *, seed: int = 1) -> FalseSignals:
    """Return how often a group's own series would signal if nothing happened; see `budget.false_signals`."""
    rng = np.random.default_rng(seed)
    picked = budget._picked(fit, rng)
    chunks = [Prepared.of(white, signatures(white).d) for white in budget._sampled(fit, picked)]
    last = [budget._newest_visit(chunk.white) for chunk in chunks]
    visits = sum(int((one + 1).sum()) for one in last)
    grid = budget._GRID
    if not visits:
        return FalseSignals(grid, np.zeros(grid.size))
    rounds = max(-(-budget.VISITS // visits), 2 * len(thetas))
    truths: list[list[Floats] | None] = [[w.lower for w in budget._sampled(fit, picked, one)] for one in thetas]
    turns = truths or [None]
    each = -(-rounds // len(turns))
    counts, seen = np.zeros(grid.size), 0
    for truth in turns:
        for k, chunk in enumerate(chunks):
            for some in _batches(chunk, each):
                w = _noise(chunk.white, None if truth is None else truth[k], some, rng)
                highest = chunk.newest(w)
                real = np.arange(highest.shape[2])[None, None, :] <= last[k][:, None, None]
                highest = np.where(real, highest, 0.0)
                # a signal begins at every limit that the visit passes and the one before did not
                before = np.concatenate([np.zeros_like(highest[:, :, :1]), highest[:, :, :-1]], axis=2)
                top = np.searchsorted(grid, highest, side="right")
                low = np.minimum(np.searchsorted(grid, before, side="right"), top)
                counts += _spans(low, top, grid.size)
                seen += int(real.sum()) * some
    return FalseSignals(grid, budget._tail(counts, seen))


def _batches(chunk: Prepared, draws: int) -> list[int]:
    """Return how many series are drawn at a time."""
    m, _, c = chunk.u.shape
    most = max(HELD // (m * c), 1)
    full, rest = divmod(draws, most)
    return [most] * full + [rest] * (rest > 0)


def _spans(
    low: np.ndarray[tuple[int, ...], np.dtype[np.intp]], top: np.ndarray[tuple[int, ...], np.dtype[np.intp]], size: int
) -> Floats:
    """Return how many spans [low, top) hold each place."""
    begun = np.bincount(low.ravel(), minlength=size + 1)
    ended = np.bincount(top.ravel(), minlength=size + 1)
    return np.cumsum(begun - ended)[:size].astype(np.float64)


def _noise(white: Whitened, lower: Floats | None, draws: int, rng: np.random.Generator) -> Floats:
    """Return w (m, R, n) of readings without any cause: noise less the fixed effects fitted to it and to the rest."""
    real = white.real
    g = rng.standard_normal((real.shape[0], draws, real.shape[1])) * real[:, None, :]
    if lower is not None:
        g = g @ (white.inverse @ lower).swapaxes(1, 2)
    if not white.wx.shape[2]:
        return g
    own = white.covariance @ white.wx.swapaxes(1, 2)
    rest = white.covariance - own @ white.wx @ white.covariance
    values, vectors = np.linalg.eigh(0.5 * (rest + rest.swapaxes(1, 2)))
    root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    off = g @ own.swapaxes(1, 2) + rng.standard_normal((values.shape[0], draws, values.shape[1])) @ root.swapaxes(1, 2)
    return np.asarray(g - off @ white.wx.swapaxes(1, 2), dtype=np.float64)

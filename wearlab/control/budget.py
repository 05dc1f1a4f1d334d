"""How large a z must be to signal, so that the whole fleet raises no more false signals a month than it may.

After every visit the largest |z| over all causes that its block's readings tell is compared with one limit. Under no
cause at all its chance to pass a limit depends on how many visits, parts and causes the series really have and on how
they overlap, so it is simulated on the fleet's own blocks: noise in place of the readings, the same signatures, the
fixed effects estimated again, and in small groups variances drawn from what is known of them. A signal that lasts over
visits counts once. Beyond what the draws reach, the chance falls like a normal tail.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import exp, inf, log

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from wearlab.control.cause_scores import CauseScores
from wearlab.control.innovations import Whitened, whitened
from wearlab.control.signatures import signatures
from wearlab.errors import InputError
from wearlab.wear.blocks import Floats
from wearlab.wear.scale_fit import ScaleFit

#: Visits simulated for each group, over all its draws; and blocks used at most.
VISITS = 60_000
BLOCKS = 240
#: New signals that a limit must have seen in the draws, to be trusted without the normal tail.
SEEN = 60
#: Numbers held at a time for series drawn of one chunk.
HELD = 1_000_000
#: Limits at which the chance is counted.
_GRID = np.arange(1.5, 7.01, 0.05)


@dataclass(frozen=True, slots=True, eq=False)
class FalseSignals:
    """Chance of a new false signal at one visit, by limit: `limit` and `chance`, both (G,), falling."""

    limit: Floats
    chance: Floats

    def at(self, limit: float) -> float:
        """Return the chance of a new false signal at a visit under a limit."""
        return float(exp(np.interp(limit**2, self.limit**2, np.log(np.maximum(self.chance, 1e-300)))))


def false_signals(fit: ScaleFit, thetas: Sequence[Floats] = (), *, seed: int = 1) -> FalseSignals:
    """Return how often a group's own series would signal if nothing happened.

    `thetas` are draws of the variances, each (10,) per working exposure; none: they are taken as known.
    """
    rng = np.random.default_rng(seed)
    picked = _picked(fit, rng)
    chunks = _sampled(fit, picked)
    # the series are always judged at the fitted variances; what is not known of them is in the noise
    causes = [CauseScores.of(white, signatures(white).d) for white in chunks]
    last = [np.asarray(white.visit.max(axis=1), dtype=np.int64) for white in chunks]
    visits = sum(int((one + 1).sum()) for one in last)
    if not visits:
        return FalseSignals(_GRID, np.zeros(_GRID.size))
    rounds = max(-(-VISITS // visits), 2 * len(thetas))
    turns: list[list[Floats] | None] = [[white.lower for white in _sampled(fit, picked, theta)] for theta in thetas]
    turns = turns or [None]
    each = -(-rounds // len(turns))
    counts, seen = np.zeros(_GRID.size), 0
    for truth in turns:
        for k, white in enumerate(chunks):
            for some in _batches(causes[k], each):
                w = _noise(white, None if truth is None else truth[k], some, rng)
                highest = causes[k].largest(w)
                real = np.arange(highest.shape[2])[None, None, :] <= last[k][:, None, None]
                counts += _begun(np.where(real, highest, 0.0))
                seen += int(real.sum()) * some
    return FalseSignals(_GRID, _tail(counts, seen))


def limit_for(budget: float, groups: Iterable[tuple[FalseSignals, float]]) -> float:
    """Return the one limit under which groups, each with its visits a month, raise `budget` false signals a month.

    Raises
    ------
    InputError
        The budget is not above zero.
    """
    if not budget > 0:
        raise InputError(f"the number of false signals a month is above 0, not {budget}")
    known = [(found, visits) for found, visits in groups if visits > 0]

    def expected(limit: float) -> float:
        return sum(found.at(limit) * visits for found, visits in known)

    low, high = float(_GRID[0]), float(_GRID[-1])
    if not known or expected(low) <= budget:
        return low
    if expected(high) >= budget:
        return inf
    return float(brentq(lambda h: log(max(expected(h), 1e-300)) - log(budget), low, high, xtol=1e-4))


def _tail(counts: Floats, seen: int) -> Floats:
    """Return chances that fall: counted where enough signals were seen, a normal tail beyond."""
    chance = counts / max(seen, 1)
    # at low limits signals merge into one long one, so that fewer begin: a lower limit is never told as quieter
    chance = np.maximum.accumulate(chance[::-1])[::-1]
    enough = np.flatnonzero(counts >= SEEN)
    last = int(enough[-1]) if enough.size else 0
    beyond = np.arange(counts.size) > last
    tail = chance[last] * np.exp(-0.5 * (_GRID**2 - _GRID[last] ** 2))
    return np.asarray(np.where(beyond, tail, chance), dtype=np.float64)


def _batches(causes: CauseScores, draws: int) -> list[int]:
    """Return how many series are drawn at a time."""
    m, _, c = causes.u.shape
    most = max(HELD // (m * c), 1)
    full, rest = divmod(draws, most)
    return [most] * full + [rest] * (rest > 0)


def _begun(highest: Floats) -> Floats:
    """Return how many signals begin at every limit: visits (m, R, T) that pass it after one that did not."""
    before = np.concatenate([np.zeros_like(highest[:, :, :1]), highest[:, :, :-1]], axis=2)
    top = np.searchsorted(_GRID, highest, side="right")
    low = np.minimum(np.searchsorted(_GRID, before, side="right"), top)
    size = _GRID.size
    more, fewer = (np.bincount(place.ravel(), minlength=size + 1) for place in (low, top))
    return np.cumsum(more - fewer)[:size].astype(np.float64)


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


def _picked(fit: ScaleFit, rng: np.random.Generator) -> list[NDArray[np.intp]]:
    """Return, for every chunk, the blocks of a random sample of the fleet."""
    sizes = [chunk.rows.shape[0] for chunk in fit.design.blocks.chunks]
    share = min(BLOCKS / max(sum(sizes), 1), 1.0)
    return [np.flatnonzero(rng.random(size) < share) for size in sizes]


def _sampled(fit: ScaleFit, picked: Sequence[NDArray[np.intp]], theta: Floats | None = None) -> list[Whitened]:
    """Return the chunks cut down to the picked blocks, those without any left out."""
    return [white.take(kept) for white, kept in zip(whitened(fit, theta), picked, strict=True) if kept.size]

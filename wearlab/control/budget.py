"""How large a z must be to signal, so that the whole fleet raises no more false signals a month than it may.

After every visit the largest |z| over all causes that its block's readings tell is compared with one limit. Under no
cause at all its chance to pass a limit depends on how many visits, parts and causes the series really have and on how
they overlap, so it is simulated on the fleet's own blocks: noise in place of the readings, the same signatures, the
fixed effects estimated again. What counts is the newest visit of each block, for that is where the next false signal
comes from: earlier visits had fewer causes to be mistaken for. A signal that lasts over visits counts once. Beyond what
the draws reach, the chance falls like a normal tail.

In a small group the variances are known badly, and were estimated from the very readings that are judged. Noise of
variances as they may be passes a limit more often than noise of the fitted ones; but a large error in the readings has
also widened what the fit holds for usual, which takes off twice as much. With r the relative sd of a variance and h the
limit, to second order the first raises the logarithm of the chance by r^2 h^4 / 8 and the second lowers it by
r^2 h^4 / 4, as in the law of a residual divided by the sd of all residuals. So the chance is as far below that of the
fitted variances as that of the drawn ones is above. `studies/false_signals.py` counts what it leads to.
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

#: Newest visits simulated for each group, over all its draws; and blocks used at most.
VISITS = 30_000
BLOCKS = 240
#: New signals that a limit must have seen in the draws, to be trusted without the normal tail.
SEEN = 60
#: Variances known so badly that they change the chance by more are beyond the second order: no more is taken off.
LEAST_SHARE = 0.5
#: Numbers held at a time for series drawn of one chunk.
HELD = 1_000_000
#: Limits at which the chance is counted.
_GRID = np.arange(1.5, 7.01, 0.05)


@dataclass(frozen=True, slots=True, eq=False)
class FalseSignals:
    """Chance of a new false signal at a newest visit, by limit: `limit` and `chance`, both (G,), falling."""

    limit: Floats
    chance: Floats

    def at(self, limit: float) -> float:
        """Return the chance of a new false signal at a visit under a limit."""
        return float(exp(np.interp(limit**2, self.limit**2, np.log(np.maximum(self.chance, 1e-300)))))


def false_signals(fit: ScaleFit, thetas: Sequence[Floats] = (), *, seed: int = 1) -> FalseSignals:
    """Return how often a group's own series would signal if nothing happened.

    `thetas` are equally likely variances of a small group, each (10,) per working exposure; none: the fitted ones are
    taken as known.
    """
    rng = np.random.default_rng(seed)
    picked = _picked(fit, rng)
    chunks = _sampled(fit, picked)
    causes = [CauseScores.of(white, signatures(white).d) for white in chunks]
    blocks = sum(int((white.visit.max(axis=1) >= 0).sum()) for white in chunks)
    if not blocks:
        return FalseSignals(_GRID, np.zeros(_GRID.size))
    turns = max(len(thetas), 1)
    each = -(-max(-(-VISITS // blocks), 2 * turns) // turns)
    counts = np.zeros((2, _GRID.size))
    for turn in range(turns):
        ways: list[list[Floats] | None] = [None]
        if thetas:
            ways.append([white.lower for white in _sampled(fit, picked, thetas[turn])])
        for way, truth in enumerate(ways):
            own = np.random.default_rng((seed, turn))  # the same noise both ways, so that they differ by no chance
            for k, white in enumerate(chunks):
                for some in _batches(causes[k], each):
                    w = _noise(white, None if truth is None else truth[k], some, own)
                    counts[way] += _begun(*causes[k].newest(w))
    seen = blocks * each * turns
    fitted = _tail(counts[0], seen)
    if not thetas:
        return FalseSignals(_GRID, fitted)
    share = np.clip(fitted / np.maximum(_tail(counts[1], seen), 1e-300), LEAST_SHARE, 1.0)
    return FalseSignals(_GRID, np.maximum.accumulate((fitted * share)[::-1])[::-1])


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


def _begun(before: Floats, now: Floats) -> Floats:
    """Return how many signals begin at every limit: newest visits (m, R) that pass it after one that did not."""
    top = np.searchsorted(_GRID, now, side="right")
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
    return list(whitened(fit, theta, picked=picked))

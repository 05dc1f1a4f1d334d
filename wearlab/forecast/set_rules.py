"""The chance over distance that a rule on a whole set fails, by simulation from the vehicle's joint posterior.

Levels of all parts are drawn together (`paths`) at a grid of distances, and the figure of every rule is looked at on
each draw. Between two distances a figure that passes at both may have failed in between: for a Wiener path the chance
of that is exp(-2 a b / v) with a and b the room left at either end and v what the path's variance is over the step
(the law of the highest point of a Brownian bridge). v is taken from the mirrored draws, half of whose difference is
the path's own doing, those near the line counting most. So a draw carries the chance that it still passes, and the
grid may be coarse.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from wearlab.errors import InputError
from wearlab.forecast.paths import DRAWS, Array, Paths, Singles, draw_paths
from wearlab.forecast.set_figures import Flags, SetRule, compared, in_unit, lines
from wearlab.wear.blocks import Ints
from wearlab.wear.joint import Joint
from wearlab.wear.mixture import Mixture

#: Draws of levels worked on at once, small enough to stay near the processor.
_CHUNK = 1_500_000
#: A figure this many times its line is no nearer to it than one further out.
_FAR = np.float32(4.0)
#: How fast draws count for less with their distance from the line, as shares of the line, mirrored draws together.
_NEAR = np.float32(-2.0)
#: Quantiles of a figure: middle and both ends of a 90 % interval.
_CHANCES = (0.5, 0.05, 0.95)


@dataclass(frozen=True, slots=True, eq=False)
class Sets:
    """M sets of L parts.

    Attributes
    ----------
    places : (M, L) places of the parts in the mixture, -1 where a position has no part with a level.
    complete : (M,) whether every position that the engine has is among them; the number of positions must be known.
    valid : (M, L) whether a part may serve as the lowest of its set: neither new nor under suspicion.
    exposure : (M, T, L) exposure of the parts at the distances looked at: at the latest test first, then today, then
        ahead, rising.
    test_at : (M,) the next test's place among them, see `draw_paths`.
    """

    places: Ints
    complete: Flags
    valid: Flags
    exposure: Array
    test_at: Array


@dataclass(frozen=True, slots=True, eq=False)
class Fate:
    """One rule on M sets, K figures each (parts or totals).

    `chance` (M, K, T) that the rule has failed by then. `tested`, `now`, `reading` (M, K, 3) are middle, 5 and 95 %
    points of the figure's true value at the latest test and today, and of what the next test would show;
    `reading_fails` (M, K) is the chance that the next test fails the rule.
    """

    chance: Array
    tested: Array
    now: Array
    reading: Array
    reading_fails: Array


def fates(
    mixture: Mixture,
    joint: Sequence[Joint],
    sets: Sets,
    rules: Sequence[SetRule],
    *,
    seed: int = 1,
    draws: int = DRAWS,
    workers: int = 2,
) -> tuple[Fate, ...]:
    """Return what becomes of every rule, all judged on the same draws; the result does not depend on `workers`.

    Raises
    ------
    InputError
        The arrays do not fit together.
    """
    count, width = sets.places.shape
    times = sets.exposure.shape[1]
    if sets.exposure.shape != (count, times, width) or sets.valid.shape != (count, width) or times < 2:
        raise InputError("sets need their exposures (M, T, L) at two distances or more, and valid (M, L)")
    if any(rule.limit.shape != (count,) for rule in rules):
        raise InputError("a rule on sets has one limit a set")
    size = max(1, _CHUNK // (width * draws * times))
    parts = [slice(first, min(first + size, count)) for first in range(0, count, size)]

    def one(number: int) -> list[Fate]:
        rows = parts[number]
        own = [Joint(told.mean[rows], told.covariance[rows], told.wider) for told in joint]
        drawn = draw_paths(
            mixture,
            own,
            sets.places[rows],
            sets.exposure[rows],
            np.random.default_rng([seed, number]),
            draws,
            test_at=sets.test_at[rows],
        )
        known, valid, complete = sets.places[rows] >= 0, sets.valid[rows], sets.complete[rows]
        return [_fate(_rows(rule, rows), drawn, known, valid & known, complete) for rule in rules]

    with ThreadPoolExecutor(max(workers, 1)) as pool:
        made = list(pool.map(one, range(len(parts))))
    return tuple(_joined([chunk[k] for chunk in made]) for k in range(len(rules)))


def _rows(rule: SetRule, rows: slice) -> SetRule:
    return SetRule(rule.kind, rule.limit[rows], rule.totals, rule.falls)


def _fate(rule: SetRule, drawn: Paths, known: Flags, valid: Flags, complete: Flags) -> Fate:
    if drawn.reading is None:
        raise InputError("the paths were drawn without a next test")
    low, high = lines(rule, complete)
    sides = ((high, 1.0), (low, -1.0))
    passing = [_Passing(line, sign) for line, sign in sides if (np.isfinite(line) & (line > 0)).any()]
    chance, told = [], []
    alive = np.ones((1, 1, 1), dtype=np.float32)
    for t, level in enumerate(drawn.level):
        figure = compared(rule, level, drawn.first, known, valid)
        if t < 2:
            told.append(_interval(in_unit(rule, figure)))
        for one in passing:
            alive = alive * one.over(figure)
        chance.append(1.0 - np.broadcast_to(alive, figure.shape).mean(axis=2, dtype=np.float64).T)
    reading = compared(rule, drawn.reading, drawn.first, known, valid)
    fails = (reading > high[None, :, None]) | (reading < low[None, :, None])
    return Fate(
        chance=np.stack(chance, axis=2),
        tested=told[0],
        now=told[1],
        reading=_interval(in_unit(rule, reading)),
        reading_fails=fails.mean(axis=2).T,
    )


class _Passing:
    """The chance that figures keep to one side of a line (M,) from one distance to the next."""

    def __init__(self, line: Array, sign: float) -> None:
        self._bounded = np.isfinite(line) & (line > 0)
        edge = np.where(self._bounded, line, 1.0).astype(np.float32)[None, :, None]
        self._inverse, self._sign = 1.0 / edge, np.float32(sign)
        self._room: Singles | None = None

    def over(self, figure: Singles) -> Singles:
        """Return the chance for the step that leads to `figure` (K, M, S); at the first one, whether it passes."""
        room = figure * self._inverse
        np.minimum(room, _FAR, out=room)
        room = self._sign * (np.float32(1.0) - room)
        if not self._bounded.all():
            room[:, ~self._bounded] = 1.0
        before, self._room = self._room, room
        if before is None:
            return np.asarray(room > 0, dtype=np.float32)
        power = np.maximum(before, np.float32(0.0))
        power *= np.maximum(room, np.float32(0.0))
        power /= np.float32(-0.5) * _spread(before, room)
        np.maximum(power, np.float32(-80.0), out=power)
        np.exp(power, out=power)
        return np.subtract(np.float32(1.0), power, out=power)


def _spread(before: Singles, after: Singles) -> Singles:
    """Variance (K, M, 1) of the path's own doing over a step, from mirrored draws of the room (K, M, S)."""
    half = before.shape[2] // 2
    step = after - before
    swing = step[:, :, :half] - step[:, :, half:]
    swing *= swing
    near = np.abs(after[:, :, :half] + after[:, :, half:])
    near *= _NEAR
    np.exp(near, out=near)
    whole = near.sum(axis=2, keepdims=True)
    swing *= near
    return np.asarray(0.25 * swing.sum(axis=2, keepdims=True) / whole + np.float32(1e-20), dtype=np.float32)


def _interval(figure: Singles) -> Array:
    """Quantiles (M, K, 3) of draws (K, M, S)."""
    ordered = np.sort(figure, axis=2)
    place = np.array([round(chance * (figure.shape[2] - 1)) for chance in _CHANCES])
    return ordered[:, :, place].swapaxes(0, 1).astype(np.float64)


def _joined(chunks: Sequence[Fate]) -> Fate:
    return Fate(*(np.concatenate([getattr(chunk, name) for chunk in chunks]) for name in Fate.__slots__))

"""Passage by days: the law over exposure, taken through what each vehicle will drive, with its uncertainty.

The chance of passage by a day is that by the distance driven until then, averaged over that distance:
P(T <= t) = E F(exposure at t). The distance since the last odometer reading is log-normal with mean and deviation of
`Outlook`, so that it is never negative. A law that is flat over that spread is averaged by Gauss-Hermite nodes, the
more of them the steeper it is. Beyond that the logarithm is split into a coarse and a fine normal part: nodes for the
coarse one; over the fine one the probit of F is replaced by its tangent at the likeliest point of a passage, and
E Phi(a + b Z) = Phi(a / sqrt(1 + b^2)). So a law as steep as a step is averaged as well as a flat one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from wearlab.errors import InputError
from wearlab.forecast.exposure_law import ExposureLaw
from wearlab.forecast.mixed_law import Array
from wearlab.forecast.root import Places, close_in
from wearlab.lives.outlook import Outlook

#: Days looked ahead: ten years.
MOST_DAYS = 3652.0

_COARSE = 0.5
_NODES, _WEIGHTS = hermegauss(5)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
#: days ahead at which the chance is worked out to enclose a quantile
_GRID = np.array([0.0, 15.0, 45.0, 90.0, 180.0, 365.0, 730.0, 1461.0, 2557.0, MOST_DAYS])
#: the same behind, as shares of the time since the last reading of the part
_BEHIND = np.array([1.0, 0.6, 0.3, 0.0])
#: a day is exact to this, or to this much in the probit of its chance
_DAY, _EXACT = 0.25, 1e-4
_CHUNK = 8192
#: sds of the fine part beyond which a passage is not sought
_REACH = 5.0
#: Nodes by how far the law's probit rises over one sd of the distance; their chances are good to 1e-3.
_FLAT = {(-np.inf, 1.2): 7, (1.2, 2.5): 17}
#: a law that rises by more than this is steep
_STEEP = 2.5
#: how often a steep law is asked where it is passed, and how far aside its bend is looked at, in sds of the fine part
_ASKED, _ASIDE = 3, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Travel:
    """How the exposure of P parts grows; all (P,).

    `at_last` is the exposure at the vehicle's last odometer reading, `gap` days before today; `outlook` tells the
    distance from there, `behind` the pace, km a day, on the way from the part's last reading to there.
    """

    at_last: Array
    gap: Array
    outlook: Outlook
    behind: Array

    @classmethod
    def of(
        cls, at_last: Array, gap: Array, outlook: Outlook, pace: Array, start: Array, start_days: Array | None
    ) -> Travel:
        """Find the pace behind.

        `start` (P,) is the exposure of each part's last reading, taken `start_days` (P,) ago; where those are not
        known the present `pace` (P,) is counted backwards.
        """
        if start_days is not None:
            with np.errstate(divide="ignore", invalid="ignore"):
                own = (at_last - start) / (start_days - gap)
            pace = np.where((start_days > gap) & (at_last > start), own, pace)
        return cls(at_last, gap, outlook, np.asarray(pace, dtype=np.float64))

    def driven(self, days: ArrayLike, rows: Places) -> tuple[Array, Array]:
        """Return the middle distance beyond `at_last` in days from today (n,), and the sd of its logarithm."""
        since = self.gap[rows] + np.asarray(days, dtype=np.float64)
        mean, sd = self.outlook.take(rows).distance(np.maximum(since, 0.0))
        with np.errstate(divide="ignore", invalid="ignore"):
            spread = np.sqrt(np.log1p((sd / mean) ** 2))
        spread = np.where((mean > 0) & np.isfinite(spread), spread, 0.0)
        return np.where(since > 0, mean * np.exp(-0.5 * spread**2), self.behind[rows] * since), spread


@dataclass(frozen=True, slots=True, eq=False)
class DayLaw:
    """The passage of P limits by days from today."""

    law: ExposureLaw
    travel: Travel

    def chance(self, days: ArrayLike) -> Array:
        """Return the chance of passage by days from today, (P,) or one for all; NaN where nothing is known."""
        every = np.arange(self.law.start.size)
        asked = np.broadcast_to(np.asarray(days, dtype=np.float64), every.shape)
        told = np.full(every.size, np.nan)
        good = np.flatnonzero(self.law.known & np.isfinite(self.travel.at_last) & np.isfinite(asked))
        for first in range(0, good.size, _CHUNK):
            rows = good[first : first + _CHUNK]
            told[rows] = self.chance_of(asked[rows], rows)
        return told

    def chance_of(self, days: Array, rows: Places) -> Array:
        """Return the chance of passage by days (n,) of the parts numbered (n,)."""
        driven, spread = self.travel.driven(days, rows)
        begun = self.travel.at_last[rows] - self.law.start[rows]
        probit, turn = self._turn(begun, driven, spread, rows)
        turn = turn * np.exp(spread)  # as steep as it gets one sd farther on
        total = np.where(spread > 0, 0.0, ndtr(probit))
        sure = spread <= 0
        for (least, most), count in _FLAT.items():
            own = np.flatnonzero(~sure & (turn > least) & (turn <= most))
            if own.size:
                total[own] = self._averaged(begun[own], driven[own], spread[own], rows[own], count)
        steep = np.flatnonzero(~sure & (turn > _STEEP))
        if steep.size:
            total[steep] = self._steep(begun[steep], driven[steep], spread[steep], rows[steep])
        return total

    def _averaged(self, begun: Array, driven: Array, spread: Array, rows: Places, count: int) -> Array:
        """Return the chance of a law that is flat enough for Gauss-Hermite nodes over the whole distance."""
        nodes, weights = hermegauss(count)
        total = np.zeros(rows.size)
        for node, weight in zip(nodes, weights / weights.sum(), strict=True):
            probit, _ = self.law.probit(begun + driven * np.exp(node * spread), rows)
            total += weight * ndtr(probit)
        return total

    def _steep(self, begun: Array, driven: Array, spread: Array, rows: Places) -> Array:
        """Return the chance of a law as steep as a step: nodes for the coarse part, its bent line over the fine one."""
        coarse, fine = spread * np.sqrt(_COARSE), spread * np.sqrt(1.0 - _COARSE)
        total = np.zeros(rows.size)
        for node, weight in zip(_NODES, _WEIGHTS, strict=True):
            part = driven * np.exp(node * coarse)
            likely = np.zeros(rows.size)
            for _ in range(_ASKED):
                # the likeliest value of the fine part at a passage, and the law's own line there
                value, turn = self._turn(begun, part * np.exp(likely * fine), fine, rows)
                edge = value - turn * likely
                likely = np.clip(-edge * turn / (1.0 + turn**2), -_REACH, _REACH)
            # how the line bends there
            aside = [self._turn(begun, part * np.exp((likely + by) * fine), fine, rows)[1] for by in (-_ASIDE, _ASIDE)]
            wide = 1.0 + turn**2
            bend = np.clip((aside[1] - aside[0]) / (4.0 * _ASIDE), -turn, turn)
            total += weight * ndtr((edge + bend / wide) / np.sqrt(wide))
        return total

    def _turn(self, begun: Array, part: Array, fine: Array, rows: Places) -> tuple[Array, Array]:
        """Return the probit at distances (n,), and what one sd of the fine part does to it there."""
        probit, slope = self.law.probit(begun + part, rows)
        return probit, np.where(begun + part > 0, slope * part * fine, 0.0)

    def days(self, levels: Sequence[float], *, workers: int = 2) -> Array:
        """Return the days (Q, P) from today by which each limit is passed with these chances.

        Negative: behind. Infinite: not within `MOST_DAYS`. What was passed by the part's last reading is told as
        on the day of it. NaN where nothing is known.

        Raises
        ------
        InputError
            A level is not between 0 and 1.
        """
        wanted = np.asarray(levels, dtype=np.float64)
        if not ((wanted > 0) & (wanted < 1)).all():
            raise InputError("a quantile lies between 0 and 1")
        found = np.full((wanted.size, self.law.start.size), np.nan)
        told = np.flatnonzero(self.law.known & np.isfinite(self.travel.at_last))
        chunks = [told[first : first + _CHUNK] for first in range(0, told.size, _CHUNK)]

        def work(rows: Places) -> None:
            found[:, rows] = self._days(ndtri(wanted), rows)

        _each(work, chunks, workers)
        return found

    def _days(self, wanted: Array, parts: Places) -> Array:
        travel = self.travel
        since = np.maximum(travel.at_last[parts] - self.law.start[parts], 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            before = np.where(travel.behind[parts] > 0, since / travel.behind[parts], 0.0)
        age = np.minimum(travel.gap[parts] + before, 20 * MOST_DAYS)
        places = np.concatenate([-_BEHIND[:, None] * age, np.broadcast_to(_GRID[1:, None], (_GRID.size - 1, age.size))])
        values = np.array([self._probit(days, parts) for days in places])
        values = np.maximum.accumulate(values, axis=0)
        past = values[:, None, :] >= wanted[:, None]
        first = np.where(past.any(axis=0), past.argmax(axis=0), places.shape[0])
        found = np.where(first == 0, places[0], np.inf)
        level, part = np.nonzero((first > 0) & (first < places.shape[0]))
        upper, goal = first[level, part], wanted[level]
        found[level, part] = close_in(
            lambda days, rows: self._probit(days, parts[part[rows]]) - goal[rows],
            places[upper - 1, part],
            places[upper, part],
            values[upper - 1, part] - goal,
            values[upper, part] - goal,
            value_exact=_EXACT,
            place_exact=_DAY,
        )
        return np.maximum.accumulate(found, axis=0)

    def _probit(self, days: Array, rows: Places) -> Array:
        chance = self.chance_of(days, rows)
        return np.asarray(ndtri(np.clip(chance, 1e-12, 1.0 - 1e-12)), dtype=np.float64)


def _each(work: Callable[[Places], None], chunks: Sequence[NDArray[np.intp]], workers: int) -> None:
    if workers > 1 and len(chunks) > 1:
        with ThreadPoolExecutor(workers) as pool:
            list(pool.map(work, chunks))
        return
    for rows in chunks:
        work(rows)

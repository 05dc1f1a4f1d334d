"""How usage swings over the year, where two years of readings show it: a yearly wave, shared within a depot.

Each vehicle with two years of readings gives its own wave, by least squares over months of 30 days beside a level and
a trend. The waves of one depot are averaged, and an average that is not told apart from none (1 % chance) is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtri

from wearlab.lives.logs import Array, Ints, Logs
from wearlab.lives.outlook import YEAR

_MONTH = 30.0
#: three years back; two of them must hold readings
_MONTHS = 37
_FEWEST = 24
#: a wave of pure chance is taken for a season this often
_CHANCE = 0.01
#: fewer vehicles do not tell by their differences what chance does; their wave must be this clear (chi-squared, 2
#: degrees of freedom, four times its 1 % point: the months of one vehicle hang together more than they show)
_SEVERAL, _CLEAR = 5, 4 * 9.21
#: a pace swings by no more than this share
_MOST = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class Season:
    """Shares of the pace, (V,): it is 1 + cos * cos(2 pi d / year) + sin * sin(...), d being the day of the year."""

    cos: Array
    sin: Array

    @property
    def shown(self) -> NDArray[np.bool_]:
        """Whether a vehicle has a season."""
        return np.asarray((self.cos != 0) | (self.sin != 0), dtype=np.bool_)


def seasons(logs: Logs, group: Ints, day_of_year: float) -> Season:
    """Return the season of every vehicle; `group` (V,) numbers the depots, `day_of_year` is today's."""
    size = logs.count.size
    none = Season(np.zeros(size), np.zeros(size))
    vehicle = np.flatnonzero(logs.count >= _FEWEST)
    if not vehicle.size:
        return none
    last = logs.age(logs.first[vehicle] + logs.count[vehicle] - 1)
    edges = last[:, None] + _MONTH * np.arange(_MONTHS + 1)
    many = np.repeat(vehicle, _MONTHS + 1)
    at = logs.distance_at(edges.reshape(-1), many).reshape(edges.shape)
    place = logs.at_or_before(edges.reshape(-1), many).reshape(edges.shape)
    km = at[:, :-1] - at[:, 1:]
    # a month inside a gap between readings repeats its neighbour and proves nothing
    good = np.isfinite(km) & (place[:, :-1] != place[:, 1:])
    enough = good.sum(axis=1) >= _FEWEST
    vehicle, km, good, edges = vehicle[enough], np.where(good, km, 0.0)[enough], good[enough], edges[enough]
    middle = km.sum(axis=1) / np.maximum(good.sum(axis=1), 1)
    moving = middle > 0
    vehicle, km, good, edges, middle = vehicle[moving], km[moving], good[moving], edges[moving], middle[moving]
    if not vehicle.size:
        return none
    wave, error = _waves(km / middle[:, None], good, 0.5 * (edges[:, :-1] + edges[:, 1:]), day_of_year)
    for number in np.unique(group[vehicle]):
        own = group[vehicle] == number
        # a vehicle too young to show its own has its depot's as well
        rest = np.flatnonzero(group == number)
        none.cos[rest], none.sin[rest] = _shared(wave[own], error[own])
    return none


def _waves(share: Array, good: NDArray[np.bool_], age: Array, day_of_year: float) -> tuple[Array, Array]:
    """Return the wave (n, 2) of each vehicle and the variance (n,) of either part of it."""
    turn = 2 * np.pi * (day_of_year - age) / YEAR
    # over a month the wave is flattened by this
    flat = np.sin(np.pi * _MONTH / YEAR) / (np.pi * _MONTH / YEAR)
    x = np.stack([np.ones_like(age), age / YEAR, flat * np.cos(turn), flat * np.sin(turn)], axis=2) * good[:, :, None]
    normal = x.swapaxes(1, 2) @ x + 1e-9 * np.eye(4)
    inverse = np.linalg.inv(normal)
    beta = (inverse @ (x.swapaxes(1, 2) @ share[:, :, None]))[:, :, 0]
    rest = (share - (x @ beta[:, :, None])[:, :, 0]) * good
    count = good.sum(axis=1)
    variance = (rest**2).sum(axis=1) / np.maximum(count - 4, 1)
    # neighbouring months alike tell less than as many apart
    alike = (rest[:, 1:] * rest[:, :-1]).sum(axis=1) / np.maximum((rest**2).sum(axis=1), 1e-12)
    alike = np.clip(alike, 0.0, 0.8)
    error = variance * (1 + alike) / (1 - alike) * 0.5 * (inverse[:, 2, 2] + inverse[:, 3, 3])
    return beta[:, 2:], np.maximum(error, 1e-8)


def _shared(wave: Array, error: Array) -> Array:
    """Return the wave (2,) of a depot, nothing where chance alone would show as much."""
    count = wave.shape[0]
    mean = wave.mean(axis=0)
    size = float(np.hypot(*mean))
    if count >= _SEVERAL:
        # how far its vehicles' waves lie apart holds all that chance does to them
        spread = float(((wave - mean) ** 2).sum()) / (2 * (count - 1))
        shown = size**2 * count / (2 * max(spread, 1e-12)) > float(fdtri(2, 2 * (count - 1), 1 - _CHANCE))
    else:
        shown = size**2 * count / float(error.mean()) > _CLEAR
    return np.asarray(mean * min(1.0, _MOST / size), dtype=np.float64) if shown else np.zeros(2)

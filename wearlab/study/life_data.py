"""Lives of parts as they are known: how far a part went, whether it failed there, and from where on it was watched.

A part that had already gone some way when its records begin would not be in them had it failed before: it counts only
from there on (left truncation). A part that is still fitted, or was taken out for a reason of its own, has gone at
least that far (right censoring).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wearlab.errors import InputError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class LifeData:
    """n lives, arrays (n,): `time` reached, `event` whether it failed there, `entry` from where on it was watched."""

    time: Floats
    event: Flags
    entry: Floats

    @classmethod
    def of(cls, time: ArrayLike, event: ArrayLike, entry: ArrayLike | None = None) -> LifeData:
        """Check and return lives; without `entry` all were watched from new.

        Raises
        ------
        InputError
            Arrays of unlike length, a value that is no number or below 0, or a life that ends where it was first seen.
        """
        reached = np.asarray(time, dtype=np.float64)
        failed = np.asarray(event, dtype=np.bool_)
        begun = np.zeros_like(reached) if entry is None else np.asarray(entry, dtype=np.float64)
        if reached.ndim != 1 or not reached.shape == failed.shape == begun.shape:
            raise InputError("every life needs its end, whether it failed there, and where it was first seen")
        if not (np.isfinite(reached).all() and np.isfinite(begun).all() and (begun >= 0).all()):
            raise InputError("distances of lives are numbers from 0 on")
        if not (reached > begun).all():
            raise InputError("a life ends beyond the place where it was first seen")
        return cls(reached, failed, begun)

    def __len__(self) -> int:
        return int(self.time.size)

    @property
    def failures(self) -> int:
        """How many failed."""
        return int(np.count_nonzero(self.event))

    def beyond(self, since: float) -> NDArray[np.intp]:
        """Return the places of the lives that were still watched beyond a distance."""
        return np.flatnonzero(self.time > since)

    def since(self, since: float) -> LifeData:
        """Return what is known beyond a distance, of the parts that got there."""
        kept = self.beyond(since)
        return LifeData(self.time[kept], self.event[kept], np.maximum(self.entry[kept], since))

    def watched(self, at: ArrayLike) -> Ints:
        """Return how many lives were under watch just before distances `at`, (m,)."""
        place = np.asarray(at, dtype=np.float64)
        entered = np.searchsorted(np.sort(self.entry), place, side="left")
        left = np.searchsorted(np.sort(self.time), place, side="left")
        return np.asarray(entered - left, dtype=np.int64)

    def told_from(self, least: int) -> float:
        """Return the distance from which on at least `least` lives are watched, up to where most are; NaN: nowhere.

        Where the history starts late few parts are watched at first, and one failure among them would pull down all
        that follows.
        """
        if not len(self):
            return float("nan")
        place = np.unique(np.concatenate([self.entry, self.time]))
        after = np.searchsorted(np.sort(self.entry), place, side="right")
        after = after - np.searchsorted(np.sort(self.time), place, side="right")
        peak = int(np.argmax(after))
        if after[peak] < least:
            return float("nan")
        thin = np.flatnonzero(after[: peak + 1] < least)
        return float(place[thin[-1] + 1 if thin.size else 0])


@dataclass(frozen=True, slots=True, eq=False)
class RiskTable:
    """The m distances at which something failed, arrays (m,): how many were watched, how many failed."""

    time: Floats
    at_risk: Ints
    events: Ints


def risk_table(data: LifeData) -> RiskTable:
    """Return the distances of all failures with the lives watched just before them."""
    time, events = np.unique(data.time[data.event], return_counts=True)
    return RiskTable(time, data.watched(time), np.asarray(events, dtype=np.int64))

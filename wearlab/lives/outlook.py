"""What a vehicle will drive from its last odometer reading on: a normal law of the distance for any number of days.

The pace has a lasting part, a slow one that dies away with time (a route taken on for some months) and what differs
from day to day. Given the readings the first two are jointly normal; the distance over u days has the mean

    W(u) / u (steady u + slow g(u)),    g(u) = tau (1 - exp(-u / tau)),

and a variance from both their uncertainties, from what the slow part will newly do (an Ornstein-Uhlenbeck process),
and from the days. W(u) counts the days by the season: `season_cos` and `season_sin` are the shares by which the pace
swings over the year about its mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: mean length of a year in days
YEAR = 365.2425

_TURN = 2 * np.pi / YEAR


@dataclass(frozen=True, slots=True)
class Outlook:
    """One vehicle (floats) or several (arrays of one shape); paces in km a day, `daily` in km^2 a day.

    `steady` and `slow` with `var_steady`, `cov` and `var_slow` are told at the last reading; `slow_variance` and
    `slow_days` are variance and lasting of the slow part. `phase` is the last reading's place in the year, in days.
    """

    steady: Any
    slow: Any = 0.0
    var_steady: Any = 0.0
    cov: Any = 0.0
    var_slow: Any = 0.0
    slow_variance: Any = 0.0
    slow_days: Any = 365.0
    daily: Any = 0.0
    season_cos: Any = 0.0
    season_sin: Any = 0.0
    phase: Any = 0.0

    def distance(self, days: Any) -> tuple[Any, Any]:
        """Return mean and standard deviation of the distance, km, in the days since the last reading.

        Days before it (negative) are counted at the present pace, without deviation.
        """
        ahead = np.maximum(days, 0.0)
        seasonal = season_days(self.phase, ahead, self.season_cos, self.season_sin)
        kept = np.exp(-ahead / self.slow_days)
        reach = self.slow_days * (1.0 - kept)
        new = ahead - 2 * reach + 0.5 * self.slow_days * (1.0 - kept**2)
        variance = (
            self.var_steady * ahead**2
            + 2 * self.cov * ahead * reach
            + self.var_slow * reach**2
            + 2 * self.slow_variance * self.slow_days * np.maximum(new, 0.0)
            + self.daily * ahead
        )
        # what a day's drive differs goes with the drive, so with the season
        share = np.maximum(seasonal / np.maximum(ahead, 1e-9), 0.0)
        mean = np.maximum(share * (self.steady * ahead + self.slow * reach), 0.0)
        mean = np.where(np.less(days, 0), np.maximum(self.steady + self.slow, 0.0) * days, mean)
        return mean, share * np.sqrt(np.maximum(variance, 0.0))

    def take(self, rows: Any) -> Outlook:
        """Return the outlook of some of several vehicles."""
        return Outlook(*(getattr(self, entry.name)[rows] for entry in fields(self)))


def together(several: Sequence[Outlook]) -> Outlook:
    """Return the outlooks of single vehicles as one with arrays."""
    table = np.array([astuple(one) for one in several], dtype=np.float64).reshape(len(several), len(fields(Outlook)))
    return Outlook(*table.T)


def season_days(phase: Any, days: Any, cos: Any, sin: Any) -> Any:
    """Return how many days of mean pace lie in the `days` after a place in the year."""
    end = phase + days
    swing = cos * (np.sin(_TURN * end) - np.sin(_TURN * phase)) - sin * (np.cos(_TURN * end) - np.cos(_TURN * phase))
    return days + swing / _TURN

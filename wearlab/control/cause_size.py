"""How large a cause is in the unit of the readings: from the working scale back to what a technician measures.

A step, a spoiled reading or a bad visit is told as what was read with it less what earlier visits foretold without it.
Faster wear is told as what it adds to the rate, and as a share of the family's usual rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

import numpy as np

from wearlab.control.episodes import Cause
from wearlab.control.innovations import innovations
from wearlab.control.usual_rates import usual_rates
from wearlab.wear.blocks import Floats, Ints
from wearlab.wear.scale_fit import ScaleFit

#: Standard normal value of a two-sided interval of 90 %.
NORMAL_90 = 1.6448536269514722

#: Kinds of causes that change a rate; all others change readings.
RATES = ("wear",)


@dataclass(frozen=True, slots=True)
class MeasuredSize:
    """Size with its 90 % interval, in the unit of the readings, or of the rate per the group's `rate_over`.

    `percent` and its ends: of the reading without the cause, or of the family's rate; NaN where that is not above 0.
    """

    size: float
    low: float
    high: float
    percent: float
    percent_low: float
    percent_high: float


@dataclass(frozen=True, slots=True, eq=False)
class Foretold:
    """One fit with what earlier visits foretold of each reading, (N,) working values, NaN beyond the scale."""

    fit: ScaleFit
    expected: Floats

    @classmethod
    def of(cls, fit: ScaleFit) -> Foretold:
        """Work out the innovations of a fit once, for all of its causes."""
        return cls(fit, fit.design.y - innovations(fit).surprise)

    def rows_of(self, cause: Cause) -> Ints:
        """Return the places of the first readings that a cause touches: of its part, or of the whole vehicle."""
        data, life = self.fit.design.data, self.fit.design.blocks.life
        if cause.life < 0:
            rows = np.flatnonzero(data.visit == data.visit[cause.onset])
        else:
            own = np.flatnonzero((life == cause.life) & np.isfinite(self.expected))
            later = own[data.turn[own] >= data.turn[cause.onset]]
            rows = later[data.turn[later] == data.turn[later].min()] if later.size else own[-1:]
        kept = rows[np.isfinite(self.expected[rows])]
        return np.asarray(kept if kept.size else rows, dtype=np.int64)

    def measured(self, cause: Cause) -> MeasuredSize:
        """Return the size of a cause as it is measured."""
        ends = cause.size + np.array([0.0, -1.0, 1.0]) * NORMAL_90 * cause.sd
        size, percent = self._rate(cause, ends) if cause.kind in RATES else self._level(cause, ends)
        low, high = sorted(size[1:].tolist())
        percent_low, percent_high = sorted(percent[1:].tolist())
        return MeasuredSize(float(size[0]), low, high, float(percent[0]), percent_low, percent_high)

    def _level(self, cause: Cause, ends: Floats) -> tuple[Floats, Floats]:
        rows = self.rows_of(cause)
        scale, correction = self.fit.scale, self.fit.design.correction[rows]
        base = self.expected[rows]
        without = float(np.mean(scale.inverse(base) / correction))
        with_it = np.mean(scale.inverse(base[None, :] + ends[:, None]) / correction, axis=1)
        change = with_it - without
        percent = 100.0 * change / without if without > 0 else np.full(3, nan)
        return change, np.asarray(percent, dtype=np.float64)

    def _rate(self, cause: Cause, ends: Floats) -> tuple[Floats, Floats]:
        design, scale = self.fit.design, self.fit.scale
        data, made = design.data, design.blocks
        own = np.flatnonzero((made.life == cause.life) & np.isfinite(self.expected))
        at = int(own[np.argmax(data.turn[own])])
        exposure = float(made.exposure[at])
        straight = scale.gamma == 1 or bool(made.unknown_start[at]) or exposure <= 0
        stretch = 1.0 / design.span if straight else scale.gamma * float(design.x[at]) / exposure
        q = float(scale.inverse(self.expected[at]))
        # where no reading has the expected value, none tells how the working scale runs there
        back = 1.0 / float(scale.slope(q)) if bool(scale.allows(q)) and np.isfinite(q) else nan
        rate = ends * stretch * back / float(design.correction[at]) * data.source.rate_over
        usual = float(usual_rates(self.fit)[data.family[at]])
        percent = 100.0 * ends / usual if usual else np.full(3, nan)
        return rate, np.asarray(percent, dtype=np.float64)

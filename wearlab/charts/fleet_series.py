"""What the charts of a whole fleet draw: wear, states, crossings and rigs over the months, as plain values.

A month is named by its first day. Levels are in the level unit of their measure and told under the reference
conditions of their group; rates are in that unit per 10,000 km.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from wearlab.charts.series import Limit, StateCount


@dataclass(frozen=True, slots=True)
class Spread:
    """How a figure lies over parts: their number, the median, and where one in ten, one in four ... lie below.

    The quantiles are None where there are too few parts to tell them.
    """

    parts: int
    median: float
    p10: float | None = None
    p25: float | None = None
    p75: float | None = None
    p90: float | None = None


@dataclass(frozen=True, slots=True)
class WearMonth:
    """Levels and rates of a cohort's parts at the end of a month; None where no part told one."""

    month: date
    level: Spread | None
    rate: Spread | None


@dataclass(frozen=True, slots=True)
class WearCohort:
    """The parts of one family at one depot (empty: at all depots) in one measure and protocol, by month."""

    measure: str
    protocol: str
    family: str
    depot: str
    unit: str
    #: for example "ml/min per 10,000 km"
    rate_unit: str
    #: the conditions that levels are told under
    reference: str
    #: rising by a month each, the last one that of the pack
    months: tuple[WearMonth, ...]
    #: the limit of these parts, where all of them have the same one
    limit: Limit | None = None

    @property
    def parts_now(self) -> int:
        """Parts in the last month."""
        last = self.months[-1].level if self.months else None
        return 0 if last is None else last.parts


@dataclass(frozen=True, slots=True)
class StateMonth:
    """Parts by state at the last run of a month, in the order of urgency; `as_of` is the day of that run."""

    month: date
    as_of: date
    counts: tuple[StateCount, ...]


@dataclass(frozen=True, slots=True)
class CrossingMonth:
    """Parts that pass their limit in one month: how many are expected, and between how many, 9 in 10."""

    month: date
    expected: float
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class RigOffset:
    """What a rig read high in one group from one calibration to the next, in % with its 90 % interval.

    `base` marks the period that the others are told against: its offset is zero by choice and has no interval.
    """

    measure: str
    protocol: str
    rig: str
    #: "from 2025-03-15", "before 2021-03-15"
    period: str
    first: date
    last: date
    readings: int
    offset: float
    low: float | None
    high: float | None
    base: bool = False

    @property
    def apart(self) -> bool:
        """Whether the interval leaves zero out."""
        return self.low is not None and self.high is not None and (self.low > 0 or self.high < 0)

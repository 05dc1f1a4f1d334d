"""The fleet page of a monthly pack, as plain values: wear, states, crossings, rigs and data quality.

Filled once from the store and read by every way of showing it. Nothing here computes a result. Dates are
`datetime.date`, levels are in the unit beside them, None means "not recorded" or "not told", sentences are
finished text for a reader.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from wearlab.charts.fleet_series import CrossingMonth, RigOffset, StateMonth, WearCohort
from wearlab.pack.view import FileRow, OpenQuestion


@dataclass(frozen=True, slots=True)
class WearSection:
    """Wear of one measure, protocol and family: at all depots together, and at each of them."""

    #: "return flow, warm idle: four-cylinder van"
    heading: str
    #: what to see in it, one sentence
    sentence: str
    whole: WearCohort
    depots: tuple[WearCohort, ...] = ()
    #: what stands in the way of reading it, one sentence each
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StatesOverTime:
    """Parts by state at the end of every month that a run was kept of, each part by its most pressing state."""

    months: tuple[StateMonth, ...]
    #: since when states are kept, or what the months do not show: one sentence
    sentence: str


@dataclass(frozen=True, slots=True)
class CrossingsAhead:
    """Parts that will pass a limit, month by month, with the interval of their number."""

    months: tuple[CrossingMonth, ...]
    #: parts with a law of their crossing; of them the number expected to be past already
    parts: int
    past_now: float
    #: parts with a limit whose crossing cannot be told
    untold: int
    sentence: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RigRow:
    """One rig: calibration and its newest self-check, finished sentences beside the figures."""

    rig: str
    depot: str
    calibrated: date | None
    every_days: int | None
    due: date | None
    overdue_days: int
    #: "calibration overdue by 12 days", "due on 15 March 2027", "no calibration is written down"
    sentence: str
    #: newest self-check of each channel, one sentence each
    checks: tuple[str, ...] = ()
    #: measures in which its present period reads apart from the others, one sentence each
    apart: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RigSection:
    """The rigs of the workshop; `offsets` are in the order of measure, protocol, rig and day."""

    rigs: tuple[RigRow, ...]
    offsets: tuple[RigOffset, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RemarkCount:
    """Why rows or cells were set aside or flagged: the rule, how often, and one of its sentences."""

    code: str
    #: "row set aside", "cell set aside", "flagged"
    level: str
    count: int
    files: int
    example: str
    #: file and row of the example
    source: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Readings of one measure and protocol, and how many have no or little part in the levels, by why."""

    measure: str
    protocol: str
    readings: int
    #: outside the range that corrections were learned in; beyond the scale of the tube (counted as bounds)
    outside: int
    beyond: int
    #: nearly left out by the wear model
    gross: int
    #: doubted by a rule when they were loaded
    doubted: int


@dataclass(frozen=True, slots=True)
class DataQuality:
    """What was loaded, what was set aside and why, what is still asked, and which readings count for little."""

    sentence: str
    files: tuple[FileRow, ...]
    remarks: tuple[RemarkCount, ...]
    questions: tuple[OpenQuestion, ...]
    left_out: tuple[LeftOut, ...]


@dataclass(frozen=True, slots=True)
class FleetPage:
    """All of the fleet page."""

    as_of: date
    wear: tuple[WearSection, ...]
    states: StatesOverTime
    crossings: CrossingsAhead
    rigs: RigSection
    quality: DataQuality
    #: measures and protocols without wear over the months, and why, one sentence each
    unsaid: tuple[str, ...] = ()
    #: how levels and rates by month are read, one sentence each
    wear_notes: tuple[str, ...] = ()

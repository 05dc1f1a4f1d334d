"""The figure that each kind of limit rule looks at, as an interval over what the readings leave open.

A reading beyond the scale is an interval (at least 120 is 120 to infinity), a cylinder without a usable reading is
0 to infinity. Every figure here rises with the reading judged and falls with the others it is compared with (a
total rises with all), so its ends follow from the ends of the readings. A rule is failed only if the whole interval
fails, and passed only if the whole interval passes and the set is complete.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from statistics import median

from wearlab.language import _
from wearlab.records import Bound
from wearlab.study.facts import names, position_name
from wearlab.study.limit_conditions import CYLINDERS, missing
from wearlab.study.reading_error import Averaged

#: Makes one middle value of several: a median or a mean.
Middle = Callable[[list[float]], float]
#: Standard error of one reading over the middle: position, readings, their errors, the middle.
ErrorOf = Callable[[str, Mapping[str, float], Mapping[str, float], Middle], float]


@dataclass(frozen=True, slots=True)
class Reach:
    """A figure between `low` and `high` with the standard error of its known end, in the rule's unit.

    `open` says why the figure cannot prove a pass (empty: it can). `compared_with` names what a ratio rests
    on.
    """

    low: float
    high: float
    error: float
    open: tuple[str, ...] = ()
    compared_with: str = ""
    below: bool = False


@dataclass(frozen=True, slots=True)
class CylinderSet:
    """The cylinders of one test in one unit.

    `reads` by position, all `expected` positions, `factor` from a reading's unit to that of the set.

    `counted` is False when the number of cylinders is not known; then the set never counts as complete.
    """

    reads: Mapping[str, Averaged]
    factor: Mapping[str, float]
    expected: tuple[str, ...]
    counted: bool

    def span(self, at: str) -> tuple[float, float]:
        """What the reading at a position leaves open, in the unit of the set."""
        read = self.reads.get(at)
        if read is None or read.doubt is not None:
            return 0.0, math.inf
        value = read.value * self.factor[at]
        if read.nothing:
            # a hose that is off hides any amount
            return 0.0, math.inf
        if read.bound == Bound.AT_LEAST:
            return value, math.inf
        return (0.0, value) if read.bound == Bound.AT_MOST else (value, value)

    def error(self, at: str) -> float:
        """Standard error of the reading at a position, in the unit of the set."""
        read = self.reads.get(at)
        return 0.0 if read is None else read.error * self.factor[at]

    def of(self, positions: tuple[str, ...]) -> CylinderSet:
        """Return the cylinders at some positions as a set of their own."""
        return CylinderSet(
            {at: read for at, read in self.reads.items() if at in positions}, self.factor, positions, self.counted
        )

    def gaps(self) -> tuple[str, ...]:
        """Why the set is not complete, as reasons; empty when it is."""
        reasons = [] if self.counted else [missing(CYLINDERS)]
        known = [self.reads[at] for at in self.expected if at in self.reads]
        told = []
        if absent := [at for at in self.expected if at not in self.reads]:
            told.append(_("{who} not measured", who=names(absent)))
        if doubted := [read.position for read in known if read.doubt is not None]:
            told.append(_("{who} doubtful", who=names(doubted)))
        if empty := [read.position for read in known if read.doubt is None and read.nothing]:
            told.append(_("{who} with nothing collected", who=names(empty)))
        return tuple([*reasons, _("set incomplete ({why})", why="; ".join(told))] if told else reasons)


def total(cylinders: CylinderSet, relative: float) -> Reach:
    """Sum over the set; readings of one run share most of their error, so its relative part stays whole."""
    spans = [cylinders.span(at) for at in cylinders.expected]
    low = math.fsum(span[0] for span in spans)
    high = math.fsum(span[1] for span in spans)
    marks = math.fsum(
        (read.resolution * cylinders.factor[at]) ** 2 / 12.0 / read.repeats
        for at, read in cylinders.reads.items()
        if read.resolution is not None
    )
    repeats = max((read.repeats for read in cylinders.reads.values()), default=1)
    error = math.sqrt((relative * low) ** 2 / repeats + marks)
    ran_over = [at for at, read in cylinders.reads.items() if read.bound == Bound.AT_LEAST]
    open_ = cylinders.gaps() + ((_("{who} beyond the scale", who=names(ran_over)),) if ran_over else ())
    return Reach(low, high if cylinders.counted else math.inf, error, open_)


def times_lowest(at: str, cylinders: CylinderSet) -> Reach | str:
    """Ratio to the lowest valid reading.

    Valid is measured, above zero, not doubted, and not of a part fitted since the last test.

    Returns a reason where no other cylinder can serve as the lowest.
    """
    valid = [
        other
        for other in cylinders.expected
        if other in cylinders.reads and cylinders.reads[other].measured and not cylinders.reads[other].just_replaced
    ]
    if not [other for other in valid if other != at]:
        return _("no other cylinder has a valid reading")
    lowest = min(valid, key=lambda other: cylinders.span(other)[0])
    floor = cylinders.span(lowest)[0]
    low, high = cylinders.span(at)
    told = _("lowest valid: {who}", who=position_name(lowest))
    skipped = [
        other
        for other in cylinders.expected
        if other in cylinders.reads and other not in valid and cylinders.span(other)[1] < floor
    ]
    if skipped:
        told += "; " + _("{who} read lower but cannot serve", who=names(skipped))
    error = 0.0 if lowest == at else _ratio_error(low, cylinders.error(at), floor, cylinders.error(lowest))
    gaps = cylinders.gaps()
    return Reach(low / floor, high / floor, error, gaps, told)


def times_median(at: str, cylinders: CylinderSet) -> Reach | str:
    """Ratio to the median of the whole set, the judged cylinder included."""
    if len(cylinders.expected) < 3:
        return _("a median needs three cylinders")
    return _against(at, cylinders, median, _("median of the set"), _median_error)


def percent_from_mean(at: str, cylinders: CylinderSet) -> Reach | str:
    """Distance from the set's mean in percent, to either side: too little is a sign as well as too much."""
    if len(cylinders.expected) < 2:
        return _("a mean needs two cylinders")
    reach = _against(at, cylinders, lambda values: math.fsum(values) / len(values), _("mean of the set"), _middle_error)
    if isinstance(reach, str):
        return reach
    low, high = 100.0 * (reach.low - 1.0), 100.0 * (reach.high - 1.0)
    if low >= 0.0:
        ends, below = (low, high), False
    elif high <= 0.0:
        ends, below = (-high, -low), True
    else:
        ends, below = (0.0, max(-low, high)), False
    return Reach(ends[0], ends[1], 100.0 * reach.error, reach.open, reach.compared_with, below)


def _against(at: str, cylinders: CylinderSet, middle: Middle, told: str, error_of: ErrorOf) -> Reach | str:
    spans = {other: cylinders.span(other) for other in cylinders.expected}
    low, high = spans[at]
    if not math.isfinite(high) and low == 0.0:
        return _("no usable reading")
    ceiling = middle([low if other == at else span[1] for other, span in spans.items()])
    floor = middle([high if other == at else span[0] for other, span in spans.items()])
    least = low / ceiling if ceiling > 0.0 else 0.0
    most = high / floor if floor > 0.0 and math.isfinite(high) else math.inf
    ends = {other: span[0] for other, span in spans.items()}
    error = error_of(at, ends, {other: cylinders.error(other) for other in ends}, middle)
    return Reach(least, most, error, cylinders.gaps(), told)


def _ratio_error(value: float, error: float, against: float, against_error: float) -> float:
    return math.hypot(error / against, value * against_error / against**2)


def _middle_error(at: str, values: Mapping[str, float], errors: Mapping[str, float], middle: Middle) -> float:
    """First-order standard error of value[at] / middle(values) for independent errors."""

    def ratio(changed: Mapping[str, float]) -> float:
        centre = middle(list(changed.values()))
        return changed[at] / centre if centre > 0.0 else 0.0

    variance = 0.0
    for other, value in values.items():
        step = max(1e-6 * value, 1e-9)
        up, down = {**values, other: value + step}, {**values, other: max(value - step, 0.0)}
        slope = (ratio(up) - ratio(down)) / (up[other] - down[other])
        variance += (slope * errors[other]) ** 2
    return math.sqrt(variance)


def _median_error(at: str, values: Mapping[str, float], errors: Mapping[str, float], middle: Middle) -> float:
    """Standard error of value[at] / median(values), reading and median taken as independent.

    Where the reading is one of the middle ones the true error is smaller. But that would make the error jump when a
    reading rises out of the middle, and a worse reading would get a milder verdict.
    """
    centre = middle(list(values.values()))
    if centre <= 0.0:
        return 0.0
    variance = 0.0
    for other, value in values.items():
        step = max(1e-6 * value, 1e-9)
        low = max(value - step, 0.0)
        ends = [middle([*(v for k, v in values.items() if k != other), end]) for end in (low, value + step)]
        variance += ((ends[1] - ends[0]) / (value + step - low) * errors[other]) ** 2
    return _ratio_error(values[at], errors[at], centre, math.sqrt(variance))

"""The error of a reading, and repeats made into one reading per position.

Standard error of a reading q on a scale with graduation d, averaged over n repeats:

    u = sqrt((s q)^2 + d^2 / 12) / sqrt(n)

with s the assumed repeatability of the way of driving (`Spread` of wearlab.toml) and d / sqrt(12) the standard
deviation of an error that is uniform over one graduation (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from statistics import fmean

from wearlab.config import Spread
from wearlab.errors import InputError
from wearlab.language import _, msg
from wearlab.records import LEVEL_UNIT, Bound, Measure
from wearlab.study.facts import AsTested, MeasuredSet, SetReading

#: Remarks that concern the whole test alike; they are told as weaknesses and do not spoil the set's
#: comparison.
WHOLE_TEST = frozenset(
    {"good", "no_duration", "low_speed", "low_battery", "odometer_slip", "odometer_back", "cylinder_doubt"}
)

#: Why a reading is doubted, as the codes of the rules say it with spaces.
DOUBTS = (
    msg("approximate"), msg("marked"), msg("foam"), msg("no duration"), msg("inconclusive"), msg("rail not built"),
    msg("low speed"), msg("not comparable"), msg("low battery"), msg("rig leak"), msg("cylinder doubt"),
    msg("piezo open"), msg("piezo unrecorded"), msg("supply low"), msg("supply unrecorded"), msg("supply unseen"),
    msg("ounce"), msg("odometer slip"), msg("odometer back"), msg("odometer stuck"), msg("odometer miles"),
    msg("odometer hours"), msg("order unclear"), msg("numbering told"), msg("written order"), msg("id scientific"),
    msg("contradiction"),
)  # fmt: skip


def doubt_words(code: str) -> str:
    """Return the code of a doubt in words: "foam", "no duration"."""
    return _(code.replace("_", " "))


@dataclass(frozen=True, slots=True)
class Averaged:
    """What one position read: the mean of its usable repeats.

    `value`, `error` (standard error) and `resolution` are in `unit`; `per_value` turns them into the level unit
    (None where a volume has no duration). `doubt` is the code of the rule that doubts every repeat, or None.
    `spread_found` is the range of the repeats divided by their mean, None with one repeat.
    """

    position: str
    value: float
    unit: str
    per_value: float | None
    error: float
    bound: str | None
    resolution: float | None
    repeats: int
    doubt: str | None
    part: str | None
    part_number: str | None
    channel: str | None
    just_replaced: bool
    younger_since: date | None
    spread_found: float | None

    @property
    def level(self) -> float | None:
        """The reading in the level unit of its measure."""
        return None if self.per_value is None else self.value * self.per_value

    @property
    def nothing(self) -> bool:
        """Whether (almost) nothing was collected: no proof of a tight part, rather of a hose that is off."""
        if self.value == 0.0:
            return True
        return self.bound == Bound.AT_MOST and (self.resolution is None or self.value <= self.resolution)

    @property
    def measured(self) -> bool:
        """Whether this is a plain number: not doubted, not beyond the scale, not zero."""
        return self.doubt is None and self.bound is None and self.value > 0.0


def relative_spread(conditions: AsTested, spread: Spread) -> float:
    """Return the assumed relative standard deviation of one reading of this test, as a fraction.

    An unknown way of driving gets the larger of the idle and crank figures.
    """
    if conditions.measure != Measure.RETURN_FLOW:
        return spread.pump_percent / 100.0
    known = {
        "crank": spread.crank_percent,
        "idle": spread.idle_percent,
        "raised": spread.raised_percent,
        "bench": spread.bench_percent,
    }
    percent = known.get(conditions.driven or "", max(spread.idle_percent, spread.crank_percent))
    return percent / 100.0


def standard_error(value: float, relative: float, resolution: float | None, repeats: int = 1) -> float:
    """Return the standard error of the mean of `repeats` readings, in the unit of `value`.

    Raises
    ------
    InputError
        Fewer than one repeat.
    """
    if repeats < 1:
        raise InputError(f"a reading needs at least one repeat, {repeats} were given")
    graduation = 0.0 if resolution is None else resolution
    return math.sqrt(((relative * value) ** 2 + graduation**2 / 12.0) / repeats)


def average(test: MeasuredSet, spread: Spread) -> dict[str, Averaged]:
    """Return what each position read, cylinders in number order, then `pump`, then `set`.

    Doubted repeats are left out where a good one exists. Any repeat that ran over makes the mean "at least"; a
    position with repeats beyond both ends of the scale is doubted as "contradiction". A pump peak at or above the
    rig's limiter is "at least", whatever the sheet called it.
    """
    relative = relative_spread(test.conditions, spread)
    groups: dict[str, list[SetReading]] = {}
    for reading in test.readings:
        groups.setdefault(reading.position, []).append(reading)
    order = sorted(groups, key=lambda at: (0, int(at), at) if at.isdigit() else (1, 0, at))
    return {at: _mean(groups[at], test.conditions, relative) for at in order}


def _mean(readings: Sequence[SetReading], conditions: AsTested, relative: float) -> Averaged:
    good = [reading for reading in readings if reading.quality in WHOLE_TEST]
    doubt = None if good else readings[0].quality
    repeats = _one_unit(good or list(readings), conditions)
    values = [repeat.value for repeat in repeats]
    bounds = {repeat.bound for repeat in repeats}
    value, bound = fmean(values), None
    if bounds >= {Bound.AT_LEAST.value, Bound.AT_MOST.value}:
        doubt = doubt or "contradiction"
    elif Bound.AT_LEAST.value in bounds:
        bound = Bound.AT_LEAST.value
        # of bounds alone the tightest holds: a larger tube that ran over says more than a small one
        value = max(values) if len(bounds) == 1 else value
    elif Bound.AT_MOST.value in bounds:
        bound = Bound.AT_MOST.value
        value = min(values) if len(bounds) == 1 else value
    steps = [repeat.resolution for repeat in repeats if repeat.resolution is not None]
    resolution = max(steps) if steps else None
    plain = [repeat.value for repeat in repeats if repeat.bound is None]
    first = (good or list(readings))[0]
    return Averaged(
        position=first.position,
        value=value,
        unit=repeats[0].unit,
        per_value=repeats[0].per_value,
        error=standard_error(value, relative, resolution, len(repeats) if bound is None else 1),
        bound=bound,
        resolution=resolution,
        repeats=len(repeats),
        doubt=doubt,
        part=first.part,
        part_number=first.part_number,
        channel=first.channel,
        just_replaced=any(reading.just_replaced for reading in readings),
        younger_since=first.younger_since,
        spread_found=(max(plain) - min(plain)) / fmean(plain) if len(plain) > 1 and fmean(plain) > 0 else None,
    )


@dataclass(frozen=True, slots=True)
class _Repeat:
    value: float
    unit: str
    bound: str | None
    resolution: float | None
    per_value: float | None


def _one_unit(readings: list[SetReading], conditions: AsTested) -> list[_Repeat]:
    """Bring repeats to one unit; where they differ, those without a level are left out if any has one."""
    rows = [
        _Repeat(
            reading.value,
            reading.unit,
            _bound(reading, conditions),
            reading.resolution,
            per_value(reading, conditions),
        )
        for reading in readings
    ]
    if len({row.unit for row in rows}) == 1:
        known = next((row.per_value for row in rows if row.per_value is not None), None)
        return [replace(row, per_value=known) for row in rows]
    level = LEVEL_UNIT[Measure(conditions.measure)]
    scaled = [
        _Repeat(
            row.value * row.per_value,
            level,
            row.bound,
            None if row.resolution is None else row.resolution * row.per_value,
            1.0,
        )
        for row in rows
        if row.per_value is not None
    ]
    return scaled or rows[:1]


def per_value(reading: SetReading, conditions: AsTested) -> float | None:
    """Return the factor from the unit of a reading to the level unit; None where a volume has no duration."""
    if reading.unit == LEVEL_UNIT[Measure(conditions.measure)]:
        return 1.0
    if reading.level is not None and reading.value > 0.0:
        return reading.level / reading.value
    if reading.unit == "ml" and conditions.duration_s:
        return 60.0 / conditions.duration_s
    return None


def _bound(reading: SetReading, conditions: AsTested) -> str | None:
    if reading.bound is not None:
        return reading.bound
    limiter = conditions.limiter_bar
    if conditions.measure == Measure.PUMP_PEAK and limiter is not None and reading.value >= limiter:
        return Bound.AT_LEAST.value
    return None

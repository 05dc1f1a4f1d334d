"""The rules on tests of the pump: slips of digits, end stops, a leaking rig, slow cranking, unseen supply."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipelines.sheets.cells import Bools, Floats, combine
from pipelines.sheets.checks import (
    CRANK_RPM_LEAST,
    CRANK_SHARE_LEAST,
    CRANK_VOLT_LEAST,
    CRANK_WEAK_SHARE,
    CRANK_WEAK_VOLT,
    PEAK_FALL_SHARE,
    PEAK_SPAN_BAR,
    PEAK_USUAL_BAR,
    USUAL_FAMILY_TESTS,
    USUAL_OWN_TESTS,
)
from pipelines.sheets.context import Context
from pipelines.sheets.converted import Converted
from pipelines.sheets.hints import hint
from pipelines.sheets.questions import Question
from pipelines.sheets.readings import CODE, Readings
from pipelines.sheets.replies import NO
from pipelines.sheets.values import Status
from pipelines.sheets.words import fold
from wearlab.limit_settings import LimitRule
from wearlab.records import Driven, Measure
from wearlab.units import to_base

_PEAK = CODE[Measure.PUMP_PEAK]
_PUMPS = [CODE[measure] for measure in (Measure.PUMP_PEAK, Measure.PUMP_RISE, Measure.PUMP_HOLD)]


def doubt_pumps(readings: Readings, made: Converted, context: Context, questions: list[Question]) -> None:
    """Apply the rules on pump readings; a peak at an end stop or of a leaking rig becomes a bound in `made`."""
    peak = readings.keep & (readings.measure == _PEAK)
    low, high = PEAK_SPAN_BAR
    odd = peak & ((made.value < low) | (made.value > high))
    odd = _answered(readings, made, context, odd)
    if odd.any():
        guesses = [_shifted(value) for value in made.value[odd]]
        for place, guess in zip(np.flatnonzero(odd), guesses, strict=True):
            if guess is not None:
                row = readings.row[place]
                key, day = context.vehicle.texts[context.vehicle.codes[row]], context.day[row]
                if context.known.reply("value", f"{key} {day}") is None:
                    questions.append(
                        Question("value", f"{key} {day}", f"Was the pump peak of {key} on {day} perhaps {guess}?", 1)
                    )
        readings.doubt("peak_implausible", odd, [f"{value:g}" for value in made.value[odd]], guesses)
    measured = np.isin(readings.number.status, [Status.MEASURED, Status.BEYOND, Status.UNREADABLE])
    refused = (readings.measure == _PEAK) & ~readings.keep & measured
    lost = np.zeros(readings.table.size, dtype=np.bool_)
    lost[readings.row[refused]] = True
    lost[readings.row[readings.keep & (readings.measure == _PEAK)]] = False
    follows = np.isin(readings.measure, [CODE[Measure.PUMP_RISE], CODE[Measure.PUMP_HOLD]])
    readings.doubt("without_peak", readings.keep & follows & lost[readings.row])

    peak = readings.keep & (readings.measure == _PEAK)
    stop = np.array([one.stop for one in made.hints], dtype=np.bool_)[made.notes.codes][readings.row]
    stop_at = made.hinted([one.stop_at for one in made.hints], readings.row)
    with np.errstate(invalid="ignore"):
        at_stop = np.isnan(stop_at) | (np.abs(readings.number.value - stop_at) <= 0.01 * stop_at)
    leak = np.array([one.rig_leak for one in made.hints], dtype=np.bool_)[made.notes.codes][readings.row]
    made.bound[peak & (made.bound == 0) & ((stop & at_stop) | leak)] = 1
    readings.doubt_rows("rig_leak", readings.keep & np.isin(readings.measure, _PUMPS) & leak)
    _supply(readings, made, context)


def _answered(readings: Readings, made: Converted, context: Context, odd: Bools) -> Bools:
    """Put in the peaks (bar) that a person gave for a visit; return what is still open."""
    still = odd.copy()
    for place in np.flatnonzero(odd):
        row = readings.row[place]
        key, day = context.vehicle.texts[context.vehicle.codes[row]], context.day[row]
        said = context.known.reply("value", f"{key} {day}")
        if said is None or said == NO:
            continue
        made.value[place] = made.level[place] = float(said)
        still[place] = False
    told = odd & ~still
    readings.doubt("given", told, [f"{value:g} bar" for value in made.value[told]])
    return still


def _shifted(value: float) -> str | None:
    low, high = PEAK_USUAL_BAR
    found = [value * 10.0**places for places in (1, 2, 3, -1) if low <= value * 10.0**places <= high]
    return " or ".join(f"{one:g} bar" for one in found) or None


def _supply(readings: Readings, made: Converted, context: Context) -> None:
    """A low peak with poor or unrecorded supply speaks of pump or supply; which peak is low, the user's limit says.

    Without a limit only a fall below the vehicle's own best is noted.
    """
    conditions, table = context.conditions, readings.table
    peak = readings.keep & (readings.measure == _PEAK) & (made.bound <= 0)
    if not peak.any():
        return
    air = np.array([one.air for one in conditions.supply_note.each(hint)], dtype=np.bool_)[conditions.supply_note.codes]
    air |= np.array([one.air for one in made.hints], dtype=np.bool_)[made.notes.codes]
    low, wanted = _below_limit(readings, made, context, peak)
    with np.errstate(invalid="ignore"):
        poor = air | (conditions.supply < wanted)
    seen = ~np.isnan(conditions.supply) | ~conditions.supply_note.blank
    row = readings.row
    readings.doubt_rows("supply_low", low & poor[row], lambda at: _supply_said(conditions.supply[at], bool(air[at])))
    readings.doubt_rows("supply_unrecorded", low & ~poor[row] & ~seen[row])
    group = combine([context.vehicle.codes[row], context.protocol.codes], len(readings))
    best = np.zeros(int(group.max()) + 1)
    np.maximum.at(best, group[peak], made.value[peak])
    fallen = peak & ~low & ~seen[row] & (made.value < PEAK_FALL_SHARE * best[group])
    rows = np.unique(row[fallen])
    most = dict(zip(row[fallen].tolist(), best[group[fallen]].tolist(), strict=True))
    table.findings.add("supply_unseen", rows, more=[f"{most[int(one)]:g} bar" for one in rows])


def _supply_said(bar: float, air: bool) -> str:
    return "air or a dirty filter was seen" if air else f"only {bar:g} bar of supply"


def _below_limit(readings: Readings, made: Converted, context: Context, peak: Bools) -> tuple[Bools, Floats]:
    """Peaks below a limit of the user, and for every row the least supply that such a limit asks for."""
    low = np.zeros(len(readings), dtype=np.bool_)
    wanted = np.full(readings.table.size, np.nan)
    for rule in context.settings.limits:
        if (
            rule.measure != Measure.PUMP_PEAK
            or rule.kind != "least"
            or rule.value is None
            or rule.part_number is not None
        ):
            continue
        here = peak & _applies(rule, readings, context)
        low |= here & (made.value < to_base(rule.value, rule.unit or "bar", "pressure"))
        if rule.conditions.supply_bar is not None:
            rows = readings.row[here]
            wanted[rows] = np.fmax(wanted[rows], rule.conditions.supply_bar[0])
    return low, wanted


def _applies(rule: LimitRule, readings: Readings, context: Context) -> Bools:
    protocol = np.array([rule.protocol in (None, text) for text in context.protocol.texts], dtype=np.bool_)
    family = np.array([rule.family is None or fold(rule.family) == fold(text) for text in context.family.texts])
    found: Bools = protocol[context.protocol.codes] & family[context.family.codes[readings.row]]
    if rule.valid_from is not None:
        found &= context.day[readings.row] >= np.datetime64(rule.valid_from)
    return found


def doubt_speeds(readings: Readings, context: Context) -> None:
    """Slow cranking is told from the vehicle's own tests in the sheet, else from those of its family."""
    pump = np.isin(readings.measure, _PUMPS)
    crank = context.driven == list(Driven).index(Driven.CRANK)
    speed = context.conditions.speed
    cranked = readings.keep & crank
    each = speed[readings.row]
    battery = context.conditions.battery
    with np.errstate(invalid="ignore"):
        slow = cranked & (each < CRANK_RPM_LEAST)
        readings.doubt_rows("not_comparable", slow, lambda row: f"{speed[row]:g} rpm")
        rows = np.unique(readings.row[cranked & pump & ~np.isnan(each)])
        usual = _usual_speeds(context, rows)
        tired = np.where(battery[readings.row] < CRANK_WEAK_VOLT, CRANK_WEAK_SHARE, CRANK_SHARE_LEAST)
        low = cranked & pump & ~slow & (each < tired * usual[readings.row])
        readings.doubt_rows("low_speed", low, lambda row: f"{speed[row]:g} rpm (usually {usual[row]:g})")
        weak = cranked & ~slow & (battery[readings.row] < CRANK_VOLT_LEAST)
        readings.doubt_rows("low_battery", weak, lambda row: f"{battery[row]:g} V")


def _usual_speeds(context: Context, rows: NDArray[np.int64]) -> Floats:
    """The usual cranking speed for every row; NaN where too few tests of vehicle and family tell it."""
    usual = np.full(len(context.vehicle), np.nan)
    speed = context.conditions.speed
    for cells, least in ((context.family, USUAL_FAMILY_TESTS), (context.vehicle, USUAL_OWN_TESTS)):
        code = cells.codes[rows]
        for place in np.flatnonzero(np.bincount(code, minlength=len(cells.texts)) >= least):
            if cells.texts[int(place)]:
                own = rows[code == place]
                usual[own] = float(np.median(speed[own]))
    return usual

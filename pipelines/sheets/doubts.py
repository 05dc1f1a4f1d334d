"""The rules of `checks` applied to the readings of a sheet: what is flagged, bounded or set aside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.sheets.cells import Bools, Cells, Floats, Ints, combine
from pipelines.sheets.checks import (
    CRANK_RPM_LEAST,
    CRANK_SHARE_LEAST,
    CRANK_VOLT_LEAST,
    CRANK_WEAK_SHARE,
    CRANK_WEAK_VOLT,
    PEAK_SPAN_BAR,
    PEAK_USUAL_BAR,
    RAIL_NOT_BUILT_BAR,
)
from pipelines.sheets.converted import Converted
from pipelines.sheets.dates import Dates
from pipelines.sheets.hints import mark_meaning
from pipelines.sheets.known import Known
from pipelines.sheets.questions import Question
from pipelines.sheets.readings import CODE, Readings
from pipelines.sheets.values import Status
from wearlab.records import PUMP, SET, Driven, Measure

_FLOW, _PEAK = CODE[Measure.RETURN_FLOW], CODE[Measure.PUMP_PEAK]
_PUMPS = [CODE[measure] for measure in (Measure.PUMP_PEAK, Measure.PUMP_RISE, Measure.PUMP_HOLD)]
#: Engines of an odd number of cylinders above three are rare, so a fifth or seventh position is asked about.
_USUAL = (2, 3, 4, 6, 8, 10, 12, 16, 18, 20, 24)


@dataclass(frozen=True, slots=True)
class Conditions:
    """Row-wise conditions that the rules look at, NaN where unknown."""

    rail: Floats
    speed: Floats
    battery: Floats


@dataclass(frozen=True, slots=True)
class Context:
    """What the rules need beside the readings: per row vehicle and date, per reading drive and protocol."""

    vehicle: Cells
    day: Dates
    conditions: Conditions
    driven: Ints  # index into list(Driven), -1 unknown; per reading
    protocol: Cells  # per reading
    known: Known


def apply_doubts(readings: Readings, made: Converted, context: Context) -> list[Question]:
    """Apply every rule on readings; `readings` and the bounds of `made` are changed in place."""
    questions: list[Question] = []
    _marks(readings, made)
    flow = readings.measure == _FLOW
    volume = made.quantity == made.quantities.index("volume")
    readings.doubt("no_duration", readings.keep & flow & volume & np.isnan(made.duration))
    _positions(readings, context, questions)
    _peaks(readings, made, context, questions)
    _zeros(readings, made, context)
    _speeds(readings, context)
    _told(readings, made, context, questions)
    ounces = int(np.count_nonzero(readings.keep & made.ounce))
    if ounces:
        questions.append(
            Question("ounce", "fl oz", "Are the fluid ounces US (29.57 ml) or UK (28.41 ml) ones?", ounces)
        )
    return questions


def _marks(readings: Readings, made: Converted) -> None:
    marks = readings.number.marks
    signed = readings.keep & ~marks.blank
    rows_marked = np.zeros(readings.table.size, dtype=np.bool_)
    rows_marked[readings.row[signed]] = True
    meanings = readings.table.layout.marks
    if signed.any():
        about = np.zeros(len(readings), dtype=np.bool_)
        foam = about.copy()
        other = about.copy()
        more: list[str] = []
        for place in np.flatnonzero(signed):
            sign = marks.texts[marks.codes[place]]
            remark = made.notes.texts[made.notes.codes[readings.row[place]]]
            meaning = meanings.get(sign) or mark_meaning(remark, sign)
            if sign == "~":
                about[place] = True
            elif "foam" in meaning.casefold():
                foam[place] = True
            else:
                other[place] = True
                more.append(f': "{sign}" means {meaning}' if meaning else f' "{sign}"')
        readings.doubt("approximate", about)
        readings.doubt("foam", foam)
        readings.doubt("marked", other, more)
    said = np.array([one.foam for one in made.hints], dtype=np.bool_)[made.notes.codes] & ~rows_marked
    readings.doubt("foam", readings.keep & (readings.measure == _FLOW) & said[readings.row])


def _told(readings: Readings, made: Converted, context: Context, questions: list[Question]) -> None:
    """Remarks that tell of another order of cylinders, or of an event, are asked about, never obeyed."""
    for code, one in enumerate(made.hints):
        if not one.order and not one.event:
            continue
        here = readings.keep & (made.notes.codes[readings.row] == code)
        for row in np.unique(readings.row[here]):
            key = context.vehicle.texts[context.vehicle.codes[row]]
            cells = here & (readings.row == row)
            subject = f"{key} {context.day[row]}"
            if one.order:
                order = "-".join(one.order)
                flow = cells & (readings.measure == _FLOW)
                readings.doubt_rows("written_order", flow, dict.fromkeys([int(row)], order).__getitem__)
                sentence = f"Were the readings of {key} on {context.day[row]} written in the order {order}?"
                questions.append(Question("order", subject, sentence, int(np.count_nonzero(cells))))
            if one.event:
                readings.table.findings.add("event_told", np.array([row]), more=one.event)
                questions.append(Question("event", subject, f"Was there {one.event} at {key}?", 0))


def _positions(readings: Readings, context: Context, questions: list[Question]) -> None:
    """Cylinders beyond the engine's number are set aside, beyond a likely number asked about."""
    texts = readings.position.texts
    number = np.array([0 if text in (PUMP, SET, "") else int(text) for text in texts], dtype=np.int64)
    cylinder = number[readings.position.codes]
    vehicle = context.vehicle.codes[readings.row]
    engine = np.array([context.known.cylinders.get(key, 0) for key in context.vehicle.texts], dtype=np.int64)
    beyond = readings.keep & (engine[vehicle] > 0) & (cylinder > engine[vehicle])
    readings.doubt(
        "beyond_engine",
        beyond,
        [f"{cylinder[k]} does not exist on an engine with {engine[vehicle[k]]}" for k in np.flatnonzero(beyond)],
    )
    highest = np.zeros(len(context.vehicle.texts), dtype=np.int64)
    np.maximum.at(highest, vehicle[readings.keep], cylinder[readings.keep])
    likely = np.array([max((n for n in _USUAL if n <= top), default=top) for top in highest], dtype=np.int64)
    odd = readings.keep & (engine[vehicle] == 0) & (cylinder > likely[vehicle])
    for code in np.unique(vehicle[odd]):
        key = context.vehicle.texts[int(code)]
        here = odd & (vehicle == code)
        questions.append(
            Question(
                "cylinders",
                key,
                f"How many cylinders has {key}? Cylinder {highest[code]} was tested; the register is silent.",
                int(np.count_nonzero(here)),
            )
        )
    where = np.zeros(readings.table.size, dtype=np.int64)
    where[readings.row[odd]] = cylinder[odd]
    readings.doubt_rows("cylinder_doubt", odd, lambda row: str(where[row]))


def _peaks(readings: Readings, made: Converted, context: Context, questions: list[Question]) -> None:
    peak = readings.keep & (readings.measure == _PEAK)
    low, high = PEAK_SPAN_BAR
    odd = peak & ((made.value < low) | (made.value > high))
    if odd.any():
        guesses = [_shifted(value) for value in made.value[odd]]
        for place, guess in zip(np.flatnonzero(odd), guesses, strict=True):
            if guess is not None:
                row = readings.row[place]
                key, day = context.vehicle.texts[context.vehicle.codes[row]], context.day[row]
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


def _shifted(value: float) -> str | None:
    low, high = PEAK_USUAL_BAR
    found = [value * 10.0**places for places in (1, 2, 3, -1) if low <= value * 10.0**places <= high]
    return " or ".join(f"{one:g} bar" for one in found) or None


def _zeros(readings: Readings, made: Converted, context: Context) -> None:
    """Zeros without pressure are inconclusive; a set of nothing but zeros is no measurement."""
    flow = readings.keep & (readings.measure == _FLOW)
    never = made.hinted([one.rail_never_above for one in made.hints], readings.row)
    rail = context.conditions.rail[readings.row]
    rail = np.where(np.isnan(rail), never, rail)
    zero = flow & (readings.number.status == Status.MEASURED) & (readings.number.value == 0)
    with np.errstate(invalid="ignore"):
        low = flow & (rail <= RAIL_NOT_BUILT_BAR)
    readings.doubt("inconclusive", zero & low)
    group = combine(
        [
            context.vehicle.codes[readings.row],
            context.day[readings.row].astype(np.int64),
            context.protocol.codes,
            readings.measure,
            np.where(_is_long(readings), 0, readings.row),
        ],
        len(readings),
    )
    count = int(group.max()) + 1 if len(group) else 0
    built = np.zeros(count, dtype=np.bool_)
    built[group[low & ~np.isnan(never)]] = True
    silent = flow & np.isnan(rail) & built[group] & (context.driven == list(Driven).index(Driven.CRANK))
    readings.doubt_rows("rail_not_built", silent)
    some = np.zeros(count, dtype=np.bool_)
    some[group[flow & ~(zero & ~low)]] = True
    cells = np.bincount(group[flow], minlength=count)
    readings.doubt("all_zero", zero & ~low & ~some[group] & (cells[group] >= 2))


def _is_long(readings: Readings) -> Bools:
    return np.full(len(readings), readings.table.one("position") is not None)


def _speeds(readings: Readings, context: Context) -> None:
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
        if len(rows) >= 5:
            usual = float(np.median(speed[rows]))
            tired = np.where(battery[readings.row] < CRANK_WEAK_VOLT, CRANK_WEAK_SHARE, CRANK_SHARE_LEAST)
            low = cranked & pump & ~slow & (each < tired * usual)
            readings.doubt_rows("low_speed", low, lambda row: f"{speed[row]:g} rpm (usually {usual:g})")
        weak = cranked & ~slow & (battery[readings.row] < CRANK_VOLT_LEAST)
        readings.doubt_rows("low_battery", weak, lambda row: f"{battery[row]:g} V")

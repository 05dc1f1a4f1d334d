"""The rules of `checks` applied to the readings of a sheet: what is flagged, bounded or set aside."""

from __future__ import annotations

import numpy as np

from pipelines.sheets.cells import Bools, combine
from pipelines.sheets.checks import PIEZO_BACK_BAR, RAIL_NOT_BUILT_BAR
from pipelines.sheets.context import Context
from pipelines.sheets.converted import Converted
from pipelines.sheets.hints import mark_meaning, means_foam
from pipelines.sheets.pump_doubts import doubt_pumps, doubt_speeds
from pipelines.sheets.questions import Question
from pipelines.sheets.readings import CODE, Readings
from pipelines.sheets.told_doubts import ask_told
from pipelines.sheets.values import Status
from pipelines.sheets.words import fold
from wearlab.records import PUMP, SET, Driven, Measure

_FLOW = CODE[Measure.RETURN_FLOW]
#: Engines of an odd number of cylinders above three are rare, so a fifth or seventh position is asked about.
_USUAL = (2, 3, 4, 6, 8, 10, 12, 16, 18, 20, 24)


def apply_doubts(readings: Readings, made: Converted, context: Context) -> list[Question]:
    """Apply every rule on readings; `readings` and the bounds of `made` are changed in place."""
    questions: list[Question] = []
    _marks(readings, made)
    flow = readings.measure == _FLOW
    volume = made.quantity == made.quantities.index("volume")
    readings.doubt("no_duration", readings.keep & flow & volume & np.isnan(made.duration))
    _positions(readings, context, questions)
    doubt_pumps(readings, made, context, questions)
    _zeros(readings, made, context)
    doubt_speeds(readings, context)
    _piezo(readings, made, context, questions)
    ask_told(readings, made, context, questions)
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
            elif means_foam(meaning):
                foam[place] = True
            else:
                other[place] = True
                more.append(f': "{sign}" means {meaning}' if meaning else f' "{sign}"')
        readings.doubt("approximate", about)
        readings.doubt("foam", foam)
        readings.doubt("marked", other, more)
    said = np.array([one.foam for one in made.hints], dtype=np.bool_)[made.notes.codes] & ~rows_marked
    readings.doubt("foam", readings.keep & (readings.measure == _FLOW) & said[readings.row])


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


def _piezo(readings: Readings, made: Converted, context: Context, questions: list[Question]) -> None:
    """Return of piezo injectors says nothing unless it was held under pressure, so an open bottle spoils it."""
    families = {fold(name): one for name, one in context.settings.families.items()}
    piezo = np.array(
        [
            (one := families.get(fold(text))) is not None and one.injector.startswith("piezo")
            for text in context.family.texts
        ]
    )
    if not piezo.any():
        return
    flow = readings.keep & (readings.measure == _FLOW) & piezo[context.family.codes[readings.row]]
    back = context.conditions.back_pressure[readings.row]
    named = {name: one.back_pressure_bar for name, one in context.settings.protocols.items()}
    stated = np.array([_number(named.get(text)) for text in context.protocol.texts])[context.protocol.codes]
    back = np.where(np.isnan(back), stated, back)
    replies = [context.known.reply("back pressure", text) for text in context.family.texts]
    said = np.array([_number(None if one is None else float(one)) for one in replies])
    back = np.where(np.isnan(back), said[context.family.codes[readings.row]], back)
    opened = np.array([one.open_bottle for one in made.hints], dtype=np.bool_)[made.notes.codes][readings.row]
    with np.errstate(invalid="ignore"):
        low = flow & (opened | (back < PIEZO_BACK_BAR))
    bars = np.full(readings.table.size, np.nan)
    bars[readings.row] = back
    readings.doubt_rows("piezo_open", low, lambda row: "" if np.isnan(bars[row]) else f" ({bars[row]:g} bar)")
    silent = flow & ~low & np.isnan(back)
    readings.doubt_rows("piezo_unrecorded", silent)
    code = context.family.codes[readings.row]
    for place in np.unique(code[silent]):
        family = context.family.texts[int(place)]
        count = int(np.count_nonzero(silent & (code == place)))
        sentence = (
            f"At which pressure (bar) was the return held in the tests of the family {family}? "
            "Its injectors are piezo ones and give no true return into an open bottle."
        )
        questions.append(Question("back pressure", family, sentence, count))


def _number(value: float | None) -> float:
    return float("nan") if value is None else value

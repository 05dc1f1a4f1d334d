"""From a sheet of tests to the store's tables: one row a test, one row a reading, work told beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipelines.sheets.account import SheetResult
from pipelines.sheets.asked import ask_with_readings, asks_drive
from pipelines.sheets.cells import (
    Bools,
    Cells,
    Floats,
    Ints,
    combine,
    constant,
    joined,
)
from pipelines.sheets.context import Conditions, Context
from pipelines.sheets.converted import Converted, convert
from pipelines.sheets.doubts import apply_doubts
from pipelines.sheets.duplicates import Visits, mark_copies, mark_stored
from pipelines.sheets.frames import DRIVEN, Rows, Setup, frames_of
from pipelines.sheets.known import Known, likely_alias, unsure_alias
from pipelines.sheets.meter_judge import meter_column
from pipelines.sheets.packed import Packed
from pipelines.sheets.protocols import Parts, Resolved, resolve
from pipelines.sheets.questions import Question
from pipelines.sheets.readings import CODE, MEASURES, Readings, gather
from pipelines.sheets.table import SheetTable
from pipelines.sheets.technicians import technician_code
from pipelines.sheets.told import told_work
from pipelines.sheets.vocabulary import answer_word, driven_word, reason_word
from wearlab.config import Settings
from wearlab.records import Driven, Measure
from wearlab.store.database import Database

_FLOW = CODE[Measure.RETURN_FLOW]
_QUANTITIES = {
    "odometer_km": ("odometer", 0.0),
    "engine_hours": ("engine_hours", 0.0),
    "rail_bar": ("rail", 0.0),
    "speed_rpm": ("speed", 0.0),
    "fuel_temp_c": ("fuel_temp", None),
    "back_pressure_bar": ("back_pressure", 0.0),
    "battery_v": ("battery", 0.0),
    "supply_bar": ("supply", None),
}
_TEXTS = ("temp_kind", "metering_valve", "supply_note", "technician", "reason", "complaint", "fault_codes")


def tests_of(table: SheetTable, settings: Settings, database: Database, known: Known, sha256: str) -> SheetResult:
    """Read a sheet of tests.

    `known` is what the register says; `sha256` the file's hash, from which stable test ids are made.
    """
    settings = settings.model_copy(update={"rigs": known.rigs})
    day = table.row_dates()
    vehicle, vehicle_text = table.vehicles(known, day)
    mark_copies(table, vehicle)
    rows = Rows(
        vehicle,
        vehicle_text,
        day,
        {name: table.quantity(field, least=least) for name, (field, least) in _QUANTITIES.items()},
        {name: table.text(name) for name in _TEXTS}
        | {
            "reason": table.text("reason").words(reason_word),
            "technician": table.text("technician").words(technician_code),
        },
        _connected(table),
    )
    readings, packed, packed_cells = gather(table)
    family = known.family(vehicle, day)
    made = convert(readings, settings, packed, packed_cells, family, known.reply("ounce", "fl oz"))
    setup = _setup(readings, made, rows, settings, packed, packed_cells, known)
    told = rows.texts | {"rig": made.rig, "serial": table.text("serial")}
    visits = Visits(vehicle, day, rows.figures | {"connected": rows.connected.astype(np.float64)}, told, made.notes)
    prints = mark_stored(readings, made, setup.protocol, visits, database)
    figures = rows.figures
    conditions = Conditions(
        figures["rail_bar"],
        figures["speed_rpm"],
        figures["battery_v"],
        figures["back_pressure_bar"],
        figures["supply_bar"],
        rows.texts["supply_note"],
    )
    context = Context(vehicle, day, conditions, setup.driven, setup.protocol, family, known, settings)
    asked = ask_with_readings(readings, _silent(readings, setup))
    questions = asked + _drives(readings, setup) + apply_doubts(readings, made, context)
    _aliases(readings, vehicle, known, questions)
    frames, stored = frames_of(readings, made, rows, setup, database, sha256)
    if packed is not None and packed_cells is not None:
        event = np.array([one.event for one in packed], dtype=np.bool_)[packed_cells.codes] & table.live
        frames.append(("work", told_work(table, event, vehicle, vehicle_text, day, rows.figures["odometer_km"])))
        stored |= event
    frames += [("meter_column", meter_column(table)), ("row_print", prints)]
    return SheetResult(frames, stored, int(np.count_nonzero(readings.keep)), questions)


def _connected(table: SheetTable) -> Ints:
    default = table.layout.defaults.injectors_connected
    fallback = -1 if default is None else int(default)
    mapped = table.one("injectors_connected")
    if mapped is None:
        return np.full(table.size, fallback, dtype=np.int64)
    cells = table.text("injectors_connected")
    said = [answer_word(text) for text in cells.texts]
    unknown = np.array([one is None and text != "" for one, text in zip(said, cells.texts, strict=True)], np.bool_)
    rows = table.live & unknown[cells.codes]
    table.findings.add("unknown_word", rows, column=mapped, cells=cells.at(rows), more=" as yes or no")
    return np.array([fallback if one is None else int(one) for one in said], dtype=np.int64)[cells.codes]


def _setup(
    readings: Readings,
    made: Converted,
    rows: Rows,
    settings: Settings,
    packed: list[Packed] | None,
    packed_cells: Cells | None,
    known: Known,
) -> Setup:
    table, row = readings.table, readings.row
    protocol = _spread(readings, [one.column.protocol for one in readings.columns], table.text("protocol"))
    row_driven = table.text("driven")
    if packed is not None and packed_cells is not None and any(one.driven for one in packed):
        row_driven = Cells(packed_cells.codes, [one.driven or "" for one in packed]).words(str)
    driven = _spread(readings, [one.column.driven for one in readings.columns], row_driven)
    volume = _figures(readings, "volume", "volume")
    rise_to = _figures(readings, "rise_to", "pressure")
    rate = made.quantity == made.quantities.index("flow")
    rail = np.round(rows.figures["rail_bar"][row] / 10.0)
    raised = any(one.driven == Driven.RAISED for one in settings.protocols.values()) or any(
        driven_word(text) == Driven.RAISED for text in (*driven.texts, *protocol.texts)
    )
    keys: list[Ints | Floats] = [
        readings.measure,
        protocol.codes,
        driven.codes,
        made.duration,
        volume,
        rise_to,
    ]
    keys += [rows.connected[row], rate.astype(np.int64)]
    combo = combine([*keys, rail] if raised else keys, len(readings))
    _, first = np.unique(combo, return_index=True)
    found: list[Resolved] = []
    for place in first:
        connected = int(rows.connected[row[place]])
        parts = Parts(
            MEASURES[max(int(readings.measure[place]), 0)],
            protocol.texts[protocol.codes[place]],
            driven.texts[driven.codes[place]],
            float(made.duration[place]),
            float(rows.figures["rail_bar"][row[place]]),
            float(volume[place]),
            float(rise_to[place]),
            None if connected < 0 else bool(connected),
            bool(rate[place]),
        )
        one = resolve(parts, settings)
        if one.driven is None and (said := known.reply("protocol", one.name)) is not None:
            one = resolve(replace(parts, driven=said), settings)
        found.append(one)

    def figures(values: list[float]) -> Floats:
        return np.array(values, dtype=np.float64)[combo]

    duration = np.where(np.isnan(made.duration) & ~rate, figures([one.duration_s for one in found]), made.duration)
    flow_volume = (readings.measure == _FLOW) & (made.quantity == made.quantities.index("volume"))
    with np.errstate(invalid="ignore", divide="ignore"):
        made.level = np.where(flow_volume, made.value * 60.0 / duration, made.level)
    made.duration = duration
    drive = np.array([-1 if one.driven is None else DRIVEN.index(one.driven) for one in found], np.int64)[combo]
    name = Cells(combo, [one.name for one in found]).words(str)
    volume = np.where(np.isnan(volume), figures([one.volume_ml for one in found]), volume)
    rise_to = np.where(np.isnan(rise_to), figures([one.rise_to_bar for one in found]), rise_to)
    return Setup(name, drive, volume, rise_to)


def _drives(readings: Readings, setup: Setup) -> list[Question]:
    """Ask once for each protocol of which nobody knows how the engine was driven."""
    questions: list[Question] = []
    silent = _silent(readings, setup)
    readings.show |= silent
    if asks_drive(readings.table.layout):
        return []
    name = setup.protocol
    for code in np.unique(name.codes[silent]):
        text = name.texts[int(code)]
        count = int(np.count_nonzero(silent & (name.codes == code)))
        sentence = f'How was the engine driven in the tests "{text}" (crank, idle, raised)?'
        questions.append(Question("protocol", text, sentence, count))
    return questions


def _silent(readings: Readings, setup: Setup) -> Bools:
    found: Bools = readings.keep & (setup.driven < 0) & (readings.measure != CODE[Measure.RIG_CHECK])
    return found


def _spread(readings: Readings, own: Sequence[str | None], row_words: Cells) -> Cells:
    """A word for each reading: the column's own, else the one of its row."""
    count = len(readings) // max(len(readings.columns), 1)
    rows = readings.row[:count]
    return joined([row_words.at(rows) if word is None else constant(str(word), count) for word in own])


def _figures(readings: Readings, field: str, quantity: str) -> Floats:
    table = readings.table
    count = len(readings) // max(len(readings.columns), 1)
    given = table.quantity(field, least=0.0)
    given = np.where(np.isnan(given), table.fixed(getattr(table.layout.defaults, field), quantity), given)
    parts = []
    for mapped in readings.columns:
        own = getattr(mapped.column, field)
        parts.append(given[readings.row[:count]] if own is None else np.full(count, table.fixed(own, quantity)))
    return np.concatenate(parts)


def _aliases(readings: Readings, vehicle: Cells, known: Known, questions: list[Question]) -> None:
    """Vehicles whose key may stand for another one are asked about once each."""
    code = vehicle.codes[readings.row]
    live = np.unique(vehicle.codes[readings.table.live])
    for place in live:
        key = vehicle.texts[int(place)]
        other, open_to = likely_alias(key, known), unsure_alias(key, known)
        if (other is None and open_to is None) or known.reply("alias", key) is not None:
            continue
        here = readings.keep & (code == place)
        readings.show |= here
        count = int(np.count_nonzero(here))
        if open_to is None:
            sentence = f"Is {key} the registered vehicle {other}?"
        else:
            sentence = (
                f"Which vehicle was {key} in this sheet ({' or '.join(open_to)}, at another time in the register)?"
            )
        questions.append(Question("alias", key, sentence, count))

"""Readings in base units: volume or rate, level, resolution, bounds from full tubes and zeros."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from pipelines.sheets.cells import Bools, Cells, Floats, Ints
from pipelines.sheets.checks import TUBE_BRIM
from pipelines.sheets.hints import Hint, hint
from pipelines.sheets.packed import Packed
from pipelines.sheets.readings import CODE, Readings
from pipelines.sheets.sensors import apply_sensors
from pipelines.sheets.table import SheetTable
from pipelines.sheets.tubes import channels_of, gauges_of, limiters_of, rigs_of, tubes_of
from pipelines.sheets.values import Status
from pipelines.sheets.vocabulary import cell_unit
from pipelines.sheets.words import MeasuredUnit, fold, measured_unit
from wearlab.config import Settings
from wearlab.errors import UnitError
from wearlab.records import Measure
from wearlab.units import BASE

_EXPECTED: dict[Measure, tuple[str, ...]] = {
    Measure.RETURN_FLOW: ("volume", "flow"),
    Measure.PUMP_PEAK: ("pressure",),
    Measure.PUMP_RISE: ("time",),
    Measure.PUMP_HOLD: ("pressure",),
    Measure.RIG_CHECK: ("pressure rate",),
}
_US_TO_UK = measured_unit("uk fl oz").factor / measured_unit("us fl oz").factor
_STROKE = re.compile(
    r"(?:mm 3|mm3|mm³|mg)(?: (?:stroke|str|hub|h|inj|injection|shot|coup|cp|cycle|corsa|slag|suw|carrera))?"
)


@dataclass(slots=True)
class Converted:
    """What the readings are in base units; arrays with one entry a reading.

    `value` in the base unit of `quantity` (index into `quantities`), `level` in the measure's level unit,
    `bound` 1 at least, -1 at most, `rate` where a rate was written, `ounce` where the country of a fluid
    ounce is open. `hints` is what the remarks say, with the remark's code a row in `notes`.
    """

    value: Floats
    level: Floats
    bound: Ints
    resolution: Floats
    quantity: Ints
    quantities: list[str]
    duration: Floats
    ounce: Bools
    unit_text: Cells
    channel: Cells
    rig: Cells
    notes: Cells
    hints: list[Hint]

    def hinted(self, values: list[float], rows: Ints) -> Floats:
        """Spread one figure per distinct remark over readings."""
        return np.array(values, dtype=np.float64)[self.notes.codes[rows]]


def convert(
    readings: Readings,
    settings: Settings,
    packed: list[Packed] | None,
    packed_cells: Cells | None,
    family: Cells | None = None,
    ounce_said: str | None = None,
) -> Converted:
    """Convert every kept reading; one whose unit does not measure what was tested is set aside.

    `family` : the family of every row's vehicle, blank where unknown; it may tell which sensor gave volts.
    `ounce_said` : "us" or "uk" where a person said of which kind fluid ounces are.
    """
    table, row = readings.table, readings.row
    notes = table.notes()
    hints = notes.each(hint)
    rig = rigs_of(table, settings)
    channel = channels_of(table, readings, rig)
    tube, mark, area = tubes_of(table, readings, settings, rig, channel)
    note_code = notes.codes[row]
    hinted = np.array([one.tube_ml for one in hints])[note_code]
    tube = np.where(np.isnan(hinted), tube, hinted)

    words, units, codes = _unit_codes(readings)
    quantities = sorted({one.quantity for one in units if one is not None} | {"volume", "flow", "pressure", "time"})
    index = {name: place for place, name in enumerate(quantities)}
    quantity = np.array([-1 if one is None else index[one.quantity] for one in units], dtype=np.int64)[codes]
    factor = np.array([np.nan if one is None else one.factor for one in units])[codes]
    offset = np.array([0.0 if one is None else one.offset for one in units])[codes]
    over_s = np.array([np.nan if one is None or one.over_s is None else one.over_s for one in units])[codes]
    open_choice = np.array([one is not None and one.open_choice for one in units], dtype=np.bool_)[codes]
    country = np.array([("", "us", "uk").index(one.country) for one in hints])[note_code]
    country = np.where((country == 0) & open_choice, ("", "us", "uk").index(ounce_said or ""), country)
    factor = np.where(open_choice & (country == 2), factor * _US_TO_UK, factor)

    status, flow = readings.number.status, readings.measure == CODE[Measure.RETURN_FLOW]
    beyond = readings.keep & (status == Status.BEYOND)
    limiter = limiters_of(settings, rig, row)
    capacity = np.where(flow, tube, np.where(readings.measure == CODE[Measure.PUMP_PEAK], limiter, np.nan))
    readings.doubt("capacity_unknown", beyond & np.isnan(capacity))
    beyond &= readings.keep
    value = readings.number.value * factor + offset
    slope = apply_sensors(readings, settings, rig, family, value, quantity, index, beyond)
    _unit_rules(readings, words, quantity, quantities, area, beyond)
    height = readings.keep & (quantity == index.get("height", -2)) & ~beyond
    value[height] = readings.number.value[height] * factor[height] * area[height] / 1000.0
    value[beyond] = capacity[beyond]
    quantity = np.where(height | (beyond & flow), index["volume"], np.where(beyond, index["pressure"], quantity))
    bound = np.where(beyond, 1, readings.number.bound)
    duration = _durations(table, readings, packed, packed_cells, over_s)
    rate = quantity == index["flow"]
    volume = quantity == index["volume"]
    with np.errstate(invalid="ignore", divide="ignore"):
        level = np.where(volume & flow, value * 60.0 / duration, value)
        readings.doubt("negative", readings.keep & ((value < 0) | (readings.number.value < 0)))
        resolution = np.where(volume, mark, np.where(rate, mark * 60.0 / duration, np.nan))
    gauge = gauges_of(settings, rig, row)
    resolution = np.where(quantity == index["pressure"], gauge, np.where(flow, resolution, np.nan))
    written = np.where((factor != 1.0) & ~height & ~beyond, readings.number.step * factor, np.nan)
    written = np.where(np.isnan(slope), written, readings.number.step * slope)
    resolution = np.where(np.isnan(resolution), written, resolution)
    zero = readings.keep & flow & (value == 0) & (bound == 0) & ~np.isnan(resolution)
    value = np.where(zero, resolution / 2, value)
    bound = np.where(zero, -1, bound)
    with np.errstate(invalid="ignore", divide="ignore"):
        level = np.where(zero, np.where(volume, value * 60.0 / duration, value), level)
    _over_tube(readings, flow & volume & (bound == 0), value, tube)
    _tell(readings, value, quantity, quantities, rate, height)
    ounce = readings.keep & open_choice & (country == 0)
    readings.doubt("ounce", ounce)
    return Converted(
        value,
        level,
        bound,
        resolution,
        quantity,
        quantities,
        duration,
        ounce,
        words,
        channel,
        rig,
        notes,
        hints,
    )


def _over_tube(readings: Readings, volumes: Bools, value: Floats, tube: Floats) -> None:
    """A volume that its tube cannot hold is kept out of models; a slipped decimal point is suggested."""
    with np.errstate(invalid="ignore"):
        over = readings.keep & volumes & (value > TUBE_BRIM * tube)
    if not over.any():
        return
    slips = [f"{ml / 10:g} ml" if ml / 10 <= size else None for ml, size in zip(value[over], tube[over], strict=True)]
    readings.doubt("over_tube", over, [f"{size:g}" for size in tube[over]], slips)


def _unit_codes(readings: Readings) -> tuple[Cells, list[MeasuredUnit | None], Ints]:
    """The unit of each reading: the one in its cell, else the one of its row or column."""
    inside, outside = readings.number.units, readings.unit_text
    count = max(len(outside.texts), 1)
    pairs, codes = np.unique(inside.codes * count + outside.codes, return_inverse=True)
    texts = [inside.texts[pair // count] or outside.texts[pair % count] for pair in pairs]
    words = Cells(codes.astype(np.int64), texts).words(str)
    units: list[MeasuredUnit | None] = []
    for text in words.texts:
        try:
            units.append(cell_unit(text) if text else None)
        except UnitError:
            units.append(None)
    return words, units, words.codes


def _unit_rules(
    readings: Readings,
    words: Cells,
    quantity: Ints,
    quantities: list[str],
    area: Floats,
    beyond: Bools,
) -> None:
    open_cells = readings.keep & ~beyond
    missing = words.blank
    stroke = words.bools(lambda text: _STROKE.fullmatch(fold(text)) is not None)
    readings.doubt("unit_missing", open_cells & missing)
    readings.doubt("other_quantity", open_cells & stroke, "a delivery or correction quantity")
    unknown = open_cells & readings.keep & (quantity < 0)
    readings.doubt("unknown_unit", unknown, list(words.at(unknown).objects()))
    for code, measure in enumerate(CODE):
        here = open_cells & readings.keep & (readings.measure == code)
        wrong = here & ~np.isin(quantity, [quantities.index(q) for q in _EXPECTED[measure] if q in quantities])
        if not wrong.any():
            continue
        height = wrong & _is(quantity, quantities, "height") & (measure == Measure.RETURN_FLOW)
        readings.doubt("height", height & np.isnan(area))
        volts = wrong & _is(quantity, quantities, "voltage")
        readings.doubt("volts", volts)
        rest = wrong & ~height & ~volts
        more = [f"{quantities[place]}, and {' or '.join(_EXPECTED[measure])} was tested" for place in quantity[rest]]
        readings.doubt("wrong_quantity", rest, more)


def _is(quantity: Ints, quantities: list[str], name: str) -> Bools:
    wanted = quantities.index(name) if name in quantities else -2
    return np.asarray(quantity == wanted, dtype=np.bool_)


def _durations(
    table: SheetTable,
    readings: Readings,
    packed: list[Packed] | None,
    packed_cells: Cells | None,
    over_s: Floats,
) -> Floats:
    duration = readings.duration
    duration = np.where(np.isnan(duration), over_s, duration)
    if packed is not None and packed_cells is not None:
        said = np.array([one.duration_s for one in packed])[packed_cells.codes]
        duration = np.where(np.isnan(duration), said[readings.row], duration)
    rows = table.quantity("duration", least=0.001)
    rows = np.where(np.isnan(rows), table.fixed(table.layout.defaults.duration, "time"), rows)
    return np.where(np.isnan(duration), rows[readings.row], duration)


def _tell(
    readings: Readings,
    value: Floats,
    quantity: Ints,
    quantities: list[str],
    rate: Bools,
    height: Bools,
) -> None:
    """Say where a cell's own unit was not its column's, and where a duration beside a rate was not used."""
    inside, outside = readings.number.units, readings.unit_text
    differs = readings.keep & ~inside.blank & (inside.codes >= 0)
    if differs.any():
        same = {(a, b): fold(a) == fold(b) for a in inside.texts for b in outside.texts}
        count = len(outside.texts)
        table = np.array([same[a, b] for a in inside.texts for b in outside.texts], dtype=np.bool_)
        differs &= ~table[inside.codes * count + outside.codes]
    told = (differs | (readings.keep & height)) & ~np.isnan(value)
    readings.doubt("converted", told, [f"{value[k]:g} {BASE[quantities[quantity[k]]]}" for k in np.flatnonzero(told)])
    readings.doubt("scientific", readings.keep & readings.number.scientific)
    mapped = readings.table.one("duration")
    if mapped is not None and (readings.keep & rate).any():
        texts = readings.table.cells(mapped).at(readings.row)
        ignored = readings.keep & rate & ~texts.blank
        readings.doubt("duration_ignored", ignored, [f"duration {text}" for text in texts.at(ignored).objects()])

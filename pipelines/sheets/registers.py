"""From registers and logs to the store: vehicles, odometer or fuel-card log, planned visits, stock, rigs."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from pipelines.sheets.account import SheetResult
from pipelines.sheets.cells import Bools, Cells, Floats, coded, nullable_flags
from pipelines.sheets.duplicates import mark_copies, mark_held
from pipelines.sheets.known import Known
from pipelines.sheets.meter_judge import meter_column
from pipelines.sheets.table import SheetTable
from pipelines.sheets.values import LONGEST_NUMBER, Status, read_number
from pipelines.sheets.vocabulary import answer_word, reason_word
from pipelines.sheets.words import fold
from wearlab.records import WorkKind, vehicle_key
from wearlab.store.database import Database

_RIG_FIGURES = {
    "tube_ml": "tube",
    "graduation_ml": "graduation",
    "dead_ml": "dead",
    "volume_ml": "volume",
    "limiter_bar": "limiter",
    "gauge_bar": "gauge",
}
_AREA = re.compile(r"(.*?)\s*([cm])m(?:2|²|\^2)", re.I)


def vehicles_of(table: SheetTable, database: Database, known: Known) -> SheetResult:
    """Read a vehicle register; an alias is another key of the same vehicle (plate, fleet number)."""
    del known  # the register itself says which key is the vehicle's own
    vehicle, written = table.vehicles()
    mark_copies(table, vehicle)
    alias = table.text("alias").words(vehicle_key)
    cylinders = _counts(table, "cylinders", most=24)
    frame = _start(table)
    frame["vehicle"] = coded(vehicle)
    frame["vehicle_text"] = coded(written)
    frame["alias"] = coded(alias)
    for name in ("family", "depot", "duty", "fuel_supply"):
        frame[name] = coded(table.text(name))
    frame["cylinders"] = _nullable(cylinders)
    frame["odometer_start_km"] = table.quantity("odometer_start", least=0.0)
    frame["original_parts"] = _flags(table, "original_parts")
    for name in ("valid_from", "in_service", "warranty_until", "leaves_on"):
        frame[name] = table.dates(name).astype("datetime64[s]")
    compared = dict.fromkeys(("vehicle", "alias", "family", "depot", "duty", "fuel_supply"), "VARCHAR")
    compared |= dict.fromkeys(("valid_from", "in_service", "warranty_until", "leaves_on"), "DATE")
    compared |= {"cylinders": "INTEGER", "odometer_start_km": "DOUBLE"}
    return _finish(table, frame, "register", compared, database)


def odometer_of(table: SheetTable, database: Database, known: Known) -> SheetResult:
    """Read an odometer or fuel-card log; litres stay litres."""
    day = table.row_dates()
    vehicle, _ = table.vehicles(known, day)
    mark_copies(table, vehicle)
    odometer = table.quantity("odometer", least=0.0)
    frame = _start(table)
    frame["vehicle"] = coded(vehicle)
    frame["read_on"] = day.astype("datetime64[s]")
    frame["odometer_km"] = odometer
    frame["engine_hours"] = table.quantity("engine_hours", least=0.0)
    frame["litres"] = _litres(table)
    empty = frame[["odometer_km", "engine_hours", "litres"]].isna().all(axis=1).to_numpy()
    compared = {"vehicle": "VARCHAR", "read_on": "DATE", "odometer_km": "DOUBLE", "engine_hours": "DOUBLE"}
    compared |= {"litres": "DOUBLE"}
    table.findings.add("nothing_measured", table.live & empty)
    result = _finish(table, frame, "odometer_log", compared, database, empty=empty)
    result.frames.append(("meter_column", meter_column(table)))
    return result


def visits_of(table: SheetTable, database: Database, known: Known) -> SheetResult:
    """Read planned visits; their dates may lie ahead."""
    day = table.row_dates(future=True)
    vehicle, _ = table.vehicles(known, day)
    mark_copies(table, vehicle)
    frame = _start(table)
    frame["vehicle"] = coded(vehicle)
    frame["planned_on"] = day.astype("datetime64[s]")
    frame["kind"] = coded(table.text("kind"))
    for name in ("depot", "complaint", "fault_codes"):
        frame[name] = coded(table.text(name))
    frame["reason"] = coded(table.text("reason").words(reason_word))
    frame["note"] = coded(table.notes())
    compared = {"vehicle": "VARCHAR", "planned_on": "DATE"}
    compared |= dict.fromkeys(("kind", "depot", "reason", "complaint", "fault_codes", "note"), "VARCHAR")
    return _finish(table, frame, "planned_visit", compared, database)


def stock_of(table: SheetTable, database: Database, known: Known) -> SheetResult:
    """Read stock and orders, one row a part number."""
    del known  # parts, not vehicles
    part = table.text("part_number")
    blank = table.live & part.blank
    table.findings.add("no_part_number", blank, column=table.one("part_number"), cells=part.at(blank))
    mark_copies(table)
    frame = _start(table)
    frame["part_number"] = coded(part)
    frame["on_hand"] = _nullable(_counts(table, "on_hand"))
    frame["on_order"] = _nullable(_counts(table, "on_order"))
    frame["due_on"] = table.dates("due_on").astype("datetime64[s]")
    frame["counted_on"] = table.dates("date").astype("datetime64[s]")
    frame["note"] = coded(table.notes())
    compared = {"part_number": "VARCHAR", "on_hand": "INTEGER", "on_order": "INTEGER", "due_on": "DATE"}
    compared |= {"counted_on": "DATE", "note": "VARCHAR"}
    return _finish(table, frame, "stock", compared, database)


def rigs_of(table: SheetTable, database: Database, known: Known) -> SheetResult:
    """Read a register of rigs, one row a rig or one of its tubes; a date of calibration is work on the rig as well."""
    del known  # rigs, not vehicles
    rig = table.text("rig")
    blank = table.live & rig.blank
    table.findings.add("no_rig", blank, column=table.one("rig"), cells=rig.at(blank))
    mark_copies(table)
    frame = _start(table)
    for name in ("rig", "channel", "depot"):
        frame[name] = coded(table.text(name))
    frame["valid_from"] = table.dates("valid_from").astype("datetime64[s]")
    for name, field in _RIG_FIGURES.items():
        frame[name] = table.quantity(field, least=1e-9 if name != "dead_ml" else 0.0)
    bore = table.quantity("bore", least=1e-9)
    area = _area(table)
    frame["area_mm2"] = np.where(np.isnan(area), np.pi * bore**2 / 4.0, area)
    frame["calibrate_every_days"] = _nullable(_counts(table, "calibrate_every", most=3660))
    calibrated = table.dates("calibrated")
    late = table.live & (calibrated > np.datetime64(table.as_of))
    mapped = table.one("calibrated")
    if mapped is not None:
        cells = table.cells(mapped).at(late)
        table.findings.add("unreadable_day", late, column=mapped, cells=cells, more=f"a day up to {table.as_of}")
        calibrated = np.where(late, np.datetime64("NaT"), calibrated)
    frame["calibrated_on"] = calibrated.astype("datetime64[s]")
    frame["note"] = coded(table.notes())
    compared = dict.fromkeys(("rig", "channel", "depot", "note"), "VARCHAR")
    compared |= dict.fromkeys((*_RIG_FIGURES, "area_mm2"), "DOUBLE")
    compared |= {"valid_from": "DATE", "calibrated_on": "DATE", "calibrate_every_days": "INTEGER"}
    result = _finish(table, frame, "rig_register", compared, database)
    worked = frame[result.stored & ~np.isnat(calibrated)]
    work = worked[["row_no", "rig", "depot"]].assign(
        done_on=worked["calibrated_on"], kind=WorkKind.CALIBRATION.value, note=worked["note"]
    )
    result.frames.append(("work", work))
    return result


def _area(table: SheetTable) -> Floats:
    """Areas of tubes in mm2; a cell or its column may say cm2."""
    mapped = table.one("area")
    if mapped is None:
        return np.full(table.size, np.nan)
    cells = table.cells(mapped)
    factor = 100.0 if "cm" in fold(mapped.column.header) else 1.0

    def read(text: str) -> float:
        found = _AREA.fullmatch(text.strip()[: LONGEST_NUMBER + 1])
        bare = text if found is None else found.group(1)
        number = read_number(bare, table.style(mapped))
        if number.status != Status.MEASURED or number.bound or number.unit or number.value <= 0:
            return float("nan")
        own = factor if found is None else 100.0 if found.group(2).lower() == "c" else 1.0
        return number.value * own

    value = cells.floats(read)
    wrong = table.live & np.isnan(value) & ~cells.blank
    table.findings.add("unreadable", wrong, column=mapped, cells=cells.at(wrong), more=" of mm2")
    return value


def _start(table: SheetTable) -> pd.DataFrame:
    return pd.DataFrame({"row_index": np.arange(table.size), "row_no": table.numbers})


def _finish(
    table: SheetTable,
    frame: pd.DataFrame,
    target: str,
    compared: dict[str, str],
    database: Database,
    *,
    empty: Bools | None = None,
) -> SheetResult:
    mark_held(table, frame[table.live], target, compared, database)
    stored = table.live if empty is None else table.live & ~empty
    return SheetResult([(target, frame[stored].drop(columns="row_index"))], stored)


def _counts(table: SheetTable, field: str, *, most: float = 1e9) -> Floats:
    """Whole numbers from 0; anything else is set aside."""
    mapped = table.one(field)
    if mapped is None:
        return np.full(table.size, np.nan)
    cells = table.cells(mapped)
    found = table.figures(mapped)
    value = np.where(found.status == Status.MEASURED, found.value, np.nan)
    with np.errstate(invalid="ignore"):
        wrong = (value < 0) | (value > most) | (value != np.round(value)) & ~np.isnan(value)
    wrong = table.live & (wrong | (found.status == Status.UNREADABLE) | (found.bound != 0) | ~found.units.blank)
    table.findings.add("unreadable", wrong, column=mapped, cells=cells.at(wrong), more=" of pieces")
    value[wrong] = np.nan
    return value


def _litres(table: SheetTable) -> Floats:
    return table.quantity("litres", least=0.0) / 1000.0  # the base unit of a volume is ml


def _flags(table: SheetTable, field: str) -> pd.arrays.BooleanArray:
    mapped = table.one(field)
    cells: Cells = table.text(field)
    said = [answer_word(text) for text in cells.texts]
    if mapped is not None:
        unknown = cells.bools(lambda text: text != "" and answer_word(text) is None) & table.live
        table.findings.add("unknown_word", unknown, column=mapped, cells=cells.at(unknown), more=" as yes or no")
    return nullable_flags(np.array([-1 if one is None else int(one) for one in said], np.int64)[cells.codes])


def _nullable(values: Floats) -> pd.arrays.IntegerArray:
    blank = np.isnan(values)
    return pd.arrays.IntegerArray(np.where(blank, 0, values).astype(np.int64), blank)

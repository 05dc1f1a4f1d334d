"""The columns of every demo sheet, once: the writers take the headers, the layouts take the meanings."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

Value = str | int | float | bool | list[str] | dict[str, str]


@dataclass(frozen=True, slots=True)
class Col:
    """One column: header as written, field it fills, further keys of the layout."""

    header: str
    field: str
    more: dict[str, Value] = dataclasses.field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SheetKind:
    """One kind of sheet: how the file is written, what it does not say itself, its columns."""

    stem: str
    name: str
    kind: str
    about: str
    file: dict[str, Value]
    columns: tuple[Col, ...]
    defaults: dict[str, Value] = dataclasses.field(default_factory=dict)

    @property
    def headers(self) -> list[str]:
        """Headers in the order of the columns."""
        return [column.header for column in self.columns]


MOST_CYLINDERS = 6
PEAK: dict[str, Value] = {"position": "pump", "unit": "bar", "measure": "pump_peak"}
RISE: dict[str, Value] = {"position": "pump", "unit": "s", "measure": "pump_rise", "rise_to": "1000 bar"}


def _cylinders(form: str, **more: Value) -> tuple[Col, ...]:
    return tuple(
        Col(form.format(n), "reading", {"position": str(n), "unit": "ml", **more}) for n in range(1, MOST_CYLINDERS + 1)
    )


_KM: dict[str, Value] = {"unit": "km"}
_TEMP: dict[str, Value] = {"unit": "degC"}
_NORTH_FILE: dict[str, Value] = {
    "encodings": ["cp1252"],
    "delimiter": ";",
    "decimal": ",",
    "thousands": [" ", "\u00a0"],
    "date_formats": ["%d/%m/%Y"],
}
_NORTH_START = (Col("Vehicle", "vehicle"), Col("Date", "date"), Col("Odometer (km)", "odometer", _KM))
_CRANK_SPEED = Col("Crank speed (rpm)", "speed", {"unit": "rpm"})
_BATTERY = Col("Battery (V)", "battery", {"unit": "V"})
_NORTH_END = (Col("Tech", "technician"), Col("Notes", "note"))
#: what a workshop writes for each reason of a visit -> the layouts' word for it
REASONS: dict[str, dict[str, str]] = {
    "North": {
        "service": "planned",
        "driver complains": "complaint",
        "check after rep.": "after repair",
        "warr.": "warranty",
        "came back": "return",
    },
    "Lake": {
        "routine": "planned",
        "fault reported": "complaint",
        "post repair": "after repair",
        "guarantee": "warranty",
        "again": "return",
    },
    "Mill": {
        "PM": "planned",
        "Complaint": "complaint",
        "After rep.": "after repair",
        "Warranty": "warranty",
        "Re-visit": "return",
    },
}


def reason_written(workshop: str, reason: str) -> str:
    """The word a workshop writes for a reason; blank stays blank."""
    return next((word for word, meaning in REASONS[workshop].items() if meaning == reason), "")


_NORTH_VISIT = (
    Col("Reason", "reason", {"words": REASONS["North"]}), Col("Complaint", "complaint"),
    Col("Codes", "fault_codes"),
)  # fmt: skip

NORTH_IDLE = SheetKind(
    "north_idle", "north workshop, idle", "tests", "one row a visit, one column a cylinder", _NORTH_FILE,
    (
        *_NORTH_START, Col("Run", "repeat"), Col("Fuel temp °C", "fuel_temp", _TEMP),
        Col("Rail (bar)", "rail", {"unit": "bar"}), Col("Time (s)", "duration", {"unit": "s"}),
        *_cylinders("Cyl {} (ml)"), *_NORTH_VISIT, *_NORTH_END,
    ),
    {"measure": "return_flow", "protocol": "warm idle", "temp_kind": "return", "rig": "R-north"},
)  # fmt: skip
NORTH_CRANK = SheetKind(
    "north_crank", "north workshop, crank", "tests",
    "one row a visit; the rail pressure is not written down, so the set is compared by shares", _NORTH_FILE,
    (
        *_NORTH_START, _CRANK_SPEED, _BATTERY,
        Col("Time (s)", "duration", {"unit": "s"}), Col("Tank °C", "fuel_temp", _TEMP),
        *_cylinders("Cyl {} (ml)"), *_NORTH_END,
    ),
    {"measure": "return_flow", "driven": "crank", "temp_kind": "tank", "rig": "R-north"},
)  # fmt: skip
NORTH_PUMP = SheetKind(
    "north_pump", "north workshop, pump", "tests", "closed volume, one row a test", _NORTH_FILE,
    (
        *_NORTH_START, Col("Peak (bar)", "reading", PEAK), Col("Rise to 1000 bar (s)", "reading", RISE),
        _CRANK_SPEED, _BATTERY,
        Col("Supply (bar)", "supply", {"unit": "bar"}), Col("Supply seen", "supply_note"),
        Col("Tank °C", "fuel_temp", _TEMP), *_NORTH_VISIT, *_NORTH_END,
    ),
    {"driven": "crank", "volume": "20 ml", "temp_kind": "tank", "rig": "R-north"},
)  # fmt: skip
_LAKE_MEASURES = {"return": "return_flow", "peak": "pump_peak", "rise": "pump_rise"}
_LAKE_DRIVES = {"tick-over": "idle", "idle warm": "idle", "on the starter": "crank"}
LAKE = SheetKind(
    "lake", "lake workshop, long", "tests", "one row a reading, drive in whatever word came to mind",
    {"encodings": ["utf-8"], "delimiter": ",", "date_formats": ["%Y-%m-%d"]},
    (
        Col("vehicle", "vehicle"), Col("test_date", "date"), Col("km", "odometer", _KM),
        Col("what", "measure", {"words": _LAKE_MEASURES}), Col("drive", "driven", {"words": _LAKE_DRIVES}),
        Col("cyl", "position"), Col("run", "repeat"), Col("result", "value"), Col("unit", "unit"),
        Col("seconds", "duration", {"unit": "s"}), Col("block_ml", "volume", {"unit": "ml"}),
        Col("rise_to_bar", "rise_to", {"unit": "bar"}), Col("rail_bar", "rail", {"unit": "bar"}),
        Col("fuel_c", "fuel_temp", _TEMP), Col("rpm", "speed", {"unit": "rpm"}),
        Col("battery_v", "battery", {"unit": "V"}), Col("supply_bar", "supply", {"unit": "bar"}),
        Col("supply_seen", "supply_note"), Col("serial", "serial"),
        Col("why", "reason", {"words": REASONS["Lake"]}), Col("driver_says", "complaint"),
        Col("codes", "fault_codes"), Col("by", "technician"), Col("remark", "note"),
    ),
    {"rig": "R-lake"},
)  # fmt: skip
MILL = SheetKind(
    "mill", "mill workshop, workbook", "tests", "two header rows, the vehicle's name merged over its tests",
    {"header_rows": 2},
    (
        Col("Vehicle", "vehicle"), Col("Date", "date"), Col("Odo [km]", "odometer", _KM),
        Col("Test", "driven", {"words": {"hot idle": "idle", "starter": "crank", "pump block": "crank"}}),
        Col("Run", "repeat"), Col("Dur. [s]", "duration", {"unit": "s"}),
        Col("Rail [bar]", "rail", {"unit": "bar"}),
        Col("Fuel [°C]", "fuel_temp", _TEMP), Col("Crank [rpm]", "speed", {"unit": "rpm"}),
        Col("Batt. [V]", "battery", {"unit": "V"}), Col("Supply [bar]", "supply", {"unit": "bar"}),
        Col("Filter, air", "supply_note"),
        *_cylinders("Return flow #{} [ml]", measure="return_flow"),
        Col("Pump Peak [bar]", "reading", {**PEAK, "volume": "20 ml"}),
        Col("Pump Rise to 1000 bar [s]", "reading", {**RISE, "volume": "20 ml"}),
        Col("Reason", "reason", {"words": REASONS["Mill"]}), Col("Complaint", "complaint"),
        Col("DTC", "fault_codes"), Col("Mech.", "technician"), Col("Remarks", "note"),
    ),
    {"rig": "R-mill"},
)  # fmt: skip
REGISTER = SheetKind(
    "vehicles", "vehicle register", "vehicles", "one row a vehicle",
    {"encodings": ["utf-8"], "delimiter": ","},
    (
        Col("number", "vehicle"), Col("plate", "alias"), Col("engine", "family"),
        Col("cylinders", "cylinders"), Col("depot", "depot"), Col("duty", "duty"),
        Col("fuel from", "fuel_supply"), Col("in service", "in_service"),
        Col("km then", "odometer_start", _KM),
        Col("parts original", "original_parts"),
        Col("leaves on", "leaves_on"),
    ),
)  # fmt: skip
_WORK = {
    "injector replaced": "replacement",
    "pump replaced": "replacement",
    "injectors exchanged": "swap",
    "odometer replaced": "meter_change",
    "rig calibrated": "calibration",
    "fuel delivered": "fuel_delivery",
    "broke down on the road": "road_failure",
}
EVENTS = SheetKind(
    "events", "workshop diary", "events", "repairs, calibrations and fuel deliveries",
    {"encodings": ["utf-8"], "delimiter": ","},
    (
        Col("date", "date"), Col("vehicle", "vehicle"), Col("km", "odometer", _KM),
        Col("work", "kind", {"words": _WORK}),
        Col("position", "position"), Col("to", "position_to"), Col("part number", "part_number"),
        Col("serial out", "serial_out"), Col("serial in", "serial_in"), Col("part was", "origin"),
        Col("old meter km", "meter_before", _KM), Col("new meter km", "meter_after", _KM),
        Col("depot", "depot"), Col("rig", "rig"), Col("remark", "note"),
    ),
)  # fmt: skip
FUEL_CARDS = SheetKind(
    "fuel_cards", "fuel cards", "odometer", "the first fill of every month",
    {"encodings": ["utf-8"], "delimiter": ";", "decimal": ",", "date_formats": ["%d.%m.%Y"]},
    (
        Col("card of", "vehicle"), Col("filled on", "date"), Col("meter km", "odometer", _KM),
        Col("litres", "litres", {"unit": "l"}), Col("tank at", "ignore"),
    ),
)  # fmt: skip
VISITS = SheetKind(
    "planned_visits", "planned visits", "visits", "the half year ahead",
    {"encodings": ["utf-8"], "delimiter": ","},
    (Col("vehicle", "vehicle"), Col("planned for", "date"), Col("what for", "kind"), Col("at", "depot")),
)  # fmt: skip
STOCK = SheetKind(
    "stock", "parts on the shelf", "stock", "one row a part number",
    {"encodings": ["utf-8"], "delimiter": ","},
    (
        Col("part number", "part_number"), Col("on the shelf", "on_hand"), Col("on order", "on_order"),
        Col("due", "due_on"), Col("counted on", "date"), Col("remark", "note"),
    ),
)  # fmt: skip
SHEET_KINDS = (NORTH_IDLE, NORTH_CRANK, NORTH_PUMP, LAKE, MILL, REGISTER, EVENTS, FUEL_CARDS, VISITS, STOCK)

"""What a column of a sheet may mean: the fields of each kind of sheet, and the quantity of numeric fields."""

from __future__ import annotations

#: Quantity (as `wearlab.units` names it) of every numeric field except readings and bare counts.
QUANTITY: dict[str, str] = {
    "odometer": "distance",
    "odometer_start": "distance",
    "meter_before": "distance",
    "meter_after": "distance",
    "engine_hours": "engine time",
    "duration": "time",
    "rail": "pressure",
    "supply": "pressure",
    "rise_to": "pressure",
    "back_pressure": "pressure",
    "speed": "speed",
    "fuel_temp": "temperature",
    "battery": "voltage",
    "volume": "volume",
    "litres": "volume",
    "tube": "volume",
    "graduation": "volume",
    "dead": "volume",
    "limiter": "pressure",
    "gauge": "pressure",
    "bore": "height",
}

#: Unit of a bare number in fields whose usual unit is not the base unit.
USUAL_UNIT = {"litres": "l"}

_TESTS = (
    "vehicle date odometer engine_hours what measure protocol driven position repeat value reading unit "
    "duration rail speed fuel_temp temp_kind battery supply supply_note volume rise_to back_pressure "
    "metering_valve injectors_connected rig channel tube graduation technician reason complaint fault_codes "
    "serial note ignore"
)
_VEHICLES = (
    "vehicle alias family cylinders depot duty fuel_supply in_service odometer_start original_parts "
    "warranty_until leaves_on valid_from note ignore"
)
_EVENTS = (
    "date vehicle odometer kind position position_to part_number serial_out serial_in origin meter_before "
    "meter_after depot rig reason complaint fault_codes note ignore"
)
_RIGS = (
    "rig channel tube graduation area bore dead volume limiter gauge depot calibrate_every calibrated valid_from note "
    "ignore"
)

#: Fields that a column of each kind of sheet may have.
FIELDS: dict[str, frozenset[str]] = {
    "tests": frozenset(_TESTS.split()),
    "vehicles": frozenset(_VEHICLES.split()),
    "events": frozenset(_EVENTS.split()),
    "odometer": frozenset(["vehicle", "date", "odometer", "engine_hours", "litres", "note", "ignore"]),
    "visits": frozenset(["vehicle", "date", "kind", "depot", "reason", "complaint", "fault_codes", "note", "ignore"]),
    "stock": frozenset(["part_number", "on_hand", "on_order", "due_on", "date", "note", "ignore"]),
    "rigs": frozenset(_RIGS.split()),
}

#: For each kind, sets of fields of which at least one must have a column.
REQUIRED: dict[str, tuple[frozenset[str], ...]] = {
    "tests": (frozenset({"vehicle"}), frozenset({"date"}), frozenset({"reading", "value"})),
    "vehicles": (frozenset({"vehicle"}),),
    "events": (frozenset({"date"}), frozenset({"kind"}), frozenset({"vehicle", "depot", "rig"})),
    "odometer": (
        frozenset({"vehicle"}),
        frozenset({"date"}),
        frozenset({"odometer", "engine_hours", "litres"}),
    ),
    "visits": (frozenset({"vehicle"}), frozenset({"date"})),
    "stock": (frozenset({"part_number"}),),
    "rigs": (frozenset({"rig"}),),
}

#: Fields whose cells are dates.
DATES = frozenset({"date", "in_service", "warranty_until", "leaves_on", "valid_from", "due_on", "calibrated"})

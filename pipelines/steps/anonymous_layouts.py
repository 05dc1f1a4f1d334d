"""How the sheets of a shared fleet are read back: a layout for each kind, with the unit of every column."""

from __future__ import annotations

_UNITS = {
    "odometer": "km", "odometer_start": "km", "meter_before": "km", "meter_after": "km", "engine_hours": "h",
    "duration": "s", "rail": "bar", "speed": "rpm", "fuel_temp": "degC", "battery": "V", "supply": "bar",
    "volume": "ml", "rise_to": "bar", "back_pressure": "bar", "litres": "l", "graduation": "ml",
}  # fmt: skip

_COLUMNS = {
    "tests": (
        "vehicle date odometer engine_hours measure protocol driven position repeat value unit graduation duration "
        "rail speed fuel_temp temp_kind battery supply supply_note volume rise_to back_pressure injectors_connected "
        "rig channel technician reason serial"
    ),
    "events": (
        "vehicle date odometer kind position position_to part_number serial_out serial_in origin meter_before "
        "meter_after reason"
    ),
    "vehicles": (
        "vehicle valid_from family cylinders depot duty fuel_supply in_service odometer_start original_parts "
        "warranty_until leaves_on"
    ),
    "odometer": "vehicle date odometer engine_hours litres",
}


def column_heads(kind: str) -> dict[str, str]:
    """Return the head of each column of a sheet by its field, in the order of the sheet: "odometer km"."""
    return {field: f"{field} {_UNITS[field]}" if field in _UNITS else field for field in _COLUMNS[kind].split()}


def _layout(kind: str) -> str:
    lines = [f'name = "shared {kind}"', f'kind = "{kind}"', "exact = true", ""]
    for field, head in column_heads(kind).items():
        lines += ["[[columns]]", f'header = "{head}"', f'field = "{field}"']
        if field in _UNITS:
            lines.append(f'unit = "{_UNITS[field]}"')
        lines.append("")
    return "\n".join(lines)


LAYOUTS = {kind: _layout(kind) for kind in _COLUMNS}

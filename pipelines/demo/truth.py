"""The truth of the demo as one table: what was planted, and every part's true level, rate and crossing."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from pipelines.demo import scenario as sc
from pipelines.demo.fleet import Fleet
from pipelines.demo.parts import Life, first_crossing, limit_of, true_value
from pipelines.demo.sheet_text import Sheets, csv_bytes
from pipelines.demo.slips import Slips, spot
from pipelines.demo.visits import DemoTest
from wearlab.records import PUMP

HEADERS = [
    *("kind", "vehicle", "position", "position_to", "depot", "rig", "date", "date_to"),
    *("part", "part_start", "part_end", "measure", "value", "unit", "level"),
    *("log_rate_per_10000_km", "slope_per_10000_km", "limit", "crossed_on", "crossed_at_true_km"),
    *("file", "sheet", "row", "note"),
]
Row = dict[str, str]


def truth_bytes(fleet: Fleet, tests: Sequence[DemoTest], slips: Slips, sheets: Sheets) -> bytes:
    """Return truth.csv."""
    rows = [*_planted_parts(fleet), *_planted_events(fleet), *_written(tests, slips, sheets), *_settings()]
    for life in fleet.lives:
        for measure in ("pump_peak", "pump_rise") if life.pump else ("return_flow",):
            rows.append({"kind": "life", **_life(life, measure)})
    return csv_bytes([HEADERS, *([row.get(h, "") for h in HEADERS] for row in rows)], ",", "utf-8", "\n")


def _life(life: Life, measure: str) -> Row:
    """One life's truth under the reference conditions, on the as-of date or the day it was taken out."""
    day = min(life.removed or sc.AS_OF, sc.AS_OF)
    level = true_value(life, measure, life.wear_at(day))
    factor = {"return_flow": 1.0, "pump_peak": -1.0, "pump_rise": sc.RISE_PER_PEAK}[measure]
    crossing = first_crossing(life, measure)
    return {
        "vehicle": life.vehicle.key,
        "position": life.position(day),
        "date": day.isoformat(),
        "part": life.serial,
        "part_start": life.fitted.isoformat(),
        "part_end": "" if life.removed is None else life.removed.isoformat(),
        "measure": measure,
        "value": f"{life.rate_share:.4f}",
        "unit": "of the family's rate",
        "level": f"{level:.4f}",
        "log_rate_per_10000_km": f"{factor * life.rate:.6f}",
        "slope_per_10000_km": f"{factor * life.rate * level:.4f}",
        "limit": f"{limit_of(life, measure):g}",
        "crossed_on": "" if crossing is None else crossing[0].isoformat(),
        "crossed_at_true_km": "" if crossing is None else f"{crossing[1]:.0f}",
        "note": life.origin,
    }


def _planted_parts(fleet: Fleet) -> list[Row]:
    rows: list[Row] = []
    planted = fleet.planted
    for kind, places in (("fast_injector", planted.fast), ("weak_pump", planted.weak)):
        for life in fleet.lives:
            if (life.vehicle.key, life.places[0][1]) in places:
                rows.append({"kind": kind, **_life(life, "pump_peak" if life.pump else "return_flow")})
    for (key, position), (day, origin) in planted.replaced.items():
        new = next(
            life for life in fleet.lives if (life.vehicle.key, life.places[0][1], life.fitted) == (key, position, day)
        )
        row = {"kind": "replacement", **_life(new, "pump_peak" if position == PUMP else "return_flow")}
        rows.append({**row, "date": day.isoformat(), "note": origin})
    return rows


def _planted_events(fleet: Fleet) -> list[Row]:
    planted = fleet.planted
    until = planted.delivery + timedelta(days=sc.CONTAMINATED_DAYS - 1)
    bad = {
        "depot": sc.CONTAMINATED_DEPOT, "date": planted.delivery.isoformat(), "date_to": until.isoformat(),
        "measure": "return_flow", "value": f"{sc.CONTAMINATION_STEP:g}", "unit": "log step",
    }  # fmt: skip
    meter = planted.meter
    return [
        {"kind": "contaminated_delivery", **bad},
        *({"kind": "contaminated_vehicle", "vehicle": key, **bad} for key in planted.fuelled),
        {
            "kind": "swap", "vehicle": planted.swap_vehicle, "position": fleet.swapped[0],
            "position_to": fleet.swapped[1], "date": planted.swap_day.isoformat(),
        },
        {
            "kind": "rig_drift", "depot": sc.DRIFTING_DEPOT, "rig": sc.RIGS[sc.DRIFTING_DEPOT].name,
            "measure": "return_flow",
            "date": sc.DRIFT_FROM.isoformat(), "date_to": sc.DRIFT_UNTIL.isoformat(),
            "value": f"{sc.DRIFT_SHARE:g}", "unit": "share read high on the last day",
        },
        {
            "kind": "odometer_replaced", "vehicle": planted.meter_vehicle, "date": meter.day.isoformat(),
            "value": f"{meter.true_km:.0f}", "unit": "true km",
            "note": f"{meter.before_km} to {meter.after_km}",
        },
    ]  # fmt: skip


def _written(tests: Sequence[DemoTest], slips: Slips, sheets: Sheets) -> list[Row]:
    rows: list[Row] = []
    for test in tests:
        for place, shown in test.readings.items():
            if shown.over and test.kind != "pump":
                rig = sc.RIGS[test.workshop].name
                rows.append(
                    {
                        **_spot(test, place, sheets),
                        "kind": "tube_over",
                        "rig": rig,
                        "value": f"{shown.value:g}",
                    }
                )
            if slips.is_mistyped(test, place):
                note = f"written {slips.mistyped_text}"
                value = f"{slips.mistyped_value:g}"
                rows.append({**_spot(test, place, sheets), "kind": "mistyped_value", "value": value, "note": note})
            if slips.is_doubled(test, place):
                file, row = sheets.duplicate
                first = _spot(test, place, sheets)
                note = f"same as row {first['row']}"
                rows.append({**first, "kind": "duplicate_row", "file": file, "row": str(row), "note": note})
    return sorted(rows, key=lambda row: row["kind"])


def _spot(test: DemoTest, place: str, sheets: Sheets) -> Row:
    file, sheet, row = sheets.written[spot(test, place)]
    return {
        "vehicle": test.vehicle.key, "position": place, "depot": test.workshop, "date": test.day.isoformat(),
        "measure": "return_flow", "unit": "ml", "file": file, "sheet": sheet, "row": str(row),
    }  # fmt: skip


def _settings() -> list[Row]:
    figures = {
        "pressure exponent": sc.PRESSURE_EXPONENT,
        "viscosity exponent": sc.VISCOSITY_EXPONENT,
        "reference rail bar": sc.IDLE_RAIL_BAR,
        "reference fuel temperature C": sc.IDLE_TEMP_C,
        "part level sd": sc.PART_LEVEL_SD,
        "vehicle level sd": sc.VEHICLE_LEVEL_SD,
        "part rate sd of family rate": sc.PART_RATE_SD,
        "vehicle rate sd of family rate": sc.VEHICLE_RATE_SD,
        "path sd per root 10000 km": sc.PATH_SD,
        "visit sd": sc.VISIT_SD,
        "part by visit sd": sc.PART_VISIT_SD,
        "idle reading sd": sc.READING_SD["idle"],
        **{f"{family.name} rate per 10000 km": family.idle_rate for family in sc.FAMILIES},
        **{f"{family.name} level when new ml": family.idle_new_ml for family in sc.FAMILIES},
    }
    return [{"kind": "setting", "value": f"{value:g}", "note": name} for name, value in figures.items()]

"""The workshops' text sheets: North's wide ones with decimal commas, Lake's long one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np

from pipelines.demo.columns import LAKE, NORTH_CRANK, NORTH_IDLE, NORTH_PUMP, SheetKind, reason_written
from pipelines.demo.fleet import Fleet
from pipelines.demo.scenario import RISE_TO_BAR, START
from pipelines.demo.slips import Slips
from pipelines.demo.visits import DemoTest, Shown

#: where a reading was written: test's vehicle, day, kind and run with the position -> file, sheet, row
Written = dict[tuple[str, date, str, int, str], tuple[str, str, int]]


@dataclass(slots=True)
class Sheets:
    """Files made so far, and where every reading stands in them."""

    files: dict[str, bytes] = field(default_factory=dict)
    written: Written = field(default_factory=dict)
    duplicate: tuple[str, int] = ("", 0)

    def note(self, test: DemoTest, place: str, file: str, sheet: str, row: int) -> None:
        """Remember where a reading stands."""
        self.written[test.vehicle.key, test.day, test.kind, test.run, place] = (file, sheet, row)


def years(tests: Sequence[DemoTest]) -> dict[str, list[DemoTest]]:
    """Tests by book year ("2020-21"), which begins in the month the history begins."""
    found: dict[str, list[DemoTest]] = {}
    for test in tests:
        first = test.day.year - (test.day.month < START.month)
        found.setdefault(f"{first}-{(first + 1) % 100:02d}", []).append(test)
    return found


def spelled(fleet: Fleet, test: DemoTest) -> str:
    """The vehicle's name as the technician wrote it; now and then sloppily."""
    letter, number = test.vehicle.family.letter, test.vehicle.key[1:]
    rng = np.random.default_rng([fleet.seed, 6, test.vehicle.index, test.day.toordinal()])
    if rng.random() >= 0.04:
        return test.vehicle.key
    return (f"{letter.lower()} {number}", f"{letter}-{number}", f"{letter} {number}")[int(rng.integers(3))]


def csv_bytes(rows: Sequence[Sequence[str]], delimiter: str, encoding: str, newline: str) -> bytes:
    """Encode rows as text; no cell of the demo needs quotes, and one that would is refused."""
    for row in rows:
        for cell in row:
            if delimiter in cell or '"' in cell or "\n" in cell:
                raise ValueError(f"the cell {cell!r} would need quotes")
    return "".join(delimiter.join(row) + newline for row in rows).encode(encoding)


def write_north(fleet: Fleet, tests: Sequence[DemoTest], slips: Slips, sheets: Sheets) -> None:
    """Add North's sheets: a file a year for idle, one each for crank and pump."""
    idle = [test for test in tests if test.kind == "idle"]
    for year, group in years(idle).items():
        title = f"Workshop North - return flow at idle - {year}"
        _north_file(fleet, NORTH_IDLE, f"north_idle_{year}.csv", title, group, slips, sheets)
    for kind, sheet, words in (
        ("crank", NORTH_CRANK, "on the starter"),
        ("pump", NORTH_PUMP, "closed volume"),
    ):
        group = [test for test in tests if test.kind == kind]
        _north_file(fleet, sheet, f"{sheet.stem}.csv", f"Workshop North - {words}", group, slips, sheets)


def _north_file(
    fleet: Fleet,
    kind: SheetKind,
    name: str,
    title: str,
    tests: Sequence[DemoTest],
    slips: Slips,
    sheets: Sheets,
) -> None:
    rows = [[title] + [""] * (len(kind.headers) - 1), kind.headers]
    for test in tests:
        # the office's newer spreadsheet sets a no-break blank between the thousands
        blank = "\u00a0" if test.day.year >= 2024 else " "
        cells = {
            "Vehicle": spelled(fleet, test),
            "Date": test.day.strftime("%d/%m/%Y"),
            "Odometer (km)": "" if test.odometer is None else f"{test.odometer:,}".replace(",", blank),
            "Run": str(test.run),
            "Fuel temp °C": _text(test.temp_c),
            "Tank °C": _text(test.temp_c),
            "Rail (bar)": _text(test.rail_bar),
            "Time (s)": "" if test.duration_s is None else f"{test.duration_s:g}",
            "Crank speed (rpm)": _text(test.speed_rpm),
            "Battery (V)": _text(test.battery_v).replace(".", ","),
            "Supply (bar)": _text(test.supply_bar).replace(".", ","),
            "Supply seen": test.supply_note,
            "Reason": reason_written("North", test.reason),
            "Complaint": test.complaint,
            "Codes": test.fault_codes,
            "Tech": test.technician,
            "Notes": test.note,
        }
        heads = {"peak": "Peak (bar)", "rise": f"Rise to {RISE_TO_BAR:g} bar (s)"}
        for place, shown in test.readings.items():
            text = slips.mistyped_text if slips.is_mistyped(test, place) else _comma(place, shown)
            cells[heads.get(place, f"Cyl {place} (ml)")] = text
            sheets.note(test, place, name, "", len(rows) + 1)
        rows.append([cells.get(header, "") for header in kind.headers])
    sheets.files[name] = csv_bytes(rows, ";", "cp1252", "\r\n")


def _text(value: float | None) -> str:
    return "" if value is None else f"{value:g}" if isinstance(value, int) else f"{value:.1f}"


def _comma(place: str, shown: Shown) -> str:
    if shown.over:
        return f">{shown.value:g}"
    return f"{shown.value:.{0 if place == 'peak' else 2 if place == 'rise' else 1}f}".replace(".", ",")


_DRIVE_WORDS = {
    "idle": ("idle", "idle warm", "tick-over", "Idle"),
    "crank": ("crank", "cranking", "on the starter", "starter"),
    "pump": ("crank", "starter", "cranking"),
}


def write_lake(fleet: Fleet, tests: Sequence[DemoTest], slips: Slips, sheets: Sheets) -> None:
    """Add Lake's sheets: a file a year, one row a reading."""
    for year, group in years(tests).items():
        name = f"lake_{year}.csv"
        rows = [LAKE.headers]
        for test in group:
            rng = np.random.default_rng([fleet.seed, 7, test.vehicle.index, test.day.toordinal(), len(test.kind)])
            words = _DRIVE_WORDS[test.kind]
            drive = words[int(rng.integers(len(words)))]
            unit = "cc" if rng.random() < 0.15 else "ml"
            vehicle, lives = spelled(fleet, test), fleet.fitted(test.vehicle, test.day)
            for place, shown in test.readings.items():
                cells = _long_cells(test, place, shown)
                life = lives["pump" if test.kind == "pump" else place]
                cells |= {
                    "vehicle": vehicle,
                    "drive": drive,
                    "serial": "" if life.origin == "original" else life.serial,
                }
                cells["unit"] = cells.get("unit", unit)
                rows.append([cells.get(header, "") for header in LAKE.headers])
                sheets.note(test, place, name, "", len(rows))
                if slips.is_doubled(test, place):
                    rows.append(rows[-1])
                    sheets.duplicate = (name, len(rows))
        sheets.files[name] = csv_bytes(rows, ",", "utf-8", "\n")


def _long_cells(test: DemoTest, place: str, shown: Shown) -> dict[str, str]:
    pump = test.kind == "pump"
    if pump:
        number = f">{shown.value:g}" if shown.over else f"{shown.value:.{0 if place == 'peak' else 2}f}"
    else:
        number = "full" if shown.over else f"{shown.value:g}"
    cells = {
        "test_date": test.day.isoformat(),
        "km": "" if test.odometer is None else str(test.odometer),
        "what": place if pump else "return",
        "cyl": "pump" if pump else place,
        "run": str(test.run),
        "result": number,
        "seconds": "" if test.duration_s is None else f"{test.duration_s:g}",
        "block_ml": "20" if pump else "",
        "rise_to_bar": f"{RISE_TO_BAR:g}" if place == "rise" else "",
        "rail_bar": _text(test.rail_bar),
        "fuel_c": _text(test.temp_c),
        "rpm": _text(test.speed_rpm),
        "battery_v": _text(test.battery_v),
        "supply_bar": _text(test.supply_bar),
        "supply_seen": test.supply_note.replace(",", ";"),
        "why": reason_written("Lake", test.reason),
        "driver_says": test.complaint,
        "codes": test.fault_codes,
        "by": test.technician,
        "remark": test.note,
    }
    if pump:
        cells["unit"] = "bar" if place == "peak" else "s"
    return cells

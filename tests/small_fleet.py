"""A small store written straight into its tables, for tests of what is worked out from it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from pipelines.workspace import Workspace, open_workspace
from wearlab.store.database import open_database

AS_OF = date(2026, 6, 30)

#: settings of one family with a limit whose conditions are stated
SETTINGS = """
name = "small"

[protocols."warm idle"]
measure = "return_flow"
driven = "idle"

[protocols."crank 15 s"]
measure = "return_flow"
driven = "crank"

[protocols."closed volume"]
measure = "pump_peak"
driven = "crank"

[protocols."closed volume, to 1000 bar"]
measure = "pump_rise"
driven = "crank"

[families."van"]
cylinders = 4
[families."truck"]
cylinders = 6

[[limits]]
name = "van idle"
measure = "return_flow"
protocol = "warm idle"
family = "van"
kind = "most"
value = 30
unit = "ml/min"
conditions = { rail_bar = [270, 290], fuel_temp_c = [40, 50] }
source = "made for this test"
"""


class SmallFleet:
    """Collects rows of the tables; `written` makes a workspace of them."""

    def __init__(self) -> None:
        self.rows: dict[str, list[dict[str, Any]]] = {"register": [], "test": [], "reading": [], "work": []}

    def vehicle(self, name: str, family: str | None = "van", **said: Any) -> None:
        """Add a line of the register."""
        row = {"vehicle": name, "vehicle_text": name, "family": family}
        self.rows["register"].append(row | said)

    def original(self, name: str, in_service: str, family: str = "van", **said: Any) -> None:
        """Add a vehicle whose parts are confirmed original from 0 km on."""
        self.vehicle(
            name, family, in_service=pd.Timestamp(in_service), odometer_start_km=0.0, original_parts=True, **said
        )

    def test(
        self,
        vehicle: str,
        day: str,
        km: float | None,
        values: Mapping[str, float | tuple[str, float]],
        *,
        measure: str = "return_flow",
        protocol: str = "warm idle",
        use: str = "trend",
        resolution: float | None = 0.5,
        serials: Mapping[str, str] | None = None,
        repeat: int = 1,
        **conditions: Any,
    ) -> str:
        """Add one test; a value ("at_least", 40.0) is a bound. Returns the test's id."""
        number = len(self.rows["test"]) + 1
        name = f"{number:016x}"
        common = {"test_id": name, "row_no": number, "vehicle": vehicle, "tested_on": pd.Timestamp(day)}
        common |= {"measure": measure, "protocol": protocol}
        given = {"driven": "crank" if measure != "return_flow" else "idle", "odometer_km": km, "vehicle_text": vehicle}
        self.rows["test"].append(common | given | conditions)
        unit = {"return_flow": "ml/min", "pump_rise": "s"}.get(measure, "bar")
        for column, (position, value) in enumerate(values.items(), start=1):
            bound, level = value if isinstance(value, tuple) else (None, value)
            self.rows["reading"].append(
                common
                | {"col_no": column, "position": position, "repeat": repeat, "value": level, "level": level}
                | {"unit": unit, "bound": bound, "resolution": resolution, "value_text": f"{level:g}", "use": use}
                | {"quality": "good", "serial": (serials or {}).get(position)}
            )
        return name

    def work(self, kind: str, day: str, vehicle: str | None = None, **said: Any) -> None:
        """Add one piece of work."""
        row = {"kind": kind, "done_on": pd.Timestamp(day), "vehicle": vehicle}
        self.rows["work"].append(row | said)

    def written(self, home: Path, settings: str = SETTINGS) -> Workspace:
        """Write everything into a new workspace."""
        for folder in ("layouts", "reports"):
            (home / folder).mkdir(parents=True, exist_ok=True)
        (home / "wearlab.toml").write_text(settings, encoding="utf-8")
        tests = len(self.rows["test"])
        source: dict[str, Any] = {"name": "small.csv", "sha256": "0" * 64, "bytes": 1, "layout": "small"}
        source |= {"kind": "tests", "file_kind": "csv", "notes": [], "as_of": AS_OF, "loaded_at": pd.Timestamp(AS_OF)}
        source |= {"rows_read": tests, "structure": 0, "accepted": tests, "flagged": 0, "set_aside": 0}
        source |= {"cells_set_aside": 0, "readings": len(self.rows["reading"])}
        with open_database(home / "wearlab.duckdb") as db:
            db.append("source_file", pd.DataFrame([source], dtype=object))
            for table, rows in self.rows.items():
                frame = pd.DataFrame([{"file_id": 1, "row_no": k} | row for k, row in enumerate(rows, 1)], dtype=object)
                db.append(table, frame)
        return open_workspace(home)

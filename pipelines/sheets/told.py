"""Work told in the remarks of a sheet of tests ("swapped 1<->3", "S13 out, S21 new in cyl 1")."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipelines.sheets.cells import Bools, Cells, Floats
from pipelines.sheets.dates import Dates
from pipelines.sheets.packed import told_events
from pipelines.sheets.table import SheetTable


def told_work(
    table: SheetTable, rows: Bools, vehicle: Cells, vehicle_text: Cells, day: Dates, odometer: Floats
) -> pd.DataFrame:
    """Return one row of the table `work` for each event told in the notes of the chosen rows."""
    notes = table.notes()
    made: list[dict[str, object]] = []
    for row in np.flatnonzero(rows):
        note = notes.texts[notes.codes[row]]
        for told in told_events(note):
            made.append(
                {
                    "row_no": int(table.numbers[row]),
                    "vehicle": vehicle.texts[vehicle.codes[row]],
                    "vehicle_text": vehicle_text.texts[vehicle_text.codes[row]],
                    "done_on": day[row].astype(object),
                    "odometer_km": None if np.isnan(odometer[row]) else float(odometer[row]),
                    "kind": told.kind.value,
                    "position": told.position,
                    "position_to": told.position_to,
                    "serial_out": told.serial_out,
                    "serial_in": told.serial_in,
                    "origin": told.origin,
                    "note": note or None,
                }
            )
    return pd.DataFrame(made)

"""A small store with something of every kind that waits for a person."""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path

from pipelines.sheets.layout import Layout, parse_layout
from pipelines.sheets.load import load_files
from wearlab.config import Settings
from wearlab.store.database import Database, open_database

_LAYOUT = """
name = "yard book"
kind = "tests"
[file]
decimal = ","
delimiter = ";"
date_formats = ["%d.%m.%Y"]
[defaults]
measure = "return_flow"
duration = "60 s"
unit = "ml"
[[columns]]
header = "van"
field = "vehicle"
[[columns]]
header = "day"
field = "date"
[[columns]]
header = "km"
field = "odometer"
unit = "km"
[[columns]]
header = "held"
field = "driven"
[[columns]]
header = "c1"
field = "reading"
position = "1"
[[columns]]
header = "c2"
field = "reading"
position = "2"
[[columns]]
header = "note"
field = "note"
"""

#: Sheets of an invented yard: impossible days, unreadable and doubtful cells, copies, unknown drives, likely aliases.
SHEETS = {
    "first.csv": (
        "van;day;km;held;c1;c2;note\n"
        "M-007;10.02.2025;1000;idle;12,0;12,5;\n"
        "M-007;31.04.2025;2000;idle;12,0;12,5;\n"
        "M-007;01.06.2025;3000;idle;12,5;1x3;\n"
        "M-007;01.08.2025;4000;;13,0;13,5;nobody says\n"
        "M-007;01.10.2025;5000;idle;14,0*;13,5;\n"
        "M-007;01.10.2025;5000;idle;14,0*;13,5;\n"
        "M-007;01.11.2025;9000000;idle;1 fl oz;0;injectors swapped 1 and 2\n"
        "M-007;01.12.2025;100;idle;999;-3;\n"
    ),
    "second.csv": "van;day;km;held;c1;c2;note\nM7;01.04.2025;1100;idle;9,0;9,5;\n",
}


def layout() -> Layout:
    """Return the layout of the sheets."""
    return parse_layout(_LAYOUT.encode(), "yard book")


def filled_store() -> Database:
    """Return a store in memory with the sheets loaded."""
    store = open_database(Path(":memory:"))
    with tempfile.TemporaryDirectory(prefix="wearlab-fuzz-") as folder:
        for name, text in SHEETS.items():
            Path(folder, name).write_text(text, encoding="utf-8")
        paths = [Path(folder, name) for name in SHEETS]
        accounts = load_files(store, Settings(), [layout()], paths, as_of=date(2026, 6, 30), roots=[Path(folder)])
    if any(one.status != "loaded" for one in accounts):
        raise RuntimeError(f"a sheet of the yard is refused: {accounts}")
    return store

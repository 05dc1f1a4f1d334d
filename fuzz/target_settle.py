"""Target: the edited list that `wearlab settle` reads back, checked against a store and carried out in it.

The first byte says what the rest is: X the parts of a workbook, anything else text.
"""

from __future__ import annotations

import sys
import tempfile
from datetime import datetime
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["wearlab", "pipelines"]):
    from pipelines.sheets.aside import all_items, settled_items
    from pipelines.sheets.aside_file import read_choices
    from pipelines.sheets.choices import check_choices
    from pipelines.sheets.settling import settle
    from wearlab.config import Settings

from fuzz.containers import XLSX, packed
from fuzz.harness import judged, one_thread
from fuzz.yard import filled_store

FOLDER = Path(tempfile.mkdtemp(prefix="wearlab-fuzz-"))
one_thread()
STORE = filled_store()
SETTINGS = Settings()
ITEMS = all_items(STORE) + settled_items(STORE)


class _OverError(Exception):
    """Ends the transaction of an input without keeping anything."""


def settling(data: bytes) -> None:
    """Read a list, check it, carry it out, take it back."""
    book = data[:1] == b"X"
    path = FOLDER / ("list.xlsx" if book else "list.csv")
    path.write_bytes(packed(XLSX, data[1:]) if book else data[1:])
    choices = read_choices(path)
    try:
        with STORE.transaction():
            chosen = check_choices(STORE, SETTINGS, ITEMS, choices)
            settle(STORE, SETTINGS, chosen, datetime(2026, 7, 1))
            rows = STORE.rows("SELECT rows_read, structure + accepted + flagged + set_aside FROM source_file")
            assert all(read == told for read, told in rows), "rows that are not accounted for"
            raise _OverError
    except _OverError:
        return


if __name__ == "__main__":
    atheris.Setup(sys.argv, judged(settling))
    atheris.Fuzz()

"""Target: the proposer of layouts, and the loading of what it proposed; every row must be accounted for.

The first byte says how the sheet is written: J JSON lines, X the parts of a workbook, else delimited text; K, W
and L say the same and that the sheet is loaded with what was proposed, which takes ten times as long.
"""

from __future__ import annotations

import sys
import tempfile
from datetime import date
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["wearlab", "pipelines"]):
    from pipelines.sheets.files import read_file
    from pipelines.sheets.layout import built_in_layouts
    from pipelines.sheets.load import load_files
    from pipelines.sheets.propose import propose
    from wearlab.config import Settings
    from wearlab.store.database import open_database

from fuzz.containers import XLSX, packed
from fuzz.harness import judged, one_line, one_thread
from wearlab.errors import SheetError

FOLDER = Path(tempfile.mkdtemp(prefix="wearlab-fuzz-"))
one_thread()
STORE = open_database(Path(":memory:"))
SETTINGS = Settings()
LAYOUTS = built_in_layouts()


AS_OF = date(2026, 6, 30)


def proposer(data: bytes) -> None:
    """Propose for a sheet that nobody described, or load it into an empty store without keeping it."""
    name = {b"J": "a.jsonl", b"K": "a.jsonl", b"X": "a.xlsx", b"W": "a.xlsx"}.get(data[:1], "a.csv")
    path = FOLDER / name
    path.write_bytes(packed(XLSX, data[1:]) if name == "a.xlsx" else data[1:])
    if data[:1] not in (b"K", b"W", b"L"):
        raw = read_file(path)
        for sheet in raw.sheets:
            made = propose(sheet, SETTINGS, LAYOUTS, source=raw, as_of=AS_OF)
            for text in (*made.notes, *(one.with_answers for one in made.questions)):
                one_line(SheetError(text))
            assert made.layout is not None or made.reason
        return
    (account,) = load_files(STORE, SETTINGS, LAYOUTS, [path], as_of=AS_OF, preview=True)
    for text in (account.sentence, *account.questions, *account.proposed):
        assert text is None or text.isprintable(), f"a line with signs that do not print: {text!r}"
    parts = account.structure + account.accepted + account.flagged + account.set_aside
    assert account.rows_read == parts, "rows that are not accounted for"
    assert STORE.value("SELECT count(*) FROM raw_row") == 0


if __name__ == "__main__":
    atheris.Setup(sys.argv, judged(proposer))
    atheris.Fuzz()

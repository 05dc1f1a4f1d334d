"""One measured job in a process of its own, so that its time and peak memory are its own; prints JSON.

python measure.py load STORE LAYOUT FILE     load a sheet into a store
python measure.py bare STORE FILE            DuckDB alone: the same file into one table
"""

from __future__ import annotations

import json
import resource
import sys
import time
from datetime import date
from pathlib import Path


def load(store: Path, layout: Path, sheet: Path) -> dict[str, object]:
    """Load one sheet; the time includes opening and closing the store and not the start of Python."""
    from pipelines.sheets.layout import parse_layout
    from pipelines.sheets.load import load_files
    from wearlab.config import Settings
    from wearlab.store.database import open_database

    layouts = [parse_layout(layout.read_bytes(), layout.stem)]
    started = time.perf_counter()
    with open_database(store) as database:
        (account,) = load_files(database, Settings(), layouts, [sheet], as_of=date(2036, 1, 1))
    seconds = time.perf_counter() - started
    return {"seconds": seconds, "status": account.status, "rows": account.rows_read, "readings": account.readings}


def bare(store: Path, sheet: Path) -> dict[str, object]:
    """Read the same file into a table with DuckDB's own reader, types found by itself, nothing checked."""
    import duckdb

    started = time.perf_counter()
    with duckdb.connect(str(store)) as con:
        con.execute("CREATE TABLE sheet AS SELECT * FROM read_csv(?)", [str(sheet)])
        (rows,) = con.execute("SELECT count(*) FROM sheet").fetchall()[0]
    return {"seconds": time.perf_counter() - started, "rows": rows}


def peak_mb() -> float:
    """Peak resident memory of this process in MB (macOS counts bytes, Linux kilobytes)."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6


if __name__ == "__main__":
    job, *paths = sys.argv[1:]
    result = {"load": load, "bare": bare}[job](*map(Path, paths))  # type: ignore[operator]
    sys.stdout.write(json.dumps(result | {"peak_mb": peak_mb()}) + "\n")

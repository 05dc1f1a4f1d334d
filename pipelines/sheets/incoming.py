"""Rows of a sheet beside the store, in a table that lives only for one question."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

import pandas as pd

from wearlab.store.database import Database
from wearlab.store.names import quoted

#: The table, while it lives.
INCOMING = "incoming_rows"

_TYPES = {name: name for name in ("INTEGER", "BIGINT", "UBIGINT", "DOUBLE", "BOOLEAN", "VARCHAR", "DATE")}


@contextmanager
def incoming(database: Database, frame: pd.DataFrame, columns: Mapping[str, str]) -> Iterator[None]:
    """Put a frame into a temporary table `INCOMING` with the given column types."""
    spelled = ", ".join(f"{quoted(name)} {_TYPES[kind]}" for name, kind in columns.items())
    database.run(f"CREATE OR REPLACE TEMP TABLE {INCOMING} ({spelled})")
    database.append(INCOMING, frame[list(columns)])
    yield
    database.run(f"DROP TABLE {INCOMING}")

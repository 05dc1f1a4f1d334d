"""Rows of a sheet beside the store, in a table that lives only for one question."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

import pandas as pd

from wearlab.store.database import Database

_NAME = "incoming_rows"


@contextmanager
def incoming(database: Database, frame: pd.DataFrame, columns: Mapping[str, str]) -> Iterator[str]:
    """Put a frame into a temporary table with the given column types; yields the table's name."""
    spelled = ", ".join(f"{name} {kind}" for name, kind in columns.items())
    database.run(f"CREATE OR REPLACE TEMP TABLE {_NAME} ({spelled})")
    database.append(_NAME, frame[list(columns)])
    yield _NAME
    database.run(f"DROP TABLE {_NAME}")

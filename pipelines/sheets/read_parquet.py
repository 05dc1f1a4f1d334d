"""Parquet to rows of text: names of the columns as header, records numbered from 1."""

from __future__ import annotations

import re
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipelines.sheets.container import MOST_INFLATED
from pipelines.sheets.raw import CellSet, RawSheet
from pipelines.sheets.scan import MOST_CELLS, MOST_TEXT
from wearlab.errors import SheetError, StoreError
from wearlab.store.database import Database, only_file
from wearlab.store.names import quoted

#: Largest Parquet file that is opened, in bytes; it unfolds to several times its size.
LARGEST_PARQUET = 300_000_000

#: Columns that are read, as many as a layout is proposed for; each is asked for by itself.
MOST_COLUMNS = 500

_NUMBER = re.compile(r"U?(TINY|SMALL|BIG|HUGE)?INT(EGER)?|DECIMAL\(.*\)|FLOAT|DOUBLE")
_STAMP = re.compile(r"TIMESTAMP(_S|_MS|_NS)?")
_TEXT = re.compile(r"VARCHAR|ENUM\(.*\)|UUID|TIME|TIME_NS|INTERVAL")
_ZONED = "TIMESTAMP WITH TIME ZONE"


@dataclass(frozen=True, slots=True)
class _Column:
    name: str
    kind: str

    def text(self) -> str:
        """Return the SQL that writes a value as text; blank for null and for a number that is none (NaN)."""
        name = quoted(self.name)
        if self.kind in ("FLOAT", "DOUBLE"):
            return f"CASE WHEN isnan({name}) THEN '' ELSE regexp_replace(CAST({name} AS VARCHAR), '[.]0$', '') END"
        if self.kind == "BOOLEAN":
            return f"upper(CAST({name} AS VARCHAR))"
        if self.kind == _ZONED:
            return f"strftime(make_timestamp(epoch_us({name})), '%Y-%m-%dT%H:%M:%S')"
        if _STAMP.fullmatch(self.kind):
            return f"strftime(CAST({name} AS TIMESTAMP), '%Y-%m-%dT%H:%M:%S')"
        if self.kind == "TIME":
            return f"left(CAST({name} AS VARCHAR), 8)"
        return f"CAST({name} AS VARCHAR)"

    @property
    def is_number(self) -> bool:
        return _NUMBER.fullmatch(self.kind) is not None

    @property
    def is_date(self) -> bool:
        return self.kind in ("DATE", _ZONED) or _STAMP.fullmatch(self.kind) is not None

    @property
    def is_readable(self) -> bool:
        return self.is_number or self.is_date or self.kind == "BOOLEAN" or _TEXT.fullmatch(self.kind) is not None


def read_parquet(label: str, data: bytes) -> tuple[RawSheet, tuple[str, ...]]:
    """Read a Parquet file in memory; returns its one table and notes.

    Numbers are written with the digits they need and no ".0", decimals with the places of their type; times as
    ISO 8601 to the second; null and NaN are blank cells. Cells of numbers and of dates are listed in the sheet.

    The library reads files only, so the content goes through a file of its own in a folder that is removed again.

    Raises
    ------
    SheetError
        Damaged, larger than `LARGEST_PARQUET`, more cells or text than a sheet needs, or a column of nested or
        binary values.
    """
    if len(data) > LARGEST_PARQUET:
        raise SheetError(
            f"{label} is a Parquet file of {len(data) / 1e6:,.0f} MB, more than the {LARGEST_PARQUET // 10**6} MB "
            "that are read: split it"
        )
    with tempfile.TemporaryDirectory(prefix="wearlab-") as folder:
        path = Path(folder, "sheet.parquet")
        path.write_bytes(data)
        try:
            with only_file(path) as database:
                return _read(label, database, str(path))
        except (StoreError, UnicodeDecodeError, MemoryError, OSError) as fault:
            raise _unreadable(label, _short(str(fault), folder)) from None


def _read(label: str, database: Database, path: str) -> tuple[RawSheet, tuple[str, ...]]:
    columns = [
        _Column(str(name), str(kind))
        for name, kind, *_ in database.rows("DESCRIBE SELECT * FROM read_parquet(?)", [path])
    ]
    if len(columns) > MOST_COLUMNS:
        raise SheetError(
            f"{label} has {len(columns):,} columns, more than the {MOST_COLUMNS:,} that are read: split it"
        )
    for column in columns:
        if not column.is_readable:
            raise SheetError(
                f'{label} holds values of the type {column.kind[:60]} in its column "{column.name[:60]}", which fit '
                "in no cell of a sheet: write numbers, texts and dates only"
            )
    count = int(database.value("SELECT num_rows FROM parquet_file_metadata(?)", [path]) or 0)
    unfolded = database.value("SELECT sum(total_uncompressed_size) FROM parquet_metadata(?)", [path])
    # the file says its number of rows at two places; what is read are the groups
    grouped = database.value(
        "SELECT sum(n) FROM (SELECT DISTINCT row_group_id, row_group_num_rows AS n FROM parquet_metadata(?))", [path]
    )
    if count != int(grouped or 0) or count < 0:
        raise _unreadable(label, "it contradicts itself on how many rows there are")
    if (count + 1) * len(columns) > MOST_CELLS or int(unfolded or 0) > MOST_INFLATED:
        raise SheetError(
            f"{label} holds {count:,} rows of {len(columns):,} columns ({int(unfolded or 0) / 1e6:,.0f} MB unfolded), "
            "more than is read: split it"
        )
    texts = " + ".join(f"coalesce(sum(strlen({column.text()})), 0)" for column in columns)
    length = int(database.value(f"SELECT {texts} FROM read_parquet(?)", [path]))  # noqa: S608
    if length > MOST_TEXT:
        raise SheetError(
            f"{label} unfolds to {length / 1e6:,.0f} million characters, far more than a sheet needs: it is "
            "refused, split it"
        )
    numbers: dict[int, NDArray[np.int64]] = {}
    dates: dict[int, NDArray[np.int64]] = {}
    cells: list[list[str]] = []
    for place, column in enumerate(columns):
        share: dict[str, str] = {}
        found = database.rows(f"SELECT coalesce({column.text()}, '') FROM read_parquet(?)", [path])  # noqa: S608
        if len(found) != count:
            raise _unreadable(label, "it has not the rows that it says")
        # where a file denies that it has nulls the library believes it, and hands them out all the same
        cells.append([share.setdefault(text, text) if text else "" for (text,) in found])
        if column.is_number or column.is_date:
            filled = np.flatnonzero(np.fromiter(map(len, cells[-1]), dtype=np.int64, count=count)) + 1
            (numbers if column.is_number else dates)[place] = filled
    rows = [[column.name for column in columns], *map(list, zip(*cells, strict=True))]
    sheet = RawSheet(None, rows, range(len(rows)), date_cells=CellSet(dates), number_cells=CellSet(numbers))
    zoned = ", ".join(f'"{column.name}"' for column in columns if column.kind == _ZONED)
    notes = (f"the times in {zoned} are those of the universal time zone (UTC)",) if zoned else ()
    return sheet, notes


def _unreadable(label: str, why: str) -> SheetError:
    return SheetError(f"{label} cannot be read as a Parquet file ({why}): write it again")


def _short(fault: str, folder: str) -> str:
    """What the library said, without the path of the passing copy."""
    told = re.sub(r"[\"']?" + re.escape(folder) + r"[^\s\"':,]*[\"']?", "", fault)
    return " ".join(re.sub(r"^[A-Za-z ]*Error: ", "", told).split())[:120]

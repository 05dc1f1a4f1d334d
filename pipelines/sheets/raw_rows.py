"""Every row of a sheet into the store, verbatim, with the bucket it came to."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipelines.sheets.cells import Cells, Ints, coded, objects
from pipelines.sheets.raw import RawSheet
from wearlab.records import Bucket
from wearlab.store.database import Database

#: The buckets in the order of their codes.
BUCKETS = [Bucket.STRUCTURE.value, Bucket.ACCEPTED.value, Bucket.FLAGGED.value, Bucket.SET_ASIDE.value]

#: Rows that travel together; more of them at once take memory and are no faster.
_PIECE = 100_000

#: Stands between the cells of a row on its way into the store.
_BETWEEN = "\x1f"


def store_rows(database: Database, sheet: RawSheet, bucket: Ints, file_id: int) -> None:
    """Store every row of a sheet; `bucket` is the index into `BUCKETS` of each.

    The cells of a row travel as one text and become a list inside the store, which is faster than lists of texts.
    """
    if not sheet.rows:
        return
    database.run(
        "CREATE OR REPLACE TEMP TABLE incoming_lines (row_no INTEGER, n INTEGER, line VARCHAR, bucket VARCHAR)"
    )
    numbers = np.arange(1, len(sheet.rows) + 1) if sheet.row_numbers is None else np.array(sheet.row_numbers)
    for start in range(0, len(sheet.rows), _PIECE):
        rows = sheet.rows[start : start + _PIECE]
        frame = pd.DataFrame({"row_no": numbers[start : start + _PIECE]})
        frame["bucket"] = coded(Cells(bucket[start : start + _PIECE], BUCKETS))
        sizes = np.fromiter(map(len, rows), dtype=np.int64, count=len(rows))
        lines = list(map(_BETWEEN.join, rows))
        if "".join(lines).count(_BETWEEN) == int(np.maximum(sizes - 1, 0).sum()):
            frame["n"] = sizes
            frame["line"] = objects(lines)
            database.append("incoming_lines", frame)
        else:  # a cell holds the sign itself
            frame["file_id"] = file_id
            frame["sheet"] = objects([sheet.sheet] * len(rows))
            frame["cells"] = objects(rows)
            database.append("raw_row", frame)
    database.run(
        "INSERT INTO raw_row SELECT ?, ?, row_no, "
        "CASE WHEN n = 0 THEN [] ELSE string_split(line, chr(31)) END, bucket FROM incoming_lines",
        [file_id, sheet.sheet],
    )
    database.run("DROP TABLE incoming_lines")

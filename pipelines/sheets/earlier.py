"""Which files come before another one: those with a lower content hash, so that the order of loading never matters.

A row is compared only with rows of files that come before its own, and of its own. When a file comes in or goes,
the later files that speak of the same vehicles and days are made again (`renewal`).
"""

from __future__ import annotations

from wearlab.store.database import Database

#: Table that lives while one file is made: file_id and name of the files before it, and its own.
EARLIER = "earlier_file"


def see_earlier(database: Database, file_id: int, sha256: str) -> None:
    """Say which rows of the store a file may be compared with from now on."""
    database.run(
        f"CREATE OR REPLACE TEMP TABLE {EARLIER} AS SELECT file_id, name FROM source_file "  # noqa: S608
        "WHERE sha256 < ? AND file_id <> ? UNION ALL SELECT ?, 'this file'",
        [sha256, file_id, file_id],
    )

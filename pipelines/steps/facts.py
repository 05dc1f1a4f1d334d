"""One hash of all that the store knows, so that what was derived from it is known to be stale or fresh."""

from __future__ import annotations

import hashlib

from wearlab.store.database import Database

#: tables of facts; the numbers that files get in the order of loading are left out of the hash
_FACTS = ("reading", "test", "work", "odometer_log", "register", "rig_register", "planned_visit", "stock")


def facts_sha256(db: Database) -> str:
    """Hash of every fact: equal facts give an equal hash, in whatever order they were loaded."""
    digest = hashlib.sha256()
    for table in _FACTS:
        # the name is one of the constants above
        found = db.rows(
            f"SELECT count(*), bit_xor(hash(fact)) FROM (SELECT * EXCLUDE (file_id) FROM {table}) fact"  # noqa: S608
        )
        digest.update(repr((table, found[0])).encode())
    return digest.hexdigest()

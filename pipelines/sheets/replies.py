"""Answers to questions of context as the store remembers them."""

from __future__ import annotations

from wearlab.store.database import Database

#: Stored for "no, it is not so".
NO = "no"


def replies(database: Database) -> dict[tuple[str, str], str]:
    """Return the last answer to every question, by kind and subject; what was closed without one is left out."""
    found = database.rows(
        "SELECT kind, subject, arg_max(value, answered_at) FROM answer WHERE kind IS NOT NULL GROUP BY kind, subject"
    )
    return {(kind, subject): value for kind, subject, value in found if value}

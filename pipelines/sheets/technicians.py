"""Who measured, by code: a name on a sheet is told by a code that stays the same from sheet to sheet."""

from __future__ import annotations

import hashlib

#: longer words without a figure are taken for names
_CODE = 4


def technician_code(text: str) -> str | None:
    """Return a code as it is written ("N1", "mk") and a name as a code made of it ("K-3f1a").

    Capitals, blanks and the order of the names do not count. The code keeps a name out of tables, pages and studies of
    repeatability; it is no secret from whoever holds the sheets, whose rows are kept as they were written.
    """
    told = " ".join(text.split())
    if len(told) <= _CODE or any(sign.isdigit() for sign in told):
        return told or None
    folded = " ".join(sorted(told.casefold().replace(",", " ").replace(".", " ").split()))
    return f"K-{hashlib.sha256(folded.encode()).hexdigest()[:4]}"

"""Signals that a person has dealt with: kept with a reason, known again after everything was learned anew.

A signal has no row of its own that lasts: each run finds it again, perhaps with another best cause or first visit. So
what was acknowledged is kept as vehicle, part, measure, protocol, month and whether a part or the whole set is meant,
and a signal is that one if its own onset may lie in that month.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from wearlab.errors import InputError, UnknownName
from wearlab.store.database import Database

#: causes of one part and of the whole set; what vehicles share is a scope of its own
_SCOPE = {"reading": "part", "step": "part", "wear": "part", "visit": "set", "vehicle": "set"}

#: letters of a signal's key
_KEY = 8


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """What was acknowledged, when and why."""

    subject: str
    acknowledged_at: datetime
    reason: str


def subject_of(*, vehicle: str, part: str | None, measure: str, protocol: str, onset: date, kind: str) -> str:
    """What a signal is about, the same after every learning; `vehicle` names the rig or depot of a shared one."""
    words = (vehicle, part or "", measure, protocol, _SCOPE.get(kind, kind), f"{onset:%Y-%m}")
    return "|".join(word.replace("|", "/") for word in words)


def key_of(subject: str) -> str:
    """The short name under which a signal is printed and acknowledged."""
    return hashlib.sha256(subject.encode()).hexdigest()[:_KEY]


def acknowledgements(db: Database) -> tuple[Acknowledgement, ...]:
    """All that were entered, in the order of entering, which no clock that was set back can change."""
    return tuple(
        Acknowledgement(*row)
        for row in db.rows("SELECT subject, acknowledged_at, reason FROM acknowledgement ORDER BY rowid")
    )


def acknowledged(signal: Mapping[str, Any], known: Sequence[Acknowledgement]) -> Acknowledgement | None:
    """The newest acknowledgement of a signal: of the same subject but for its month, which its onset may lie in."""
    stem, _, month = str(signal["subject"]).rpartition("|")
    first, last = f"{signal['onset_early']:%Y-%m}", f"{signal['onset_late']:%Y-%m}"
    for one in reversed(known):
        same, _, then = one.subject.rpartition("|")
        if same == stem and (then == month or first <= then <= last):
            return one
    return None


def acknowledge(db: Database, key: str, reason: str, signals: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Enter that a signal was dealt with; `key` may be the start of one. Returns the signal.

    Raises
    ------
    InputError, UnknownName
        No reason is given, or no signal or several have such a key.
    """
    words = " ".join(reason.split())
    if not words:
        raise InputError("an acknowledgement needs a reason: add --reason TEXT")
    sought = key.strip().lower()
    found = [one for one in signals if sought and str(one["key"]).startswith(sought)]
    if not found:
        raise UnknownName(f'no signal has the key "{key}": "wearlab signals --all" lists them')
    if len({one["subject"] for one in found}) > 1:
        raise InputError(f'several signals begin with "{key}": {", ".join(sorted(str(one["key"]) for one in found))}')
    with db.transaction():
        db.run(
            "INSERT INTO acknowledgement VALUES (?, ?, ?)",
            [found[0]["subject"], datetime.now(UTC).replace(tzinfo=None), words],
        )
    return dict(found[0])

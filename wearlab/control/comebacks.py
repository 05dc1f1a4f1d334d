"""Comebacks: what brought a vehicle back after a repair, and whether that was within a stated time and distance.

A comeback is a visit with a complaint, a return or a claim under warranty, the same place worked on again, or a failure
on the road. What is planned is none. Only the user's own bounds decide what counts; without bounds nothing is judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Return:
    """One return after a repair: `days` and `km` since then (None: not known), and what brought the vehicle back.

    `within` is None where no bound was stated, or where the distance that would decide is not known.
    """

    day: date
    days: int
    km: float | None
    reason: str
    within: bool | None


def comebacks(
    repaired_on: date,
    repaired_at_km: float | None,
    returns: Sequence[tuple[date, float | None, str]],
    *,
    within_days: int | None = None,
    within_km: float | None = None,
) -> tuple[Return, ...]:
    """Return all returns (day, true distance, reason) after a repair in the order of time.

    With both bounds a return counts where it is within both.
    """
    found = []
    for day, at_km, reason in sorted(returns, key=lambda one: (one[0], one[2])):
        if day <= repaired_on:
            continue
        days = (day - repaired_on).days
        km = None if at_km is None or repaired_at_km is None else max(at_km - repaired_at_km, 0.0)
        by_days = None if within_days is None else days <= within_days
        by_km = None if within_km is None or km is None else km <= within_km
        found.append(Return(day, days, km, reason, _both(by_days, by_km, asked_km=within_km is not None)))
    return tuple(found)


def _both(by_days: bool | None, by_km: bool | None, *, asked_km: bool) -> bool | None:
    if by_days is False or by_km is False:
        return False
    if asked_km and by_km is None:
        return None
    return None if by_days is None and by_km is None else True

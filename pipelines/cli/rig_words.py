"""What a look at the rigs says in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING

from wearlab.charts.words import day_words, measure_words

if TYPE_CHECKING:
    from pipelines.steps.rigs import RigPeriod, Rigs


def answer(found: Rigs) -> str:
    """Return the one plain sentence: the latest offset that is sure, else that there is none; then what is overdue."""
    if not found.periods and not found.calibrations:
        return "No test names its rig: write the rig on the sheet, and its offset can be told."
    sure = [one for one in found.periods if _sure(one)]
    overdue = [one.rig for one in found.calibrations if one.overdue_days]
    late = f"; calibration is overdue on {', '.join(overdue)}" if overdue else "; no calibration is overdue"
    if not sure:
        return f"No rig is shown to read high or low{late}."
    # the one that is off by most at the least, so that a wide interval does not lead the answer
    worst = max(sure, key=lambda one: min(abs(one.at_last.low), abs(one.at_last.high)))
    way = "high" if worst.at_last.point > 0 else "low"
    return (
        f"Furthest off was {worst.rig}: on {day_words(worst.last)} it read {abs(worst.at_last.point):.1f} % {way} "
        f"(9 in 10 between {worst.at_last.low:+.1f} and {worst.at_last.high:+.1f} %; {measure_words(worst.measure)}, "
        f"{worst.protocol}){late}."
    )


def base_words(periods: Sequence[RigPeriod]) -> str:
    """Return what offsets of one group are told against."""
    base = [one.period for one in periods if one.base]
    if not base:
        return "Offsets are told against all rigs together."
    return f"Offsets are told against {', '.join(base)} at its first test, which has none of its own."


def _sure(one: RigPeriod) -> bool:
    return isfinite(one.at_last.low) and (one.at_last.low > 0 or one.at_last.high < 0)

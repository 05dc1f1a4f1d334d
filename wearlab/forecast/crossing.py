"""When a life's straight line passes its limit, as exposure and as distance still to go.

Labelled "simple line, not calibrated": the line's errors are taken as independent, which real wear is not,
so its interval is too narrow on paths that wander.
"""

from __future__ import annotations

from dataclasses import dataclass

from wearlab.records import NoAnswer
from wearlab.wear.line import Crossing, Direction, LineFit

#: Printed wherever a forecast of this kind is shown.
METHOD = "simple line, not calibrated"

#: Coverage of the interval: its ends are the 10 and 90 % points of the crossing.
COVERAGE = 0.8


@dataclass(frozen=True, slots=True)
class Remaining:
    """Distance to go until the crossing, km; negative when behind, infinite when it never comes."""

    p10_km: float
    p50_km: float
    p90_km: float


def exposure_crossing(fit: LineFit | NoAnswer, limit: float | None, direction: Direction) -> Crossing | NoAnswer:
    """Return the exposure of the crossing; `low`, `point`, `high` are its 10, 50 and 90 % points."""
    if limit is None:
        return NoAnswer("no limit is configured for this measure and protocol")
    if isinstance(fit, NoAnswer):
        return fit
    return fit.crossing(limit, direction, COVERAGE)


def remaining(crossing: Crossing, exposure_now_km: float, exposure_first_km: float = 0.0) -> Remaining:
    """Return the distance to go; a crossing before the life's first reading is told as at that reading."""
    low, point, high = (
        max(place, exposure_first_km) - exposure_now_km for place in (crossing.low, crossing.point, crossing.high)
    )
    return Remaining(low, point, high)

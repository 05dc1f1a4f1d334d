"""When a life's straight line passes its limit.

Labelled "simple line, not calibrated": the line's errors are taken as independent, which real wear is not,
so its interval is too narrow on paths that wander.
"""

from __future__ import annotations

from wearlab.language import _, msg
from wearlab.records import NoAnswer
from wearlab.wear.line import Crossing, Direction, LineFit

#: Printed wherever a forecast of this kind is shown.
METHOD = msg("simple line, not calibrated")

#: Coverage of the interval: its ends are the 10 and 90 % points of the crossing.
COVERAGE = 0.8


def exposure_crossing(fit: LineFit | NoAnswer, limit: float | None, direction: Direction) -> Crossing | NoAnswer:
    """Return the exposure of the crossing; `low`, `point`, `high` are its 10, 50 and 90 % points."""
    if limit is None:
        return NoAnswer(_("no limit is configured for this measure and protocol"))
    if isinstance(fit, NoAnswer):
        return fit
    return fit.crossing(limit, direction, COVERAGE)

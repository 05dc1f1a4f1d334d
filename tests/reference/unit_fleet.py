"""What small simulated fleets share that are held against a dense computation: levels, rates and gaps all near 1."""

from __future__ import annotations

from typing import Any

UNIT_FLEET: dict[str, Any] = {
    "gap": 1.0,
    "gap_spread": 0.5,
    "exposure_unit": "",
    "path": 0.3,
    "vehicle_level": 0.4,
    "vehicle_rate": 0.2,
    "part_level": 0.5,
    "part_rate": 0.2,
    "visit": 0.2,
    "repeat": 0.2,
    "error": 0.2,
    "start": 0.6,
}

"""What `wearlab.toml` may say of rigs and pressure sensors."""

from __future__ import annotations

from pydantic import Field, model_validator

from wearlab.strict_settings import CENTURY, Positive, Span, Strict


class Tube(Strict):
    """One channel of a rig that differs from the rig's other tubes."""

    tube_ml: Positive | None = None
    """what the tube holds"""
    graduation_ml: Positive | None = None
    """distance of its marks"""
    area_mm2: Positive | None = None
    """inner cross-section, for heights"""


class Rig(Strict):
    """A test rig: its tubes, closed volume and limiter."""

    channels: int = Field(default=0, ge=0, le=24)
    """number of tubes"""
    tube_ml: Positive | None = None
    """what every tube holds"""
    graduation_ml: Positive | None = None
    """distance of the marks"""
    area_mm2: Positive | None = None
    """inner cross-section of the tubes, for heights"""
    dead_ml: float | None = Field(default=None, ge=0)
    """what hose and tube swallow before the scale begins"""
    tubes: dict[str, Tube] = {}
    """tubes that differ, by channel"""
    volume_ml: Positive | None = None
    """closed volume of the pump test"""
    limiter_bar: Positive | None = None
    """pressure at which its limiter opens: a reading there means at least that"""
    gauge_bar: Positive | None = Field(default=None, description="graduation of the pressure display")
    depot: str | None = None
    """where it stands"""
    calibrate_every_days: int | None = Field(default=None, ge=1, le=CENTURY)
    """how often it is calibrated"""


class Sensor(Strict):
    """A pressure sensor read in volts: a straight scale through two points, and where the sensor is fitted.

    A reading in volts is converted only where exactly one sensor is meant: the one that the layout names, else
    one fitted to its rig, else one fitted to its vehicle's family.
    """

    volts: Span
    """two voltages"""
    bar: Span
    """the pressures at them"""
    rigs: tuple[str, ...] = ()
    """rigs that have it"""
    families: tuple[str, ...] = ()
    """families that have it on the engine"""

    @model_validator(mode="after")
    def _rising(self) -> Sensor:
        if self.volts[0] == self.volts[1] or self.bar[0] == self.bar[1]:
            raise ValueError("a sensor scale needs two different voltages and two different pressures")
        return self

    def pressure(self, volts: float) -> float:
        """Return the pressure in bar at a voltage; NaN outside the scale."""
        (low, high), (least, most) = self.volts, self.bar
        if not low <= volts <= high:
            return float("nan")
        return least + (volts - low) * (most - least) / (high - low)

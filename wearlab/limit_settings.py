"""What `wearlab.toml` may say of protocols and limits. No limit has a default."""

from __future__ import annotations

from datetime import date
from typing import Literal

from pydantic import Field, model_validator

from wearlab.records import LEVEL_UNIT, Driven, Measure
from wearlab.strict_settings import Positive, Span, Strict
from wearlab.units import unit


class Protocol(Strict):
    """All that makes two tests comparable; a sheet names a protocol or gives its parts."""

    measure: Measure
    """what is measured"""
    driven: Driven
    """how the engine is driven while it is measured"""
    rail_bar: Positive | None = None
    """rail pressure commanded"""
    speed_rpm: Positive | None = None
    """engine speed"""
    duration_s: Positive | None = None
    """how long is measured"""
    injectors_connected: bool | None = None
    """whether the injectors stay connected"""
    back_pressure_bar: float | None = None
    """pressure on the return line"""
    metering_valve: str | None = None
    """how the metering valve is set"""
    volume_ml: Positive | None = None
    """closed volume that the pump fills"""
    rise_to_bar: Positive | None = None
    """pressure up to which the rise is timed"""
    also_called: tuple[str, ...] = ()
    """other names of it in sheets"""
    note: str = ""
    """for yourself"""


class Conditions(Strict):
    """Test conditions a limit was stated for; a test outside them, or silent on them, is not judged."""

    rail_bar: Span | None = None
    """rail pressure, from and to"""
    fuel_temp_c: Span | None = None
    """fuel temperature, from and to"""
    speed_rpm: Span | None = None
    """engine speed, from and to"""
    battery_v: Span | None = None
    """battery voltage while cranking, from and to"""
    supply_bar: Span | None = None
    """supply pressure, from and to"""
    duration_s: Positive | None = None
    """duration of the measurement"""
    volume_ml: Positive | None = None
    """closed volume of the pump test"""


LimitKind = Literal[
    "most",
    "least",
    "times lowest",
    "times median",
    "percent from mean",
    "set total most",
    "bank total most",
    "line over speed",
    "percent from first",
]


class LimitRule(Strict):
    """One limit with its own conditions and source. No rule exists unless the user writes it."""

    name: str = Field(min_length=1)
    """how answers call it; a newer version has the same name and another valid_from"""
    measure: Measure
    """what it judges"""
    protocol: str | None = None
    """only tests of this protocol; without it any of the measure"""
    family: str | None = None
    """only this family; without it all"""
    part_number: str | None = None
    """only this part number"""
    cylinders: int | None = Field(default=None, ge=1)
    """only engines of so many cylinders"""
    kind: LimitKind
    """what the value means: a bound of one part, of a set or bank, or beside the other parts"""
    value: Positive | None = None
    """the figure"""
    unit: str | None = None
    """its unit; ratios and percentages have none"""
    over_s: Positive | None = Field(default=None, description="a volume limit is stated over this many seconds")
    speeds: tuple[tuple[float, float], ...] = Field(default=(), description="line over speed: pairs of rpm and limit")
    valid_from: date | None = None
    """day from which it holds"""
    conditions: Conditions = Conditions()
    """under which it was stated"""
    source: str = Field(min_length=3, description="where the figure comes from")

    @model_validator(mode="after")
    def _complete(self) -> LimitRule:
        relative = self.kind in ("times lowest", "times median", "percent from mean", "percent from first")
        if self.kind == "line over speed":
            if len(self.speeds) < 2 or self.value is not None:
                raise ValueError('"line over speed" needs speeds = [[rpm, limit], ...] and no value')
            if any(a[0] >= b[0] for a, b in zip(self.speeds, self.speeds[1:], strict=False)):
                raise ValueError("the speeds must rise from pair to pair")
        elif self.value is None or self.speeds:
            raise ValueError(f'"{self.kind}" needs a value and no speeds')
        if relative and self.unit is not None:
            raise ValueError(f'"{self.kind}" is a ratio or a percentage and takes no unit')
        if not relative:
            if self.unit is None:
                raise ValueError(f'"{self.kind}" needs a unit, for example "{LEVEL_UNIT[self.measure]}"')
            quantity = unit(self.unit).quantity
            level = unit(LEVEL_UNIT[self.measure]).quantity
            if quantity == "volume" and level == "flow":
                if self.over_s is None:
                    raise ValueError("a limit given as a volume needs over_s = seconds")
            elif quantity != level:
                raise ValueError(f'"{self.unit}" cannot be a limit of {self.measure}')
        return self

    @property
    def direction(self) -> Literal["above", "below"]:
        """On which side of the limit a reading fails."""
        return "below" if self.kind == "least" else "above"

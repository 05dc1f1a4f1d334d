"""What `wearlab.toml` may say. Unknown keys are refused; no limit has a default."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from wearlab.errors import ConfigError
from wearlab.part_settings import Parts
from wearlab.plan_settings import Costs, FamilyFailures, PlanRules, known_families
from wearlab.records import LEVEL_UNIT, Driven, Measure
from wearlab.units import unit
from wearlab.word_settings import Words


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _ordered(pair: tuple[float, float]) -> tuple[float, float]:
    if pair[0] > pair[1]:
        raise ValueError("a range is written [lowest, highest]")
    return pair


Span = Annotated[tuple[float, float], AfterValidator(_ordered)]
Positive = Annotated[float, Field(gt=0)]
Chance = Annotated[float, Field(gt=0, lt=1)]


class Family(_Strict):
    """Engine and injector type whose parts wear alike.

    `banks` lists the cylinders of each bank, for limits on the total of a bank: [["1", "2", "3"], ["4", "5", "6"]].
    """

    cylinders: int | None = Field(default=None, ge=1, le=24)
    banks: tuple[tuple[str, ...], ...] = ()
    injector: Literal["solenoid", "piezo servo", "piezo direct", "unit"] = "solenoid"
    exposure: Literal["km", "h"] = "km"
    note: str = ""

    @model_validator(mode="after")
    def _whole_banks(self) -> Family:
        named = [cylinder for bank in self.banks for cylinder in bank]
        odd = next((one for one in named if not one.isdigit() or one != str(int(one)) or int(one) < 1), None)
        if odd is not None:
            raise ValueError(f'banks list cylinder numbers such as "1", not "{odd}"')
        if len(set(named)) < len(named):
            raise ValueError("a cylinder belongs to one bank only")
        if self.banks and (len(self.banks) < 2 or not all(self.banks)):
            raise ValueError("banks are two or more lists of cylinders, none of them empty")
        count = self.cylinders
        if self.banks and (count is None or {int(one) for one in named} != set(range(1, count + 1))):
            raise ValueError("banks need cylinders = their number, and must list every cylinder from 1 on")
        return self


class Protocol(_Strict):
    """All that makes two tests comparable; a sheet names a protocol or gives its parts."""

    measure: Measure
    driven: Driven
    rail_bar: Positive | None = None
    speed_rpm: Positive | None = None
    duration_s: Positive | None = None
    injectors_connected: bool | None = None
    back_pressure_bar: float | None = None
    metering_valve: str | None = None
    volume_ml: Positive | None = None
    rise_to_bar: Positive | None = None
    also_called: tuple[str, ...] = ()
    note: str = ""


class Conditions(_Strict):
    """Test conditions a limit was stated for; a test outside them, or silent on them, is not judged."""

    rail_bar: Span | None = None
    fuel_temp_c: Span | None = None
    speed_rpm: Span | None = None
    battery_v: Span | None = None
    supply_bar: Span | None = None
    duration_s: Positive | None = None
    volume_ml: Positive | None = None


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


class LimitRule(_Strict):
    """One limit with its own conditions and source. No rule exists unless the user writes it."""

    name: str = Field(min_length=1)
    measure: Measure
    protocol: str | None = None
    family: str | None = None
    part_number: str | None = None
    cylinders: int | None = Field(default=None, ge=1)
    kind: LimitKind
    value: Positive | None = None
    unit: str | None = None
    over_s: Positive | None = Field(default=None, description="a volume limit is stated over this many seconds")
    speeds: tuple[tuple[float, float], ...] = Field(default=(), description="line over speed: pairs of rpm and limit")
    valid_from: date | None = None
    conditions: Conditions = Conditions()
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


class Tube(_Strict):
    """One channel of a rig that differs from the rig's other tubes."""

    tube_ml: Positive | None = None
    graduation_ml: Positive | None = None
    area_mm2: Positive | None = None


class Rig(_Strict):
    """A test rig: its tubes, closed volume and limiter."""

    channels: int = Field(default=0, ge=0, le=24)
    tube_ml: Positive | None = None
    graduation_ml: Positive | None = None
    area_mm2: Positive | None = None
    dead_ml: float | None = Field(default=None, ge=0)
    tubes: dict[str, Tube] = {}
    volume_ml: Positive | None = None
    limiter_bar: Positive | None = None
    gauge_bar: Positive | None = Field(default=None, description="graduation of the pressure display")
    depot: str | None = None
    calibrate_every_days: int | None = Field(default=None, ge=1)


class Sensor(_Strict):
    """A pressure sensor read in volts: a straight scale through two points, and where the sensor is fitted.

    A reading in volts is converted only where exactly one sensor is meant: the one that the layout names, else
    one fitted to its rig, else one fitted to its vehicle's family.
    """

    volts: Span
    bar: Span
    rigs: tuple[str, ...] = ()
    families: tuple[str, ...] = ()

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


class Visits(_Strict):
    """How often a vehicle should be tested, used where nothing else is planned."""

    every_days: int = Field(default=365, ge=7)
    every_km: Positive | None = None


class Horizons(_Strict):
    """Days and chances that turn a forecast into a state; thresholds of planning, not limits of parts.

    A state is entered when its chance reaches the first of its two figures and left when it falls below the second, so
    that a chance that wavers about one figure does not change the state every month. Chosen by judgement, no source.
    """

    book_days: int = Field(default=90, ge=1)
    watch_days: int = Field(default=365, ge=1)
    stale_days: int = Field(default=450, ge=1)
    book_chance: Chance = Field(default=0.5, description="of passing the limit within book_days: book")
    book_leave: Chance = 0.4
    watch_chance: Chance = Field(default=0.1, description="of passing the limit within watch_days: watch")
    watch_leave: Chance = 0.05
    past_chance: Chance = Field(default=0.95, description="of being past by now, with the last reading: past limit")
    past_leave: Chance = 0.8

    @model_validator(mode="after")
    def _left_below(self) -> Horizons:
        for name in ("book", "watch", "past"):
            enter, leave = getattr(self, f"{name}_chance"), getattr(self, f"{name}_leave")
            if leave > enter:
                raise ValueError(f"{name}_leave ({leave:g}) must not lie above {name}_chance ({enter:g})")
        return self


class Signals(_Strict):
    """How many signals a month may be false, over the whole fleet, all groups of tests and all kinds of causes.

    A choice of planning, no source: what the workshop can afford to look into for nothing. Fewer false signals mean
    that real ones come later or not at all.
    """

    false_per_month: float = Field(default=2.0, gt=0, allow_inf_nan=False)


class Spread(_Strict):
    """Assumed repeatability until the workshop's own repeats allow estimating it.

    Common practice, no source: 10 % of a reading at idle or commanded pressure, 20 % when cranking,
    plus 0.29 of a graduation (the standard uncertainty of a uniform error, arithmetic).
    """

    idle_percent: Positive = 10.0
    raised_percent: Positive = 10.0
    bench_percent: Positive = 5.0
    crank_percent: Positive = 20.0
    pump_percent: Positive = 5.0


class Fuel(_Strict):
    """Kinematic viscosity of the fuel at two temperatures, each [degC, mm2/s], and how far it may be off.

    The default is ordinary road diesel, which is traded between 2.0 and 4.5 mm2/s at 40 degC; the 15 % are an
    assumption, no source.
    """

    viscosity: tuple[tuple[float, Positive], tuple[float, Positive]] = ((40.0, 2.8), (100.0, 1.15))
    uncertainty_percent: float = Field(default=15.0, ge=0, le=50)

    @model_validator(mode="after")
    def _thinner_when_hot(self) -> Fuel:
        (cool, thick), (hot, thin) = sorted(self.viscosity)
        if hot - cool < 10 or thick <= thin:
            raise ValueError("viscosity needs two temperatures 10 degC apart or more, the hotter with the lower one")
        if cool < -60 or hot > 250 or thin < 0.3:
            raise ValueError("viscosity is told between -60 and 250 degC and from 0.3 mm2/s upwards")
        return self


class Settings(_Strict):
    """All of `wearlab.toml`."""

    name: str = "workshop"
    families: dict[str, Family] = {}
    protocols: dict[str, Protocol] = {}
    limits: tuple[LimitRule, ...] = ()
    rigs: dict[str, Rig] = {}
    sensors: dict[str, Sensor] = {}
    visits: Visits = Visits()
    horizons: Horizons = Horizons()
    signals: Signals = Signals()
    spread: Spread = Spread()
    fuel: Fuel = Fuel()
    costs: Costs = Costs()
    failures: dict[str, FamilyFailures] = {}
    plan: PlanRules = PlanRules()
    parts: Parts = Parts()
    words: Words = Words()

    @model_validator(mode="after")
    def _known_names(self) -> Settings:
        seen: set[tuple[str, date | None]] = set()
        for rule in self.limits:
            key = (rule.name, rule.valid_from)
            if key in seen:
                raise ValueError(f'two limits are called "{rule.name}" with the same valid_from')
            seen.add(key)
            if rule.family is not None and rule.family not in self.families:
                raise ValueError(f'limit "{rule.name}" names the unknown family "{rule.family}"')
            if rule.protocol is not None and rule.protocol not in self.protocols:
                raise ValueError(f'limit "{rule.name}" names the unknown protocol "{rule.protocol}"')
        self.parts.check_families(self.families)
        known_families(self.families, self.costs, self.failures)
        return self


def read_settings(path: Path) -> Settings:
    """Read and check a `wearlab.toml`.

    Raises
    ------
    ConfigError
        The file is missing, is not TOML, or has an unknown key or an impossible value; the sentence names
        the place and what was expected.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise ConfigError(f'{path} is missing: make a workspace with "wearlab new"') from None
    except (OSError, UnicodeDecodeError) as fault:
        raise ConfigError(f"{path} cannot be read as UTF-8 text ({fault}): save it as UTF-8") from None
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise ConfigError(f"{path} is not valid TOML: {fault}; correct that line") from None
    try:
        return Settings.model_validate(data)
    except ValidationError as fault:
        raise ConfigError(f"{path}: {_first_fault(fault)}") from None


def _first_fault(fault: ValidationError) -> str:
    first = fault.errors()[0]
    place = ".".join(str(step) for step in first["loc"]) or "the file"
    if first["type"] == "extra_forbidden":
        return f'"{place}" is not a known key: remove it or correct its spelling'
    more = len(fault.errors()) - 1
    tail = f" (and {more} more)" if more else ""
    return f"{place}: {first['msg'].removeprefix('Value error, ')}{tail}"

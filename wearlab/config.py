"""What `wearlab.toml` may say. Unknown keys are refused; no limit has a default."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationError, model_validator

from wearlab.errors import ConfigError, UnitError
from wearlab.limit_settings import LimitRule, Protocol
from wearlab.part_settings import Parts
from wearlab.plan_settings import Costs, FamilyFailures, PlanRules, known_families
from wearlab.rig_settings import Rig, Sensor
from wearlab.strict_settings import CENTURY, Chance, Positive, Strict
from wearlab.toml_text import read_toml, refuse_controls, toml_bytes
from wearlab.word_settings import Words


class Family(Strict):
    """Engine and injector type whose parts wear alike.

    `banks` lists the cylinders of each bank, for limits on the total of a bank: [["1", "2", "3"], ["4", "5", "6"]].
    """

    cylinders: int | None = Field(default=None, ge=1, le=24)
    """number of cylinders; a sheet or register that says otherwise is asked about"""
    banks: tuple[tuple[str, ...], ...] = ()
    """the cylinders of each bank"""
    injector: Literal["solenoid", "piezo servo", "piezo direct", "unit"] = "solenoid"
    """how the injectors are driven"""
    exposure: Literal["km", "h"] = "km"
    """what wears the parts: kilometres or engine hours"""
    note: str = ""
    """for yourself"""

    @model_validator(mode="after")
    def _whole_banks(self) -> Family:
        named = [cylinder for bank in self.banks for cylinder in bank]
        odd = next((one for one in named if re.fullmatch("[1-9][0-9]?", one) is None), None)
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


class Visits(Strict):
    """How often a vehicle should be tested, used where nothing else is planned."""

    every_days: int = Field(default=365, ge=7, le=CENTURY)
    """days between tests"""
    every_km: Positive | None = None
    """kilometres between tests"""


class Horizons(Strict):
    """Days and chances that turn a forecast into a state; thresholds of planning, not limits of parts.

    A state is entered when its chance reaches the first of its two figures and left when it falls below the second, so
    that a chance that wavers about one figure does not change the state every month. Chosen by judgement, no source.
    """

    book_days: int = Field(default=90, ge=1, le=CENTURY)
    """book looks so far ahead"""
    watch_days: int = Field(default=365, ge=1, le=CENTURY)
    """watch looks so far ahead"""
    stale_days: int = Field(default=450, ge=1, le=CENTURY)
    """a test older than this never counts as steady"""
    book_chance: Chance = Field(default=0.5, description="of passing the limit within book_days: book")
    book_leave: Chance = 0.4
    """book is left below it"""
    watch_chance: Chance = Field(default=0.1, description="of passing the limit within watch_days: watch")
    watch_leave: Chance = 0.05
    """watch is left below it"""
    past_chance: Chance = Field(default=0.95, description="of being past by now, with the last reading: past limit")
    past_leave: Chance = 0.8
    """past limit is left below it"""

    @model_validator(mode="after")
    def _left_below(self) -> Horizons:
        for name in ("book", "watch", "past"):
            enter, leave = getattr(self, f"{name}_chance"), getattr(self, f"{name}_leave")
            if leave > enter:
                raise ValueError(f"{name}_leave ({leave:g}) must not lie above {name}_chance ({enter:g})")
        return self


class Signals(Strict):
    """How many signals a month may be false, over the whole fleet, all groups of tests and all kinds of causes.

    A choice of planning, no source: what the workshop can afford to look into for nothing. Fewer false signals mean
    that real ones come later or not at all.
    """

    false_per_month: float = Field(default=2.0, gt=0, allow_inf_nan=False)
    """signals a month that may be false"""


class Spread(Strict):
    """Assumed repeatability until the workshop's own repeats allow estimating it.

    Common practice, no source: 10 % of a reading at idle or commanded pressure, 20 % when cranking,
    plus 0.29 of a graduation (the standard uncertainty of a uniform error, arithmetic).
    """

    idle_percent: Positive = 10.0
    """of a reading at idle"""
    raised_percent: Positive = 10.0
    """at commanded pressure"""
    bench_percent: Positive = 5.0
    """on a bench"""
    crank_percent: Positive = 20.0
    """while cranking"""
    pump_percent: Positive = 5.0
    """of a pump"""


class Fuel(Strict):
    """Kinematic viscosity of the fuel at two temperatures, each [degC, mm2/s], and how far it may be off.

    The default is ordinary road diesel, which is traded between 2.0 and 4.5 mm2/s at 40 degC; the 15 % are an
    assumption, no source.
    """

    viscosity: tuple[tuple[float, Positive], tuple[float, Positive]] = ((40.0, 2.8), (100.0, 1.15))
    """two points, each [degC, mm2/s]"""
    uncertainty_percent: float = Field(default=15.0, ge=0, le=50)
    """how far a delivery may be off them"""

    @model_validator(mode="after")
    def _thinner_when_hot(self) -> Fuel:
        (cool, thick), (hot, thin) = sorted(self.viscosity)
        if hot - cool < 10 or thick <= thin:
            raise ValueError(
                "viscosity needs two temperatures at least 10 degC apart, the hotter with the lower viscosity"
            )
        if cool < -60 or hot > 250 or thin < 0.3:
            raise ValueError("viscosity is told between -60 and 250 degC and from 0.3 mm2/s upwards")
        return self


class Settings(Strict):
    """All of `wearlab.toml`."""

    name: str = "workshop"
    """of the workspace, on every page"""
    families: dict[str, Family] = {}
    """by name"""
    protocols: dict[str, Protocol] = {}
    """by name"""
    limits: tuple[LimitRule, ...] = ()
    """one table each"""
    rigs: dict[str, Rig] = {}
    """by name"""
    sensors: dict[str, Sensor] = {}
    """by name"""
    visits: Visits = Visits()
    """how often vehicles are tested"""
    horizons: Horizons = Horizons()
    """what turns a forecast into a state"""
    signals: Signals = Signals()
    """how many may be false"""
    spread: Spread = Spread()
    """repeatability assumed until your repeats tell"""
    fuel: Fuel = Fuel()
    """how it thins with warmth"""
    costs: Costs = Costs()
    """of planned work"""
    failures: dict[str, FamilyFailures] = {}
    """on the road, by family"""
    plan: PlanRules = PlanRules()
    """what a plan has to keep to"""
    parts: Parts = Parts()
    """part numbers"""
    words: Words = Words()
    """language, dates and decimals"""

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
    if not path.exists():
        raise ConfigError(f'{path} is missing: make a workspace with "wearlab new"')
    data = read_toml(toml_bytes(path), str(path))
    refuse_controls(data, str(path))
    try:
        return Settings.model_validate(data)
    except ValidationError as fault:
        raise ConfigError(f"{path}: {_first_fault(fault)}") from None
    except UnitError as fault:
        raise ConfigError(f"{path}: {fault}; correct the unit") from None


def _first_fault(fault: ValidationError) -> str:
    first = fault.errors()[0]
    place = ".".join(str(step) for step in first["loc"]) or "the file"
    if first["type"] == "extra_forbidden":
        return f'"{place}" is not a known key: remove it or correct its spelling'
    more = len(fault.errors()) - 1
    tail = f" (and {more} more)" if more else ""
    return f"{place}: {first['msg'].removeprefix('Value error, ')}{tail}"

"""What `wearlab.toml` may say of money, road failures and the plan's rules. Nothing here has a figure of its own.

A figure that is not given stays unknown: what needs it is left out and named as missing. Money is in one currency,
whose name is a label and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated

from pydantic import Field, model_validator

from wearlab.strict_settings import Strict

Amount = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0, le=100)]
Days = Annotated[int, Field(ge=0, le=3650)]


class PartCost(Strict):
    """What replacing parts of one kind costs: money a part, hours of work.

    `small_parts` are the pipes, washers, return hoses and bolts that go with one part; `core_return` is paid back for
    the old one. `labour_alone_h` is the work on one part alone, `labour_together_h` that on each further one at the
    same visit (of a pump: that on it beside injectors). `test_h` is the work of testing the set, or the pump.
    """

    part_price: Amount | None = None
    """of one part"""
    small_parts: Amount | None = None
    """pipes, washers, hoses and bolts that go with one part"""
    coding_h: Amount | None = None
    """hours of coding or matching the part"""
    labour_alone_h: Amount | None = None
    """hours of work on one part alone"""
    labour_together_h: Amount | None = None
    """hours on each further one at the same visit"""
    core_return: Amount | None = None
    """paid back for the old part"""
    set_discount_percent: Percent | None = Field(default=None, description="off the part price of a full set")
    test_h: Amount | None = None
    """hours of testing the set, or the pump"""


class FamilyCosts(Strict):
    """Costs of the injectors and of the pump of one family."""

    injector: PartCost = PartCost()
    """of one injector"""
    pump: PartCost = PartCost()
    """of the pump"""


class Costs(Strict):
    """All costs of planned work; `parts` by family."""

    currency: str = ""
    """a label"""
    labour_per_hour: Amount | None = None
    """money an hour of work"""
    parts: dict[str, FamilyCosts] = {}
    """by family"""


class RoadFailure(Strict):
    """What a road failure costs, and how often one comes; per 10,000 km, from the user's own books.

    Passing a limit is no road failure. `per_10000_km_beyond` is the chance of one in 10,000 km driven past the limit,
    on top of `background_per_10000_km`, which no test foretells and which replacing does not lower.
    """

    tow: Amount | None = None
    """money for one tow"""
    downtime_a_day: Amount | None = None
    """money a day off the road"""
    days: Amount | None = None
    """days off the road"""
    per_10000_km_beyond: Amount | None = None
    """failures in 10,000 km driven past the limit"""
    background_per_10000_km: Amount | None = None
    """failures in 10,000 km that no test foretells"""


class FamilyFailures(Strict):
    """Road failures by the injectors and by the pump of one family."""

    injector: RoadFailure = RoadFailure()
    """by injectors"""
    pump: RoadFailure = RoadFailure()
    """by the pump"""


class PlanRules(Strict):
    """What a plan has to keep to; what is not given does not bind.

    `bay_hours` are hours a month, for every depot or by depot; `lead_days` from ordering a part until it is there, for
    all parts or by part number; `apart` lists vehicles that must not be in the workshop in the same week;
    `most_chance` is the greatest chance with which a part may leave a visit past its limit. `call_in_cost` is what it
    costs to have a vehicle in outside the visits in the diary, beside the work itself.
    """

    bay_hours: Amount | dict[str, Amount] | None = None
    """hours a month, for every depot or by depot"""
    monthly_budget: Amount | None = None
    """money a month"""
    lead_days: Days | dict[str, Days] | None = None
    """days from order to shelf, for all parts or by part number"""
    apart: tuple[tuple[str, ...], ...] = ()
    """groups of vehicles that must not be in together"""
    most_chance: Annotated[float, Field(gt=0, lt=1)] | None = None
    """greatest chance that a part leaves a visit past its limit"""
    call_in_cost: Amount | None = None
    """money to have a vehicle in outside the diary"""
    months: int = Field(default=6, ge=1, le=24)
    """months that are planned"""

    @model_validator(mode="after")
    def _groups(self) -> PlanRules:
        for group in self.apart:
            if len(set(group)) < 2:
                raise ValueError("apart lists groups of two or more different vehicles")
        return self


def known_families(families: Iterable[str], costs: Costs, failures: Mapping[str, FamilyFailures]) -> None:
    """Raise ValueError where costs or failures are given for a family that is not configured."""
    if unknown := {*costs.parts, *failures} - set(families):
        raise ValueError(f'costs or failures name the unknown family "{min(unknown)}"')

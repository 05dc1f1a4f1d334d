"""What `wearlab.toml` may say of part numbers: what they fit, how they are sold, and how long stock should last."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from wearlab.strict_settings import Strict

PartKind = Literal["injector", "pump"]

_Money = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class PartNumber(Strict):
    """One part number as it is ordered. What is not stated stays unknown; nothing here has a usual value.

    `fits` and `part` say which seated parts without a recorded number it stands for. The share of review periods
    that the stock should last is `service_percent`, or follows from what one part missing and one left over cost.
    """

    fits: tuple[str, ...] = Field(default=(), description="families")
    part: PartKind | None = None
    """which part it is"""
    pack: int = Field(default=1, ge=1, description="sold in packs of")
    price: _Money | None = Field(default=None, description="of one part")
    service_percent: float | None = Field(default=None, gt=0, lt=100)
    """chance that the stock lasts until the next order comes"""
    short_cost: _Money | None = Field(default=None, description="of one part missing when it is needed")
    spare_cost: _Money | None = Field(default=None, description="of one part left over at the end of the period")

    @model_validator(mode="after")
    def _complete(self) -> PartNumber:
        if bool(self.fits) != (self.part is not None):
            raise ValueError('fits = [families] and part = "injector" or "pump" belong together')
        if (self.short_cost is None) != (self.spare_cost is None):
            raise ValueError("short_cost and spare_cost belong together")
        if self.short_cost is not None and self.service_percent is not None:
            raise ValueError("service_percent follows from short_cost and spare_cost: state one or the other")
        if self.short_cost is not None and not (self.short_cost > 0 and (self.spare_cost or 0) > 0):
            raise ValueError("short_cost and spare_cost lie above zero")
        return self


class Parts(Strict):
    """The tables [parts] and [parts."number"]; `superseded` leads from an old number to the one that replaced it."""

    superseded: dict[str, str] = {}
    """old number = the one ordered in its place"""
    numbers: dict[str, PartNumber] = {}
    """a table for each part number"""

    @model_validator(mode="before")
    @classmethod
    def _numbers_apart(cls, told: Any) -> Any:
        """Tables under [parts] are part numbers, but for `superseded`."""
        if not isinstance(told, dict) or "numbers" in told:
            return told
        numbers = {key: value for key, value in told.items() if key != "superseded"}
        return {key: value for key, value in told.items() if key == "superseded"} | {"numbers": numbers}

    @model_validator(mode="after")
    def _one_way(self) -> Parts:
        for number in self.superseded:
            seen = {number}
            while number in self.superseded:
                number = self.superseded[number]
                if number in seen:
                    raise ValueError(f'superseded leads from "{number}" back to itself')
                seen.add(number)
        old = next((number for number in self.numbers if number in self.superseded), None)
        if old is not None:
            raise ValueError(f'"{old}" is superseded: write its table for "{self.current(old)}"')
        taken: dict[tuple[str, str | None], str] = {}
        for number, told in self.numbers.items():
            for family in told.fits:
                other = taken.setdefault((family, told.part), number)
                if other != number:
                    raise ValueError(f'"{other}" and "{number}" are both ordered for the {told.part} of "{family}"')
        return self

    def check_families(self, families: Iterable[str]) -> None:
        """Raise ValueError where a number fits a family that is not configured."""
        known = set(families)
        for number, told in self.numbers.items():
            if strange := set(told.fits) - known:
                raise ValueError(f'part number "{number}" fits the unknown family "{min(strange)}"')

    def current(self, number: str) -> str:
        """The number that is ordered today in place of `number`."""
        while number in self.superseded:
            number = self.superseded[number]
        return number

    def ordered_for(self, family: str | None, part: str) -> str | None:
        """The number ordered for a family's injector or pump; None when none is stated."""
        return next((n for n, told in self.numbers.items() if told.part == part and family in told.fits), None)

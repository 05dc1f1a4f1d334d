"""What the classes of settings share: unknown keys are refused, a line under a key says what it means."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

#: days; nothing is planned further ahead
CENTURY = 36_525


class Strict(BaseModel):
    """Settings that refuse an unknown key and never change."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, use_attribute_docstrings=True)


def _ordered(pair: tuple[float, float]) -> tuple[float, float]:
    if pair[0] > pair[1]:
        raise ValueError("a range is written [lowest, highest]")
    return pair


Span = Annotated[tuple[float, float], AfterValidator(_ordered)]
Positive = Annotated[float, Field(gt=0)]
Chance = Annotated[float, Field(gt=0, lt=1)]

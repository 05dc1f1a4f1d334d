"""Small makers shared by the tests of the judgement; every value is invented unless a source stands beside
it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pytest

from wearlab.limit_settings import LimitRule
from wearlab.study.facts import AsTested, LimitInForce, MeasuredSet, SetReading


def _set(values: Sequence[float | str | None], *, graduation: float | None = None, **more: Any) -> MeasuredSet:
    """One return-flow test; "120+" ran over, "<0.5" is at most, None was not measured. Keywords:
    conditions."""
    unit = more.pop("unit", "ml")
    fresh = more.pop("fresh", ())
    younger = more.pop("younger", {})
    quality = more.pop("quality", {})
    readings = []
    for number, value in enumerate(values, 1):
        if value is None:
            continue
        bound = None
        if isinstance(value, str):
            bound = "at_least" if value.endswith("+") else "at_most"
            value = float(value.strip("<+"))
        at = str(number)
        readings.append(
            SetReading(
                at,
                value,
                unit,
                None,
                bound,
                graduation,
                quality=quality.get(at, "good"),
                just_replaced=at in fresh,
                younger_since=younger.get(at),
            )
        )
    facts: dict[str, Any] = {
        "measure": "return_flow",
        "protocol": "warm idle",
        "driven": "idle",
        "duration_s": 60.0,
        "rail_bar": 280.0,
        "speed_rpm": 750.0,
        "fuel_temp_c": 45.0,
    }
    return MeasuredSet(AsTested(**{**facts, **more}), tuple(readings))


def _pump(value: float, measure: str = "pump_peak", *, bound: str | None = None, **more: Any) -> MeasuredSet:
    """One pump test on a closed volume with everything recorded that clears the supply."""
    unit = "s" if measure == "pump_rise" else "bar"
    facts: dict[str, Any] = {
        "measure": measure,
        "protocol": "closed 20 ml",
        "driven": "crank",
        "duration_s": 5.0,
        "speed_rpm": 200.0,
        "battery_v": 11.0,
        "volume_ml": 20.0,
        "metering_valve": "unplugged",
        "supply_bar": 4.0,
        "supply_note": "filter new, no air",
        "rise_to_bar": 1000.0,
    }
    return MeasuredSet(AsTested(**{**facts, **more}), (SetReading("pump", value, unit, value, bound, None),))


def _limit(kind: str, value: float | None = None, version: int = 1, **more: Any) -> LimitInForce:
    """One limit rule of the user."""
    facts: dict[str, Any] = {"name": kind, "measure": "return_flow", "source": "invented for a test"}
    return LimitInForce(LimitRule(**{**facts, "kind": kind, "value": value, **more}), version)


@pytest.fixture(scope="session")
def flows() -> Callable[..., MeasuredSet]:
    return _set


@pytest.fixture(scope="session")
def pump() -> Callable[..., MeasuredSet]:
    return _pump


@pytest.fixture(scope="session")
def limit() -> Callable[..., LimitInForce]:
    return _limit

"""What the rules of `checks` look at beside the readings themselves."""

from __future__ import annotations

from dataclasses import dataclass

from pipelines.sheets.cells import Cells, Floats, Ints
from pipelines.sheets.dates import Dates
from pipelines.sheets.known import Known
from wearlab.config import Settings


@dataclass(frozen=True, slots=True)
class Conditions:
    """Row-wise conditions that the rules look at, NaN where unknown."""

    rail: Floats
    speed: Floats
    battery: Floats
    back_pressure: Floats
    supply: Floats
    supply_note: Cells


@dataclass(frozen=True, slots=True)
class Context:
    """What the rules need beside the readings: per row vehicle and date, per reading drive and protocol."""

    vehicle: Cells
    day: Dates
    conditions: Conditions
    driven: Ints  # index into list(Driven), -1 unknown; per reading
    protocol: Cells  # per reading
    family: Cells  # per row
    known: Known
    settings: Settings

"""What the wear model found in each group, as plain values for terminal and page."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class WearEffect:
    """One figure that a group's fit says of all its parts, with its 90 % interval."""

    #: rate, level, exponent, factor, event, offset, spread
    kind: str
    name: str
    estimate: float | None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class GrossReading:
    """A reading that the wear model took for a gross error."""

    vehicle: str
    position: str
    part: str
    tested_on: date
    #: in the level unit of its measure
    level: float | None
    bound: str | None
    #: how many standard deviations it lies from what its neighbours lead to expect, and the weight it kept
    z: float
    weight: float


@dataclass(frozen=True, slots=True)
class WearGroup:
    """What the wear model found in one measure and protocol."""

    measure: str
    protocol: str
    unit: str
    exposure_unit: str
    readings: int
    vehicles: int
    parts: int
    #: working scale of the largest weight; None: the model has no answer, `scale_note` says why
    scale: str | None
    scale_weights: tuple[tuple[str, float], ...] = ()
    scale_note: str = ""
    #: converged, converged on the boundary, not converged, no answer
    status: str = ""
    steps: int | None = None
    criterion: float | None = None
    #: merged effects, assumed values and what was left out, one sentence each
    notes: tuple[str, ...] = ()
    effects: tuple[WearEffect, ...] = ()
    gross: tuple[GrossReading, ...] = ()
    #: readings that count a little less, but are no gross errors
    eased: int = 0

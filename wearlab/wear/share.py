"""A share of a group: whole runs of its chunks as a group of their own, worked on elsewhere.

A share is made from its own readings, what they all decided together (`Frame`) and the places they have in the whole
group, so it can be made anew wherever its readings can be read. What changes between passes travels as `Moving`. What
is asked of a chunk gives the same answer in its share as in the whole group.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearlab.wear.beyond import Spread
from wearlab.wear.blocks import Floats, Ints, Places, arranged
from wearlab.wear.data import Coded
from wearlab.wear.design import Frame, Problem, dropped, framed
from wearlab.wear.estimate import Estimate
from wearlab.wear.evaluated import Evaluated
from wearlab.wear.likelihood import Work
from wearlab.wear.local import Local, localised
from wearlab.wear.mixture import Component, Mixture
from wearlab.wear.results import GrossError, WearFit
from wearlab.wear.scale import WorkingScale
from wearlab.wear.scale_fit import Fixed, ScaleFit
from wearlab.wear.variances import Coordinates, Variances


@dataclass(frozen=True, slots=True, eq=False)
class Share:
    """Readings of whole runs of chunks, ready for passes."""

    design: Problem
    local: tuple[Local, ...]


def share_of(data: Coded, at: Places, frame: Frame, left_out: NDArray[np.bool_]) -> Share:
    """Make a share; `data` holds the codes of families and periods of the whole group, `left_out` (p,) its columns
    that the readings cannot tell."""
    design = framed(data, arranged(data, at), frame)
    if left_out.any():
        design = dropped(design, left_out)
    return Share(design, localised(design))


@dataclass(frozen=True, slots=True, eq=False)
class Moving:
    """What passes changed of a share's readings (k,); None where it is as the share was made.

    `spread` counts the chunks of the share from 0.
    """

    y: Floats | None
    doubt: Floats | None
    log_slope: Floats | None
    known: Floats | None
    shared: Floats | None
    spread: dict[int, Spread]

    @classmethod
    def of(cls, work: Work, rows: Ints, chunks: range, *, whole: bool = False) -> Moving:
        """Take what changed of the readings at `rows` (k,), which are in these chunks of the whole group; `whole`: all
        that may have."""
        design = work.design
        new = design.refitted or whole
        return cls(
            y=work.y[rows] if whole or design.data.bound.any() else None,
            doubt=work.doubt[rows] if work.doubt.any() else None,
            log_slope=design.log_slope[rows] if new else None,
            known=design.known[rows] if new else None,
            shared=design.shared[rows] if new and design.frame.shared else None,
            spread={number - chunks.start: work.spread[number] for number in chunks if number in work.spread},
        )

    def on(self, share: Share) -> Work:
        """Return the share as the passes left it."""
        design = share.design
        if self.log_slope is not None and self.known is not None:
            shared = design.shared if self.shared is None else self.shared
            design = replace(design, refitted=True, log_slope=self.log_slope, known=self.known, shared=shared)
        doubt = np.zeros(design.n) if self.doubt is None else self.doubt
        return Work(design, design.y if self.y is None else self.y, doubt, self.spread)


@dataclass(frozen=True, slots=True, eq=False)
class Bare:
    """A `ScaleFit` without readings: its fields, those of its estimate, and what its shares are made with."""

    frame: Frame
    left_out: NDArray[np.bool_]
    scale: WorkingScale
    method: str
    criterion: float
    status: str
    fixed: Fixed
    variances: Variances
    variance_se: Variances
    merged: tuple[str, ...]
    error_assumed: bool
    coordinates: Coordinates
    phi: Floats
    theta: Floats
    curvature: Floats
    evaluated: Evaluated
    spread: float

    @classmethod
    def of(cls, fit: ScaleFit) -> Bare:
        """Take all of a fit that does not grow with the readings."""
        here = {name: getattr(fit, name) for name in _OF_FIT}
        made = fit.design
        own = {name: getattr(fit.estimate, name) for name in _OF_ESTIMATE}
        return cls(frame=made.frame, left_out=made.left_out, **here, **own)

    def on(self, work: Work, local: tuple[Local, ...]) -> ScaleFit:
        """Return the fit with the readings of a share."""
        own = {name: getattr(self, name) for name in _OF_ESTIMATE}
        done = Estimate(**own, work=work, local=local, status=self.status, trace=(), z=np.zeros(work.design.n))
        return ScaleFit(**{name: getattr(self, name) for name in _OF_FIT}, trace=(), estimate=done)


_OF_FIT = (
    "scale", "method", "criterion", "status", "fixed", "variances", "variance_se", "merged", "error_assumed"
)  # fmt: skip
_OF_ESTIMATE = ("coordinates", "phi", "theta", "curvature", "evaluated", "spread")


@dataclass(frozen=True, slots=True, eq=False)
class Summary:
    """A fit without its readings; `mixed` holds only the parts and vehicles of one share."""

    candidates: tuple[tuple[Bare, Moving], ...]
    weights: Floats
    mixed: Mixture
    gross: tuple[GrossError, ...]
    notes: tuple[str, ...]
    gap: float


def summary_of(fit: WearFit, rows: Ints, chunks: range) -> Summary:
    """Return what the share of readings `rows` (k,), rising, needs of a fit to tell of its parts what the fit tells."""
    data = fit.data
    parts, vehicles = np.unique(data.part[rows]), np.unique(data.vehicle[rows])
    doubted = np.array([one.index for one in fit.gross], dtype=np.int64)
    place = np.searchsorted(rows, doubted).clip(0, rows.size - 1)
    return Summary(
        candidates=tuple(
            (Bare.of(one), Moving.of(one.estimate.work, rows, chunks, whole=True)) for one in fit.candidates
        ),
        weights=fit.weights,
        mixed=Mixture(tuple(_taken(one, parts, vehicles) for one in fit.mixed.components)),
        gross=tuple(
            replace(one, index=int(place[k])) for k, one in enumerate(fit.gross) if rows[place[k]] == one.index
        ),
        notes=fit.notes,
        gap=fit.usual_gap,
    )


def fit_of(told: Summary, shares: tuple[Share, ...]) -> WearFit:
    """Return the fit of a share's vehicles; `shares` are its readings on the scale of every candidate."""
    nothing = np.full(shares[0].design.n, np.nan)
    return WearFit(
        data=shares[0].design.data,
        candidates=tuple(
            bare.on(moving.on(share), share.local)
            for (bare, moving), share in zip(told.candidates, shares, strict=True)
        ),
        weights=told.weights,
        choice=None,
        mixed=told.mixed,
        gross=told.gross,
        notes=told.notes,
        smoothed=(nothing, nothing),
        gap=told.gap,
    )


#: what a component says of parts, and of vehicles
_OF_PARTS = (
    "level", "rate", "var_level", "var_rate", "cov", "fresh", "var_fresh", "noise", "position", "unit_exposure", "gamma"
)  # fmt: skip
_OF_VEHICLES = ("vehicle_rate", "var_vehicle_rate", "vehicle_level")


def _taken(component: Component, parts: Ints, vehicles: Ints) -> Component:
    """Return what a component says of these codes of parts and vehicles."""
    own = {name: getattr(component, name)[parts] for name in _OF_PARTS}
    return replace(component, **own, **{name: getattr(component, name)[vehicles] for name in _OF_VEHICLES})

"""One vehicle in one group of tests, visit by visit: readings, corrected readings and innovations of every part."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipelines.steps.compare import fitted_again
from pipelines.steps.group_rows import Flags, Floats, Ints, groups
from pipelines.steps.signals import SignalsTold, current_signals
from pipelines.steps.wear_data import GroupData, group_data
from pipelines.workspace import Workspace
from wearlab.charts.words import measure_words
from wearlab.control.variance_draws import variance_draws
from wearlab.control.visit_cells import visit_cells
from wearlab.errors import InputError
from wearlab.language import _
from wearlab.lives.odometer import day_of
from wearlab.records import PUMP, NoAnswer
from wearlab.store.queries import one_vehicle
from wearlab.wear.results import WearFit
from wearlab.wear.scale_fit import ScaleFit

#: what a chart may be drawn of
Of = Literal["readings", "corrected", "innovations"]
SERIES: tuple[Of, ...] = ("readings", "corrected", "innovations")


@dataclass(frozen=True, slots=True, eq=False)
class PartVisits:
    """One position at T visits, arrays (T,), NaN where there is none.

    `readings` and `corrected` are means of repeats in the unit of the group; `bound` is 1 or -1 where one lay beyond
    the scale, and such a visit has no value; `given_past`, `given_all` and `apart` are innovations in sd. `renewed`
    marks the first visit of another part.
    """

    position: str
    readings: Floats
    corrected: Floats
    bound: Ints
    given_past: Floats
    given_all: Floats
    apart: Floats
    renewed: Flags

    def values(self, of: Of) -> Floats:
        """The series that a chart is drawn of, (T,)."""
        return {"readings": self.readings, "corrected": self.corrected, "innovations": self.given_past}[of]


@dataclass(frozen=True, slots=True, eq=False)
class GroupVisits:
    """A vehicle's T visits of one measure and protocol; `common` (T,) is what each shares, in sd.

    `signals` are those of the run that concern them, `reference` the conditions of corrected readings, `no_answer` says
    why there are no innovations.
    """

    vehicle: str
    measure: str
    protocol: str
    unit: str
    days: tuple[date, ...]
    odometer_km: Floats
    distance_km: Floats
    common: Floats
    parts: tuple[PartVisits, ...]
    signals: tuple[dict[str, Any], ...]
    reference: str
    no_answer: str | None

    @property
    def test(self) -> str:
        """The kind of test in words."""
        return f"{measure_words(self.measure)}, {self.protocol}"

    def only(self, position: str) -> GroupVisits:
        """The same with one part.

        Raises
        ------
        InputError
            The vehicle has no readings there.
        """
        kept = tuple(one for one in self.parts if one.position == position)
        if not kept:
            known = ", ".join(one.position for one in self.parts)
            raise InputError(f'{self.vehicle} has no readings at "{position}" in {self.test}; it has some at {known}')
        return replace(self, parts=kept)


def vehicle_visits(
    place: Workspace,
    text: str,
    as_of: date,
    *,
    of: Of = "innovations",
    measure: str | None = None,
    protocol: str | None = None,
    say: Callable[[str], None] | None = None,
) -> tuple[tuple[GroupVisits, ...], SignalsTold]:
    """Return a vehicle's visits of every group that was asked for, and the signals of the run.

    Raises
    ------
    InputError, UnknownName
        No such vehicle, or it has no such tests.
    """
    told = current_signals(place, as_of, say=say)
    with place.open() as db:
        vehicle = str(one_vehicle(db, text, as_of)["vehicle"])
        found = []
        for one in groups(db, as_of):
            if not (measure in (None, one[0]) and protocol in (None, one[1])):
                continue
            group = group_data(db, place.settings, *one, as_of)
            if vehicle not in group.rows.vehicles:
                continue
            if say is not None:
                say(f"{measure_words(one[0])}, {one[1]}: fitting")
            # readings as they were measured need no model
            fit: WearFit | NoAnswer = NoAnswer(_("not asked for")) if of == "readings" else fitted_again(db, group)
            found.append(group_visits(group, fit, vehicle, told))
    if not found:
        asked = ", ".join(word for word in (measure, protocol) if word) or "any measure and protocol"
        raise InputError(f"{vehicle} has no readings that a trend may use of {asked}")
    return tuple(found), told


def group_visits(group: GroupData, fit: WearFit | NoAnswer, vehicle: str, told: SignalsTold) -> GroupVisits:
    """Arrange one vehicle of a group by visit; the vehicle has readings in it.

    Innovations of a small group are averaged over what is not known of its variances.
    """
    rows = group.rows
    code = int(np.flatnonzero(rows.vehicles == vehicle)[0])
    mine = np.flatnonzero(rows.vehicle == code)
    days, turn = np.unique(rows.day[mine], return_inverse=True)
    names = sorted({str(name) for name in rows.position[mine]}, key=_order)
    place = np.array([names.index(str(name)) for name in rows.position[mine]], dtype=np.int64)
    shape = (len(names), days.size)
    at = (place, turn)
    level, bound = _mean(shape, at, rows.level[mine]), np.zeros(shape, dtype=np.int64)
    np.add.at(bound, at, rows.bound[mine].astype(np.int64))
    bound = np.sign(bound)
    corrected, past, beside, apart = np.full((4, *shape), np.nan)
    common = np.full(days.size, np.nan)
    if not isinstance(fit, NoAnswer):
        slot = np.full(len(rows), -1, dtype=np.int64)
        slot[mine] = np.arange(mine.size)
        own = slot[group.fitted]
        here = np.flatnonzero(own >= 0)
        corrected = _mean(shape, (place[own[here]], turn[own[here]]), _corrected(fit.best)[here])
        label = np.flatnonzero(fit.best.design.data.vehicle_label == code)
        if label.size:
            cells = visit_cells(fit.best, int(label[0]), variance_draws(fit.best))
            to = (place[own[cells.row]], turn[own[cells.row]])
            past[to], beside[to], apart[to] = cells.given_past, cells.given_all, cells.apart
            common[to[1]] = cells.common
    # a reading beyond the scale is no number
    level, corrected, past, beside, apart = (
        np.where(bound == 0, value, np.nan) for value in (level, corrected, past, beside, apart)
    )
    life = np.full(shape, -1, dtype=np.int64)
    life[at] = rows.life[mine]
    first = np.array([int(np.flatnonzero(turn == k)[0]) for k in range(days.size)], dtype=np.int64)
    return GroupVisits(
        vehicle=vehicle,
        measure=group.measure,
        protocol=group.protocol,
        unit=group.unit,
        days=tuple(day_of(day) for day in days),
        odometer_km=rows.odometer_km[mine[first]],
        distance_km=rows.distance_km[mine[first]],
        common=common,
        parts=tuple(
            PartVisits(
                name, level[k], corrected[k], bound[k], past[k], beside[k], apart[k], _renewed(life[k])
            )
            for k, name in enumerate(names)
        ),
        signals=tuple(
            one
            for one in told.signals
            if one["vehicle"] == vehicle and (one["measure"], one["protocol"]) == (group.measure, group.protocol)
        ),
        reference=str(group.reference[rows.life[mine[-1]]]) if len(group.reference) else "",
        no_answer=fit.reason if isinstance(fit, NoAnswer) else None,
    )  # fmt: skip


def _order(position: str) -> tuple[int, int, str]:
    return (0, int(position), "") if position.isdecimal() else (1 if position == PUMP else 2, 0, position)


def _mean(shape: tuple[int, int], at: tuple[Ints, Ints], values: Floats) -> Floats:
    total, count = np.zeros(shape), np.zeros(shape)
    np.add.at(total, at, values)
    np.add.at(count, at, 1.0)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1.0), np.nan), dtype=np.float64)


def _renewed(life: Ints) -> NDArray[np.bool_]:
    """Visits at which another life than at the one before is read."""
    out = np.zeros(life.size, dtype=np.bool_)
    seen = np.flatnonzero(life >= 0)
    out[seen[1:]] = life[seen[1:]] != life[seen[:-1]]
    return out


def _corrected(fit: ScaleFit) -> Floats:
    """Readings of a fit under its reference conditions and on its base rig, (N,)."""
    design = fit.design
    role = dict(zip(design.data.names, design.data.role, strict=True))
    taken = np.array(
        [one.kind == "period" or (one.kind == "covariate" and role[one.name] == "condition") for one in design.columns],
        dtype=np.bool_,
    )
    entries, beta = design.entries, fit.estimate.evaluated.beta
    share = np.where(taken[entries.column], design.values() * beta[entries.column], 0.0)
    moved = design.y - np.bincount(entries.reading, share, minlength=design.n)
    back = fit.scale.inverse(moved)
    return np.asarray(np.where(np.isfinite(back), back, np.nan), dtype=np.float64)

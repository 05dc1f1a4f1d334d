"""Repeatability and reproducibility of the workshop's own tests, and how many repeats are worth their time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from math import hypot, isfinite

import numpy as np

from pipelines.steps.lives import fresh_lives
from pipelines.workspace import Workspace
from wearlab.control.repeat_study import (
    RepeatStudy,
    RepeatsWanted,
    Smallest,
    repeat_study,
    repeats_wanted,
    smallest_changes,
)
from wearlab.control.smallest_change import Precision
from wearlab.language import _
from wearlab.records import LEVEL_UNIT, Measure, NoAnswer
from wearlab.store.database import Database

#: names of the wear model's spreads in the table wear_effect
_VISIT, _CELL, _ERROR = "what one visit's readings share", "what one part's repeats share", "reading error"
#: 90 % intervals span so many sd
_SPAN = 2 * 1.6448536269514722


@dataclass(frozen=True, slots=True)
class ModelSpread:
    """What the wear model of the last run says of a group's scatter, as shares of the reading or in its unit.

    `level` is the sd of the median part's level as foreseen for its next visit; None where the run does not tell it.
    """

    relative: bool
    visit: float
    cell: float
    error: float
    level: float | None
    assumed: bool


@dataclass(frozen=True, slots=True)
class GroupRepeats:
    """One measure and protocol. `unit` is that of every sd and change: "%" of the reading, or the measure's own."""

    measure: str
    protocol: str
    unit: str
    study: RepeatStudy | None
    no_answer: str | None
    model: ModelSpread | None
    smallest: tuple[Smallest, ...]
    wanted: RepeatsWanted | None
    notes: tuple[str, ...]


def repeats(place: Workspace, as_of: date, *, say: Callable[[str], None] | None = None) -> list[GroupRepeats]:
    """Study every group that has readings up to a day."""
    with place.open() as db:
        fresh_lives(db, place.settings)
        run = db.value("SELECT max(run_id) FROM run WHERE step = 'learn' AND as_of <= ?", [as_of])
        found = []
        for measure, protocol in db.rows(
            "SELECT DISTINCT measure, protocol FROM comparable WHERE tested_on <= ? ORDER BY ALL", [as_of]
        ):
            if say is not None:
                say(f"{measure}, {protocol}")
            found.append(_group(db, run, measure, protocol, as_of))
    return found


def _group(db: Database, run: int | None, measure: str, protocol: str, as_of: date) -> GroupRepeats:
    frame = db.frame(
        """
        SELECT c.level, c.vehicle || ' ' || c.tested_on || ' ' || c.position || ' ' || c.part AS cell,
               coalesce(t.technician, '') AS technician, coalesce(t.rig, '') AS rig,
               CASE WHEN r.channel IS NULL THEN '' ELSE coalesce(t.rig, '') || ' ' || r.channel END AS channel
        FROM comparable c JOIN test t USING (test_id)
        JOIN reading r ON r.test_id = c.test_id AND r.position = c.position AND r.repeat = c.repeat
             AND r.file_id = c.file_id AND r.row_no = c.row_no AND r.col_no = c.col_no
        WHERE c.measure = ? AND c.protocol = ? AND c.tested_on <= ? AND c.bound IS NULL
        ORDER BY ALL
        """,
        [measure, protocol, as_of],
    )
    level = frame["level"].to_numpy(np.float64)
    factors = {name: frame[name].to_numpy(object).astype(str) for name in ("technician", "rig", "channel")}
    study = repeat_study(level, frame["cell"].to_numpy(object).astype(str), factors)
    model = None if run is None else _model(db, run, measure, protocol)
    notes: list[str] = []
    if run is None:
        notes.append(
            _('what a whole visit shares is not known yet: run "wearlab learn" first; changes are at their best')
        )
    precision, relative = _precision(study, model, notes)
    unit = "%" if relative else LEVEL_UNIT[Measure(measure)]
    times = 100.0 if relative else 1.0
    smallest = () if precision is None else smallest_changes(precision)
    wanted = None
    if model is not None and model.level is not None and precision is not None and model.error > 0:
        # both of the model: its error is that of one reading only where repeats told it apart
        wanted = repeats_wanted(model.level, hypot(model.visit, model.cell), model.error)
        if model.cell == 0:
            notes.append(
                _(
                    "no repeats told reading error and what the repeats of one part share apart, so more repeats may "
                    "bring less than is told here"
                )
            )
    if model is not None and model.assumed:
        notes.append(_("the reading error is assumed (wearlab.toml, spread), not measured"))
    return GroupRepeats(
        measure=measure,
        protocol=protocol,
        unit=unit,
        study=None if isinstance(study, NoAnswer) else _times(study, times),
        no_answer=study.reason if isinstance(study, NoAnswer) else None,
        model=model,
        smallest=tuple(Smallest(one.tests, one.repeats, times * one.change) for one in smallest),
        wanted=wanted
        if wanted is None
        else RepeatsWanted(tuple(times * sd for sd in wanted.sd), wanted.enough, wanted.held_by),
        notes=tuple(notes),
    )


def _precision(
    study: RepeatStudy | NoAnswer, model: ModelSpread | None, notes: list[str]
) -> tuple[Precision | None, bool]:
    """Repeatability by the study where there is one, what a visit shares by the model; both in one unit."""
    if isinstance(study, NoAnswer):
        if model is None:
            return None, False
        notes.append(_("no repeats: the wear model's reading error stands for repeatability"))
        return Precision(model.error, hypot(model.visit, model.cell)), model.relative
    alike = model is not None and model.relative == study.relative
    shared = hypot(model.visit, model.cell) if model is not None and alike else 0.0
    if model is not None and not alike:
        notes.append(
            _("repeats and wear model are on different scales: what a visit shares is left out of the changes")
        )
    return Precision(study.repeatability, shared, float(max(study.dof, 1))), study.relative


def _model(db: Database, run: int, measure: str, protocol: str) -> ModelSpread | None:
    key = [run, measure, protocol]
    rows = {
        name: (value, unit, note)
        for name, value, unit, note in db.rows(
            "SELECT name, estimate, unit, note FROM wear_effect "
            "WHERE run_id = ? AND measure = ? AND protocol = ? AND kind = 'spread'",
            key,
        )
    }
    if _ERROR not in rows:
        return None
    unit = rows[_ERROR][1]
    relative = unit == "%"
    if not relative and unit != LEVEL_UNIT[Measure(measure)]:
        return None  # on a working scale between the two a sd has no unit that a person reads
    part = 0.01 if relative else 1.0
    visit, cell, error = (part * float(rows[name][0]) if name in rows else 0.0 for name in (_VISIT, _CELL, _ERROR))
    size = "level" if relative else "1"
    spread = db.value(
        f"SELECT median((next_high - next_low) / {size}) FROM part_state "  # noqa: S608  (one of two words above)
        "WHERE run_id = ? AND measure = ? AND protocol = ? AND next_high > next_low AND level > 0",
        key,
    )
    level = None
    if spread is not None and isfinite(spread):
        left = (spread / _SPAN) ** 2 - visit**2 - cell**2 - error**2
        level = left**0.5 if left > 0 else None
    return ModelSpread(relative, visit, cell, error, level, rows[_ERROR][2] == "assumed")


def _times(study: RepeatStudy, times: float) -> RepeatStudy:
    spreads = tuple(
        replace(one, sd=times * one.sd, low=times * one.low, high=times * one.high) for one in study.spreads
    )
    return replace(study, repeatability=times * study.repeatability, spreads=spreads)

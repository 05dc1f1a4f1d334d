"""Hindsight of a workspace: every group's last tests hidden, forecast from the rest, scored and kept as a run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.steps.group_rows import Floats, groups
from pipelines.steps.life_limits import life_limits
from pipelines.steps.lives import lives_are_fresh, rebuild_lives
from pipelines.steps.part_limits import limit_level
from pipelines.steps.runs import new_run
from pipelines.steps.wear_data import GroupData, group_data
from pipelines.steps.wear_learn import why_no_fit
from pipelines.workspace import Workspace
from wearlab.charts.words import measure_words
from wearlab.config import Settings
from wearlab.forecast.hindsight import Held, rolling
from wearlab.forecast.hindsight_scores import (
    CrossingOutcome,
    ReadingScore,
    crossing_outcome,
    not_tested_again,
    reading_scores,
)
from wearlab.forecast.misfit import Signs, signs
from wearlab.forecast.recalibration import Recalibration, recalibration
from wearlab.language import _, msg
from wearlab.records import NoAnswer
from wearlab.store.database import Database

#: which hidden tests are scored
ALL, WITHOUT_COMPLAINTS = msg("all"), msg("without complaints")
RECALIBRATED = msg("recalibrated")


@dataclass(frozen=True, slots=True)
class HiddenVisits:
    """Scores with so many visits hidden: of all tests, and of those that no complaint had called for."""

    hidden: int
    scores: dict[str, tuple[ReadingScore, ...]]
    crossings: CrossingOutcome
    new_parts: int
    beyond: int
    after_event: int


@dataclass(frozen=True, slots=True)
class GroupHindsight:
    """A group looked back on; `no_answer` says why there is nothing."""

    measure: str
    protocol: str
    unit: str
    horizons: tuple[HiddenVisits, ...]
    factor: Recalibration | None
    factor_sentence: str
    signs: Signs | None
    no_answer: str | None


def look_back(
    db: Database, place: Workspace, as_of: date, *, say: Callable[[str], None] | None = None, workers: int = 2
) -> list[GroupHindsight]:
    """Look back on every group as of a day; store the scores and the factors as a run."""
    told = say or (lambda text: None)
    settings = place.settings
    with db.transaction():
        if not lives_are_fresh(db, settings):
            told("following parts and meters")
            rebuild_lives(db, settings)
        run = new_run(db, place, as_of, "hindsight")
        complaints = _complaints(db)
        found = []
        for measure, protocol in groups(db, as_of):
            told(f"{measure_words(measure)}, {protocol}: hiding and forecasting tests")
            group = group_data(db, settings, measure, protocol, as_of)
            one = group_hindsight(group, settings, complaints, workers)
            _store(db, run, one)
            found.append(one)
    return found


def group_hindsight(group: GroupData, settings: Settings, complaints: set[str], workers: int = 2) -> GroupHindsight:
    """Look back on one group; `complaints` are the tests that a complaint called for."""
    silent = why_no_fit(group)
    if silent is not None or group.data is None:
        return _nothing(group, silent or "")
    try:
        held = rolling(group.data, workers=workers)
        if isinstance(held, NoAnswer):
            return _nothing(group, held.reason)
        sign = _direction(group, held[0])
        flags = signs(group.data, held[0], sign=sign, workers=workers)
    except (np.linalg.LinAlgError, ArithmeticError) as fault:
        # one group that cannot be computed must not keep the others from their answer
        return _nothing(group, _("the fit of this group broke off ({error})", error=fault))
    factor = recalibration(held[0])
    known = factor if isinstance(factor, Recalibration) else None
    called = np.isin(group.rows.test_id[group.fitted], list(complaints))
    limits = _limits(group, settings)
    return GroupHindsight(
        measure=group.measure,
        protocol=group.protocol,
        unit=group.unit,
        horizons=tuple(_hidden(one, group, called, limits, known) for one in held),
        factor=known,
        factor_sentence=factor.reason if isinstance(factor, NoAnswer) else factor.sentence,
        signs=flags,
        no_answer=None,
    )


def _hidden(
    held: Held, group: GroupData, called: NDArray[np.bool_], limits: tuple[Floats, Floats], factor: Recalibration | None
) -> HiddenVisits:
    planned = ~called[held.source]
    scores = {ALL: reading_scores(held)}
    if not planned.all():
        scores[WITHOUT_COMPLAINTS] = reading_scores(held, planned)
    if factor is not None and scores[ALL]:
        again = replace(reading_scores(held, factor=factor.factor)[0], forecast=RECALIBRATED)
        scores[ALL] = (scores[ALL][0], again, *scores[ALL][1:])
    life = group.rows.life[group.fitted][held.source]
    return HiddenVisits(
        hidden=held.visits,
        scores=scores,
        crossings=crossing_outcome(held, limits[0][life], limits[1][life], int(not_tested_again(held).size)),
        new_parts=held.new_parts,
        beyond=held.beyond,
        after_event=held.after_event,
    )


def _limits(group: GroupData, settings: Settings) -> tuple[Floats, Floats]:
    """Limit and failing side (P,) of every life, NaN for none; of several the first that speaks for it."""
    lives = group.lives
    limit, side = np.full(len(lives), np.nan), np.ones(len(lives))
    for one in life_limits(group, settings):
        speaks = one.speaks & np.isnan(limit)
        limit[speaks], side[speaks] = one.level, 1.0 if one.rule.direction == "above" else -1.0
    return limit, side


def _direction(group: GroupData, held: Held) -> float:
    """The way the group wears: towards its limits, else the way the readings of most families go."""
    sides = {rule.direction for rule in group.rules if limit_level(rule, group.measure) is not None}
    if len(sides) == 1:
        return 1.0 if sides == {"above"} else -1.0
    rates = held.fit.mixture().components[0].family_rate
    return -1.0 if float(np.median(rates)) < 0 else 1.0


def _complaints(db: Database) -> set[str]:
    """Tests that a complaint called for."""
    rows = db.rows(
        "SELECT test_id FROM test WHERE lower(trim(reason)) = 'complaint' OR coalesce(trim(complaint), '') <> ''"
    )
    return {str(row[0]) for row in rows}


def _nothing(group: GroupData, reason: str) -> GroupHindsight:
    return GroupHindsight(group.measure, group.protocol, group.unit, (), None, reason, None, reason)


def _store(db: Database, run: int, found: GroupHindsight) -> None:
    key = {"run_id": run, "measure": found.measure, "protocol": found.protocol}
    rows = [
        {
            **key,
            "unit": found.unit,
            "hidden": horizon.hidden,
            "tests": tests,
            "forecast": score.forecast,
            "readings": score.n,
            "vehicles": score.vehicles,
            "coverage_50": score.coverage_50,
            "coverage_80": score.coverage_80,
            "coverage_90": score.coverage_90,
            "crps": score.crps,
            "error": score.error,
            "bias": score.bias,
            "width_90": score.width_90,
            "pit": list(score.pit),
        }
        for horizon in found.horizons
        for tests, scores in horizon.scores.items()
        for score in scores
    ]
    if rows:
        db.append("hindsight", pd.DataFrame(rows, dtype=object))
    flags = found.signs
    row = {
        **key,
        "factor": None if found.factor is None else found.factor.factor,
        "vehicles": 0 if flags is None else flags.vehicles,
        "sentence": found.factor_sentence,
        "accelerating": flags is not None and flags.accelerating,
        "misfit": flags is not None and flags.misfit,
        "signs": [] if flags is None else list(flags.sentences),
    }
    db.append("recalibration", pd.DataFrame([row], dtype=object))

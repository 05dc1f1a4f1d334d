"""Signals: readings that the wear model did not foretell, with their likely cause, under one budget of false ones.

The limit is one for the whole fleet, so that it is known only once every group is fitted: each group is watched while
it is learned, and its signals are named after the last one.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import isfinite
from typing import Any

import numpy as np
import pandas as pd

from pipelines.steps.acknowledgements import acknowledged, acknowledgements
from pipelines.steps.causes_apart import causes_apart
from pipelines.steps.shared_causes import SharedCause, shared_causes, shared_chance
from pipelines.steps.shared_signals import shared_signals
from pipelines.steps.signal_rows import group_signals
from pipelines.steps.wear_learn import Learned
from pipelines.workspace import Workspace
from wearlab.config import Settings
from wearlab.control.budget import FalseSignals, false_signals, limit_for
from wearlab.control.variance_draws import variance_draws
from wearlab.lives.odometer import day_number
from wearlab.records import NoAnswer
from wearlab.store.database import Database

#: the visits of the last year tell how many a month has; a shorter history counts as a month at least
_YEAR, _MONTH = 365, 365.25 / 12

#: a signal that chance alone raises at more than one visit in so many tells nothing, whatever the budget: a small fleet
#: has fewer visits a month than its budget would allow false signals (a choice, no source)
VISITS_A_FALSE_SIGNAL = 50

#: days that the printed count of signals looks back
RECENT = 30

#: columns of a signal that only a shared one has
_EMPTY: dict[str, Any] = dict.fromkeys(("rig", "channel", "depot", "vehicles"))


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """A learned group, how often its series would signal by chance, and how many visits of it a month brings.

    `chance` is by visit; `shared_chance` of all causes that vehicles may share, by month.
    """

    found: Learned
    chance: FalseSignals
    visits_a_month: float
    shared: tuple[SharedCause, ...]
    shared_chance: FalseSignals


@dataclass(frozen=True, slots=True)
class SignalBudget:
    """The budget of a run. `limit` is None where no signal at all fits into the budget."""

    budget: float
    limit: float | None
    visits_a_month: float
    expected: float
    groups: int


@dataclass(frozen=True, slots=True)
class SignalsTold:
    """The signals of a run, newest first, and `recent`: how many were raised in the last `RECENT` days."""

    as_of: date
    budget: SignalBudget
    signals: tuple[dict[str, Any], ...]
    recent: int

    @property
    def by_chance(self) -> float:
        """False signals that chance alone raises in as many days."""
        return self.budget.expected * RECENT / _MONTH


def watch(db: Database, found: Learned, as_of: date) -> Watched | None:
    """Work out what chance alone would raise in a group; None without a model."""
    if isinstance(found.fit, NoAnswer):
        return None
    fit = found.fit.best
    shared = shared_causes(db, found, as_of)
    return Watched(
        found=found,
        chance=false_signals(fit, variance_draws(fit)),
        visits_a_month=_visits_a_month(found, as_of),
        shared=shared,
        shared_chance=shared_chance(shared, as_of),
    )


def store_signals(db: Database, run: int, watched: Sequence[Watched], settings: Settings) -> list[dict[str, Any]]:
    """Name the signals of all groups under one limit and keep them. Call it inside a transaction."""
    budget = settings.signals.false_per_month
    visits = sum(one.visits_a_month for one in watched)
    pairs = [(one.chance, one.visits_a_month) for one in watched] + [(one.shared_chance, 1.0) for one in watched]
    limit = limit_for(min(budget, visits / VISITS_A_FALSE_SIGNAL) if visits else budget, pairs)
    expected = sum(chance.at(limit) * number for chance, number in pairs) if isfinite(limit) else 0.0
    summary = {
        "run_id": run,
        "budget": budget,
        "z_limit": limit if isfinite(limit) else None,
        "visits_a_month": visits,
        "expected": expected,
        "groups": len(watched),
    }
    db.append("signal_run", pd.DataFrame([summary], dtype=object))
    rows: list[dict[str, Any]] = []
    for one in watched:
        fit = one.found.fit
        assert not isinstance(fit, NoAnswer)  # what is watched has a model
        day = one.found.group.rows.day[one.found.group.fitted]
        told = causes_apart(fit.best, one.shared, day, limit)
        found = (*group_signals(one.found, told.fit, told.episodes), *shared_signals(one.found, told, limit))
        rows += [_EMPTY | row for row in found]
    if rows:
        db.append("signal", pd.DataFrame(rows, dtype=object).assign(run_id=run))
    return rows


def signals_of(db: Database, run: int, as_of: date) -> SignalsTold:
    """The signals of a run with what was acknowledged since."""
    known = acknowledgements(db)
    signals = []
    for row in db.records(
        "SELECT * EXCLUDE (run_id) FROM signal WHERE run_id = ? ORDER BY detected_on DESC, abs(z) DESC, key", [run]
    ):
        row["alternatives"] = [_dated(one) for one in json.loads(row["alternatives"])]
        done = acknowledged(row, known)
        row["acknowledged_at"] = None if done is None else done.acknowledged_at
        row["acknowledged"] = None if done is None else done.reason
        signals.append(row)
    told = db.records("SELECT * EXCLUDE (run_id) FROM signal_run WHERE run_id = ?", [run])
    budget = (
        SignalBudget(
            float(told[0]["budget"]),
            told[0]["z_limit"],
            float(told[0]["visits_a_month"]),
            float(told[0]["expected"]),
            int(told[0]["groups"]),
        )
        if told
        else SignalBudget(0.0, None, 0.0, 0.0, 0)
    )
    since = as_of - timedelta(days=RECENT)
    recent = sum(since < row["detected_on"] <= as_of for row in signals)
    return SignalsTold(as_of, budget, tuple(signals), recent)


def current_signals(place: Workspace, as_of: date, *, say: Callable[[str], None] | None = None) -> SignalsTold:
    """The signals as of a day, learned now when they are stale."""
    from pipelines.steps.learn import fresh_run, latest_run

    if place.store.exists():
        with place.open(read_only=True) as db:
            run = latest_run(db, place, as_of)
            if run is not None:
                return signals_of(db, run, as_of)
    with place.open() as db:
        return signals_of(db, fresh_run(db, place, as_of, say=say), as_of)


def chosen(
    told: SignalsTold, *, only_open: bool = False, since: date | None = None, every: bool = False
) -> tuple[dict[str, Any], ...]:
    """The signals to list: acknowledged ones only with `every`; those detected on or after `since`."""
    return tuple(
        one
        for one in told.signals
        if (every or one["acknowledged"] is None)
        and (not only_open or one["open"])
        and (since is None or one["detected_on"] >= since)
    )


def _visits_a_month(found: Learned, as_of: date) -> float:
    """Visits of the group a month: those of the last year; with none in it, of all the time that it was tested."""
    rows, fitted = found.group.rows, found.group.fitted
    day = np.unique(np.stack([rows.vehicle[fitted], rows.day[fitted]]), axis=1)[1]
    today = day_number(as_of)
    whole = max(float(today - day.min()) + 1.0, _MONTH)
    recent = int(np.count_nonzero(day > today - _YEAR))
    return (recent / min(whole, float(_YEAR)) if recent else day.size / whole) * _MONTH


def _dated(cause: dict[str, Any]) -> dict[str, Any]:
    return {
        name: date.fromisoformat(value) if name.startswith("onset_") and value else value
        for name, value in cause.items()
    }

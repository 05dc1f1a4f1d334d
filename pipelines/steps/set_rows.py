"""One row of the forecast table for a rule on a set: state, figures, dates, and what the set leaves open."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import isfinite
from operator import attrgetter
from typing import Any

import numpy as np

from pipelines.steps.fleet_today import FleetToday
from pipelines.steps.series import finite
from pipelines.steps.set_limits import RATIOS, Asked
from pipelines.steps.set_readings import SetReadings
from pipelines.steps.vehicle_sets import VehicleSets
from pipelines.steps.wear_learn import METHOD, Learned
from wearlab.forecast.calendar import CalendarForecast
from wearlab.forecast.retest import retest
from wearlab.forecast.set_rules import Fate
from wearlab.forecast.state_changes import StateBefore, change_sentence, memory
from wearlab.forecast.states import PartEvidence, part_state
from wearlab.language import _, msg
from wearlab.lives.odometer import day_of
from wearlab.lives.usage import Usage
from wearlab.records import SET, NoAnswer, State
from wearlab.study.facts import names
from wearlab.study.limit_conditions import CYLINDERS, missing
from wearlab.wear.line import Interval

_COVERAGE = 0.9

#: columns that are the same in a forecast and in the table
_AS_TOLD = (
    "date_p05", "date_p10", "date_p50", "date_p90", "date_p95", "past", "within_30", "within_90", "within_180",
    "within_365", "next_visit", "before_visit", "next_reading_past",
)  # fmt: skip
_POINTS = ("p05", "p10", "p50", "p90", "p95")
_TOLD, _SHOWN = attrgetter(*_AS_TOLD), attrgetter(*(f"odometer_{point}_km" for point in _POINTS))
_EMPTY: dict[str, Any] = dict.fromkeys(
    (
        "level", "level_low", "level_high", "next_low", "next_high", "rate", "rate_low", "rate_high", "rate_unit",
        "retest_by", "retest_why", "no_answer", "leaves_first", "note", "state_before", "changed", *_AS_TOLD,
        *(f"{what}_{point}" for what in ("distance", "odometer") for point in _POINTS),
    )
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class SetRow:
    """One rule at one position of one set: `row` among the sets, `at` among the rule's positions.

    `shift_km` is true distance less what the meter shows.
    """

    sets: VehicleSets
    asked: Asked
    fate: Fate
    read: SetReadings
    row: int
    at: int
    forecast: CalendarForecast
    pace: Usage | NoAnswer
    shift_km: float
    tested_on: date


def set_row(found: Learned, one: SetRow, fleet: FleetToday) -> dict[str, Any]:
    """Return the columns of the table, but for the run."""
    told, rule = one.forecast, one.asked.rule
    row = _named(found, one.sets, one.asked, one.row, one.at)
    settings, as_of = fleet.settings, fleet.as_of
    earlier = _before(fleet, row)
    readings = int(one.read.count[one.row, one.at])
    tested, now = one.fate.tested[one.row, one.at], one.fate.now[one.row, one.at]
    reading = one.fate.reading[one.row, one.at]
    figure = float(one.read.figure[one.row, one.at])
    answer = part_state(
        PartEvidence(
            limit=one.asked.limit,
            direction="above",
            readings=readings,
            last_test=one.tested_on,
            # a test that left a cylinder out has no figure of its own: the levels stand for it
            last_level=figure if isfinite(figure) else float(tested[0]),
            last_bound=None,
            level=Interval(float(tested[0]), float(tested[1]), float(tested[2]), _COVERAGE),
            forecast=told,
            protocol=found.group.protocol,
        ),
        settings.horizons,
        as_of,
        memory(earlier, rule.name, one.asked.version),
    )
    state, cause, why = answer.state, answer.cause, told.no_answer or (None if told.date_p50 else told.note or None)
    gaps = _gaps(one.sets, one.asked, one.row, one.at)
    if gaps and state == State.STEADY:
        state, cause = State.NO_ANSWER, _("{gaps}: such a set may fail a rule, never pass it", gaps=gaps)
        why = cause
    elif gaps:
        cause = cause + "; " + _("{gaps}, so it may fail sooner", gaps=gaps)
    cause = "; ".join(part for part in (cause, _compared_with(found, one)) if part)
    asked_for = retest(
        one.tested_on,
        as_of,
        settings.visits,
        settings.horizons,
        state=state,
        forecast=told,
        km_per_day=one.pace.km_per_day if isinstance(one.pace, Usage) else None,
    )
    row |= {
        "level": finite(float(now[0])),
        "level_low": finite(float(now[1])),
        "level_high": finite(float(now[2])),
        "next_low": finite(float(reading[1])),
        "next_high": finite(float(reading[2])),
        "state": str(state),
        "cause": cause,
        "readings": readings,
        "last_test": one.tested_on,
        "retest_by": asked_for.by,
        "retest_why": asked_for.why,
        "leaves_first": told.leaves_first,
        "note": told.note or None,
        "no_answer": why,
    }
    row |= zip(_AS_TOLD, _TOLD(told), strict=True)
    for point, shown in zip(_POINTS, _SHOWN(told), strict=True):
        row[f"odometer_{point}"] = shown
        row[f"distance_{point}"] = None if shown is None else finite(shown + one.shift_km)
    return row | _changed(earlier, row)


def refused_row(
    found: Learned, sets: VehicleSets, one: Asked, k: int, at: int | None, reason: str, fleet: FleetToday
) -> dict[str, Any]:
    """Return the row of a rule that cannot be judged: on the whole set, or at one position."""
    row = _named(found, sets, one, k, at)
    counts = np.where(sets.known[k], found.group.per_life_fitted[sets.life[k]], 0)
    row |= {
        "state": str(State.NO_ANSWER),
        "cause": reason,
        "readings": int(counts.sum() if at is None or one.figure.kind == "total" else counts[at]),
        "last_test": day_of(sets.tested_on[k]),
        "retest_by": fleet.as_of,
        "retest_why": _("the rule cannot be judged by what is recorded"),
        "no_answer": reason,
    }
    return row | _changed(_before(fleet, row), row)


def _named(found: Learned, sets: VehicleSets, one: Asked, k: int, at: int | None) -> dict[str, Any]:
    """The columns that say what the row is about; all others empty."""
    group = found.group
    on_part = at is not None and one.figure.kind != "total"
    return _EMPTY | {
        "leaves_first": False,
        "vehicle": str(group.rows.vehicles[sets.vehicle[k]]),
        "position": SET if at is None else one.positions[at],
        "part": str(group.lives.part[sets.life[k, at]]) if on_part else "",
        "measure": group.measure,
        "protocol": group.protocol,
        "unit": one.unit,
        "rule": one.rule.name,
        "limit": one.limit,
        "limit_version": one.version,
        "direction": "above",
        "method": METHOD,
    }


def _before(fleet: FleetToday, row: dict[str, Any]) -> StateBefore | None:
    before = fleet.plans.before
    if before is None:
        return None
    return before.of(row["vehicle"], row["part"], row["position"], row["measure"], row["protocol"], row["rule"])


def _changed(earlier: StateBefore | None, row: dict[str, Any]) -> dict[str, Any]:
    if earlier is None:
        return {}
    told = change_sentence(
        earlier,
        State(row["state"]),
        last_test=row["last_test"],
        readings=row["readings"],
        rule=row["rule"],
        limit_version=row["limit_version"],
    )
    return {"state_before": str(earlier.state), "changed": told}


def _gaps(sets: VehicleSets, one: Asked, k: int, at: int) -> str:
    """Why a set cannot prove that it passes; empty where it can."""
    if one.figure.kind == "total":
        wanted = set(one.figure.totals[at])
    elif one.rule.kind in RATIOS:
        wanted = set(range(len(sets.positions)))
    else:
        return ""
    if sets.counted and sets.complete[k]:
        return ""
    lacking = [sets.positions[c] for c in sorted(wanted) if not sets.known[k, c]]
    reasons = [] if sets.counted else [missing(CYLINDERS)]
    if lacking:
        reasons.append(_("set incomplete ({who} without a level)", who=names(lacking)))
    return "; ".join(reasons)


def _compared_with(found: Learned, one: SetRow) -> str:
    """For ratios to the lowest: which cylinder that is, and which lower ones cannot serve."""
    sets, k = one.sets, one.row
    if one.asked.figure.kind != "times lowest" or found.parts is None:
        return ""
    level = np.asarray(found.parts.level, dtype=np.float64)[np.maximum(found.place[sets.life[k]], 0)]
    valid = sets.known[k] & ~sets.new[k] & ~sets.suspect[k]
    lowest = int(np.argmin(np.where(valid, level, np.inf)))
    told = _("lowest valid: {who}", who=names([sets.positions[lowest]]))
    below = sets.known[k] & ~valid & (level < level[lowest])
    for flags, words in (
        (sets.new[k], msg("{who} lower but new")),
        (sets.suspect[k] & ~sets.new[k], msg("{who} lower but under suspicion")),
    ):
        skipped = [sets.positions[c] for c in np.flatnonzero(below & flags).tolist()]
        if skipped:
            told += f"; {_(words, who=names(skipped))}"
    return told

"""Forecasts of rules on whole sets: ratios, deviations, totals of engine and banks, changes since the first test."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtri

from pipelines.steps.fleet_today import FleetToday
from pipelines.steps.group_rows import Flags, Floats, Ints
from pipelines.steps.set_limits import Asked, asked, set_rules_of
from pipelines.steps.set_readings import SetReadings, set_readings
from pipelines.steps.set_rows import SetRow, refused_row, set_row
from pipelines.steps.vehicle_sets import VehicleSets, vehicle_sets
from pipelines.steps.wear_forecasts import answered
from pipelines.steps.wear_learn import Learned
from wearlab.forecast.calendar import Standing, calendar_forecasts
from wearlab.forecast.paths import DRAWS
from wearlab.forecast.point_law import PointLaw
from wearlab.forecast.set_rules import Fate, Sets, fates
from wearlab.language import _
from wearlab.lives.odometer import day_number, day_of
from wearlab.lives.usage import Usage
from wearlab.records import NoAnswer
from wearlab.wear.joint import joint_of
from wearlab.wear.results import WearFit

#: every draw of the variances is worth this many draws of a set, up to so many in all
_DRAWS_EACH, _MOST_DRAWS = 32, 4000
#: distances of a law differ at least by this, so that no step is without length
_APART_KM = 1e-3

#: probits that draws can tell; a chance of none is told as some millionths, so that what lies between is not bent
_FAR = 4.5


@dataclass(frozen=True, slots=True, eq=False)
class _Judged:
    """One rule on one family's sets, with what becomes of it; `rows` (R, 2): sets and positions it is told for."""

    sets: VehicleSets
    asked: Asked
    fate: Fate
    read: SetReadings
    rows: Ints


def set_forecasts(
    found: Learned, fleet: FleetToday, *, draws: int | None = None, workers: int = 2
) -> list[dict[str, Any]]:
    """Rows of the forecast table for the rules that need the set, one a rule and position.

    `draws` of a set; None: `DRAWS`, and more where the variances of a small group are averaged.
    """
    settings = fleet.settings
    rules = set_rules_of(settings, found.group.measure, found.group.protocol, fleet.as_of)
    life = answered(found)
    if isinstance(found.fit, NoAnswer) or not rules or not life.size:
        return []
    if draws is None:
        draws = min(max(DRAWS, _DRAWS_EACH * len(found.fit.mixture().components)), _MOST_DRAWS)
    rows: list[dict[str, Any]] = []
    judged: list[_Judged] = []
    for sets in vehicle_sets(found, found.fit, life, fleet):
        told = [asked(rule, fleet.versions[rule.name, rule.valid_from], sets, found.group, settings) for rule in rules]
        several = [one for one in told if one is not None]
        for one in several:
            rows += _refused(found, sets, one, fleet)
        simulated = [one for one in several if any(reason is None for reason in one.reason)]
        if not simulated:
            continue
        test_at = _next_test(sets, found, found.fit, fleet)
        made = _simulated(found, found.fit, sets, simulated, test_at, draws, workers)
        for one, fate in zip(simulated, made, strict=True):
            judged.append(_Judged(sets, one, fate, set_readings(found, sets, one), _told(sets, one)))
            rows += _alone(found, sets, one, fleet)
    return rows + _dated(found, judged, fleet, workers)


def _simulated(
    found: Learned, fit: WearFit, sets: VehicleSets, several: Sequence[Asked], test_at: Floats, draws: int, workers: int
) -> tuple[Fate, ...]:
    places = np.where(sets.known, found.place[sets.life], -1)
    first = any(one.figure.kind == "percent from first" for one in several)
    task = Sets(
        places=places,
        complete=sets.complete,
        valid=sets.known & ~sets.new & ~sets.suspect,
        exposure=sets.exposure,
        test_at=test_at,
    )
    joint = joint_of(fit, places, first=first)
    return fates(fit.mixture(), joint, task, [one.figure for one in several], draws=draws, workers=workers)


def _next_test(sets: VehicleSets, found: Learned, fit: WearFit, fleet: FleetToday) -> Floats:
    """Where among the distances looked at the next test falls; without a pace one usual distance on."""
    names = found.group.rows.vehicles
    today = day_number(fleet.as_of)
    usual = fit.usual_gap
    out = np.ones(sets.vehicle.size)
    for k, code in enumerate(sets.vehicle.tolist()):
        name = str(names[code])
        pace = fleet.pace(name)
        further = usual
        if isinstance(pace, Usage):
            days = fleet.days_to_test(name, float(today - sets.tested_on[k]))
            further = float(pace.ahead(days)[0]) if days > 0 else 0.0
        out[k] = 1.0 + float(np.interp(further, sets.ahead[k], np.arange(sets.ahead.shape[1])))
    return out


def _told(sets: VehicleSets, one: Asked) -> Ints:
    judged = np.array([reason is None for reason in one.reason])[:, None] & one.speaks & ~_lonely(sets, one)
    return np.argwhere(judged).astype(np.int64)


def _lonely(sets: VehicleSets, one: Asked) -> Flags:
    """Cylinders (M, K) that no other of their set can be compared with."""
    if one.figure.kind != "times lowest":
        return np.zeros(one.speaks.shape, dtype=np.bool_)
    valid = sets.known & ~sets.new & ~sets.suspect
    return np.asarray(valid.sum(axis=1, keepdims=True) - valid < 1, dtype=np.bool_)


def _refused(found: Learned, sets: VehicleSets, one: Asked, fleet: FleetToday) -> list[dict[str, Any]]:
    """A row for every set that the rule speaks for and that cannot be judged by it."""
    return [
        refused_row(found, sets, one, k, None, reason, fleet)
        for k, reason in enumerate(one.reason)
        if reason is not None and one.speaks[k].any()
    ]


def _alone(found: Learned, sets: VehicleSets, one: Asked, fleet: FleetToday) -> list[dict[str, Any]]:
    judged = np.array([reason is None for reason in one.reason])[:, None]
    why = _("no other cylinder has a valid level to compare with")
    return [
        refused_row(found, sets, one, k, at, why, fleet)
        for k, at in np.argwhere(judged & one.speaks & _lonely(sets, one)).tolist()
    ]


def _dated(found: Learned, judged: Sequence[_Judged], fleet: FleetToday, workers: int) -> list[dict[str, Any]]:
    """Rows of all rules that could be simulated, their chances taken to the calendar together."""
    judged = [one for one in judged if one.rows.size]
    if not judged:
        return []
    names = found.group.rows.vehicles
    vehicles = [str(names[code]) for one in judged for code in one.sets.vehicle[one.rows[:, 0]].tolist()]
    shift = np.array([fleet.meter_offset_km(name) for name in vehicles])
    now = np.concatenate([one.sets.now[one.rows[:, 0]] for one in judged])
    tested = np.concatenate([one.sets.tested_on[one.rows[:, 0]] for one in judged])
    standing = Standing(
        exposure_now=np.where(np.isnan(shift), np.nan, now),
        shown_now=now - shift,
        usage=[fleet.pace(name) for name in vehicles],
        start_days=np.maximum(day_number(fleet.as_of) - tested, 0).astype(np.float64),
        next_visit=[fleet.plans.next_visit.get(name) for name in vehicles],
        leaves_on=[fleet.plans.leaves_on.get(name) for name in vehicles],
        reading_past=np.concatenate([one.fate.reading_fails[one.rows[:, 0], one.rows[:, 1]] for one in judged]),
    )
    # beyond what was drawn the law rises on only where ten years end before it matters
    driven = np.array([isinstance(pace, Usage) and not pace.parked for pace in standing.usage])
    law = _law(judged, driven)
    told = calendar_forecasts(law, standing, fleet.as_of, fleet.settings.horizons, workers=workers)
    rows: list[dict[str, Any]] = []
    at = 0
    for one in judged:
        for k, position in one.rows.tolist():
            row = SetRow(
                sets=one.sets,
                asked=one.asked,
                fate=one.fate,
                read=one.read,
                row=k,
                at=position,
                forecast=told[at],
                pace=standing.usage[at],
                shift_km=float(shift[at]),
                tested_on=day_of(tested[at]),
            )
            rows.append(set_row(found, row, fleet))
            at += 1
    return rows


def _law(judged: Sequence[_Judged], rising: Flags) -> PointLaw:
    """The law of every row (R,) over the true distance of its vehicle, from the set's latest test on.

    Where `rising` it goes on beyond the last distance as it came there, else it stays.
    """
    starts, aheads, values = [], [], []
    for one in judged:
        at = one.rows[:, 0]
        begun = one.sets.start[at]
        further = np.concatenate([begun[:, None], one.sets.now[at][:, None] + one.sets.ahead[at]], axis=1)
        starts.append(begun)
        aheads.append(further - begun[:, None] + _APART_KM * np.arange(further.shape[1]))
        with np.errstate(divide="ignore"):
            probit = ndtri(np.clip(one.fate.chance[at, one.rows[:, 1]], 0.0, 1.0))
        values.append(np.clip(probit, -_FAR, _FAR))
    start = np.concatenate(starts)
    none = np.zeros(start.size)
    known = np.ones(start.size, dtype=np.bool_)
    ahead, value = np.concatenate(aheads), np.maximum.accumulate(np.concatenate(values), axis=1)
    after = np.where(rising, (value[:, -1] - value[:, -2]) / (ahead[:, -1] - ahead[:, -2]), 0.0)
    return PointLaw(start, known, ahead, value, none, after, none + np.inf)

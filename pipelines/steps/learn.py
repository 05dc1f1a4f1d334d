"""Learn and forecast: the wear model of every group, levels, rates and crossings of every part, kept as a run."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from pipelines.steps.corrections import corrections, newest_look_back
from pipelines.steps.facts import facts_sha256
from pipelines.steps.fleet_today import FleetToday, vehicle_usage
from pipelines.steps.group_rows import groups
from pipelines.steps.line_forecasts import line_forecasts
from pipelines.steps.lives import lives_are_fresh, meter_histories, rebuild_lives
from pipelines.steps.plans import plans_of
from pipelines.steps.rules import record_rules
from pipelines.steps.runs import new_run
from pipelines.steps.series import life_series
from pipelines.steps.set_forecasts import set_forecasts
from pipelines.steps.signals import Watched, store_signals, watch
from pipelines.steps.states_before import states_before
from pipelines.steps.wear_data import group_data
from pipelines.steps.wear_forecasts import answered, wear_forecasts
from pipelines.steps.wear_learn import Learned, learned, store, why_silent
from pipelines.workspace import Workspace
from wearlab import __version__
from wearlab.charts.words import measure_words
from wearlab.records import NoAnswer
from wearlab.store.database import Database
from wearlab.store.queries import vehicles
from wearlab.units import rate_unit
from wearlab.wear.executor import plain_products


def learn(
    db: Database, place: Workspace, as_of: date, *, say: Callable[[str], None] | None = None, workers: int = 2
) -> list[dict[str, Any]]:
    """Fit every group's wear and forecast every part as of a day; store both as a run.

    `say` is told what is being done, several times a group. Returns the rate of every family in every group.
    """
    told = say or (lambda text: None)
    settings = place.settings
    with db.transaction(), plain_products():
        fleet = fleet_on(db, place, as_of, say=told)
        known = corrections(db, as_of)
        run = new_run(db, place, as_of, "learn")
        summary: list[dict[str, Any]] = []
        watched: list[Watched] = []
        for measure, protocol in groups(db, as_of):
            name = f"{measure_words(measure)}, {protocol}"
            told(f"{name}: reading")
            group = group_data(db, settings, measure, protocol, as_of)
            found = learned(db, group, workers, _pass(told, name), known.get((measure, protocol)))
            told(f"{name}: storing {len(group.lives)} parts")
            store(db, run, found)
            told(f"{name}: forecasts")
            rows = wear_forecasts(found, fleet)
            rows += by_line(db, found, fleet)
            rows += set_forecasts(found, fleet, workers=workers)
            if rows:
                db.append("forecast", pd.DataFrame(rows, dtype=object).assign(run_id=run))
            told(f"{name}: what chance alone would raise")
            watched += [one for one in [watch(db, found, as_of)] if one is not None]
            summary += _summary(found)
        told("signals")
        store_signals(db, run, watched, settings)
    return summary


def fleet_on(db: Database, place: Workspace, as_of: date, *, say: Callable[[str], None]) -> FleetToday:
    """Follow parts and meters up to a day, and return what forecasts rest on. Call it inside a transaction."""
    settings = place.settings
    versions = record_rules(db, settings)
    say("following parts and meters")
    meters = meter_histories(db)
    if not lives_are_fresh(db, settings):
        rebuild_lives(db, settings, meters)
    register = vehicles(db, as_of)
    return FleetToday(
        as_of=as_of,
        settings=settings,
        versions=versions,
        meters=meters,
        paces=vehicle_usage(meters, as_of, register),
        plans=plans_of(db, as_of, states_before(db, place, as_of)),
        cylinders={row["vehicle"]: int(row["cylinders"]) for row in register if row["cylinders"] is not None},
    )


def latest_run(db: Database, place: Workspace, as_of: date) -> int | None:
    """The newest run made of just these facts, settings and day; None when the forecasts are stale."""
    found = db.value(
        "SELECT max(run_id) FROM run WHERE step = 'learn' AND as_of = ? AND settings_sha256 = ? "
        "AND facts_sha256 = ? AND version = ? AND run_id > ?",
        [as_of, place.settings_sha256, facts_sha256(db), __version__, newest_look_back(db, as_of)],
    )
    return None if found is None else int(found)


def fresh_run(db: Database, place: Workspace, as_of: date, *, say: Callable[[str], None] | None = None) -> int:
    """The newest run, made now when there is none for these facts, settings and day."""
    run = latest_run(db, place, as_of)
    if run is None:
        learn(db, place, as_of, say=say)
        run = latest_run(db, place, as_of)
    if run is None:
        raise RuntimeError("a run just made was not found again")
    return run


def forecasts_of(db: Database, run: int) -> list[dict[str, Any]]:
    """A run's forecasts, soonest crossing first; what has no date comes after, by state."""
    return db.records(
        """
        SELECT * EXCLUDE (run_id) FROM forecast WHERE run_id = ?
        ORDER BY date_p50 NULLS LAST, date_p10 NULLS LAST, state, vehicle, position, measure, protocol, rule
        """,
        [run],
    )


def current_forecasts(
    place: Workspace, as_of: date, *, say: Callable[[str], None] | None = None
) -> list[dict[str, Any]]:
    """Forecasts as of a day, learned now when they are stale."""
    if place.store.exists():
        with place.open(read_only=True) as db:
            run = latest_run(db, place, as_of)
            if run is not None:
                return forecasts_of(db, run)
    with place.open() as db:
        return forecasts_of(db, fresh_run(db, place, as_of, say=say))


def _pass(told: Callable[[str], None], name: str) -> Callable[[int, float, float], None]:
    def progress(number: int, criterion: float, expected: float) -> None:
        told(f"{name}: pass {number} of the fit")

    return progress


def by_line(db: Database, found: Learned, fleet: FleetToday) -> list[dict[str, Any]]:
    """Forecasts by a line for the seated parts that the model does not answer for."""
    done = set(answered(found).tolist())
    return lines_of(db, found, [code for code in range(len(found.group.lives)) if code not in done], fleet)


def lines_of(db: Database, found: Learned, codes: Iterable[int], fleet: FleetToday) -> list[dict[str, Any]]:
    """Forecasts by a line for those of some lives that are seated."""
    group = found.group
    lives = group.lives
    left = [code for code in codes if lives.seated[code]]
    if not left:
        return []
    why = why_silent(found)
    reason = {(str(lives.part[code]), int(lives.life[code])): why[code] for code in left}
    family = {(str(lives.part[code]), int(lives.life[code])): str(group.family[code]) or None for code in left}
    rows: list[dict[str, Any]] = []
    parts = sorted({part for part, _ in reason})
    for series in life_series(db, fleet.as_of, group=(group.measure, group.protocol), parts=parts):
        key = (series.part, series.life)
        if series.current and key in reason:
            rows += line_forecasts(series, family[key], fleet, reason[key])
    return rows


def _summary(found: Learned) -> list[dict[str, Any]]:
    """The rate of each family of a group, with its interval; None without an answer."""
    group, fit = found.group, found.fit
    told = []
    families = np.array([str(family) for family in group.family], dtype=object)
    voting = group.per_life_fitted
    for family in sorted(set(families)):
        own = families == family
        rate = fit if isinstance(fit, NoAnswer) else fit.family_rate(family)
        low, middle, high = (None, None, None) if isinstance(rate, NoAnswer) else (rate.low, rate.point, rate.high)
        told.append(
            {
                "measure": group.measure,
                "protocol": group.protocol,
                "family": family or None,
                "parts": int(own.sum()),
                "answered": int((own & (found.place >= 0)).sum()),
                "readings": int(voting[own].sum()),
                "rate_low": low,
                "rate_median": middle,
                "rate_high": high,
                "rate_unit": rate_unit(group.unit),
            }
        )
    return told

"""The rigs of the workshop: offset over time, channels, self-checks, calibrations, verdicts that hang on them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from pipelines.steps.calibrations import calibrated_on
from pipelines.steps.compare import fitted_again
from pipelines.steps.corrections import corrections
from pipelines.steps.group_rows import groups
from pipelines.steps.lives import fresh_lives
from pipelines.steps.wear_data import GroupData, group_data
from pipelines.workspace import Workspace
from wearlab.config import Settings
from wearlab.control.rig_offsets import (
    DRIFT_SD,
    ChannelOffset,
    Period,
    channel_offsets,
    drift_columns,
    hangs_on_rig,
    offset_on,
    periods,
)
from wearlab.language import _, msg
from wearlab.lives.odometer import day_of
from wearlab.records import Measure, NoAnswer
from wearlab.store.database import Database
from wearlab.wear.data import CovariateKind, CovariateRole
from wearlab.wear.line import Interval
from wearlab.wear.results import WearFit

_FACTOR: tuple[CovariateKind, ...] = ("factor",)
_CONDITION: tuple[CovariateRole, ...] = ("condition",)
#: how the periods of a rig between calibrations are named
_PERIODS = {"before": msg("before {day}"), "from": msg("from {day}")}


@dataclass(frozen=True, slots=True)
class RigPeriod:
    """What one rig read high in one group between two calibrations, in %: at its first and at its last test."""

    measure: str
    protocol: str
    rig: str
    period: str
    first: date
    last: date
    readings: int
    base: bool
    at_first: Interval
    at_last: Interval


@dataclass(frozen=True, slots=True)
class Channels:
    """What the channels of all rigs read high in one group, in %; `no_answer` says why they are not told."""

    measure: str
    protocol: str
    offsets: tuple[ChannelOffset, ...]
    no_answer: str | None


@dataclass(frozen=True, slots=True)
class SelfCheck:
    """The last self-check of a rig (and channel), its leak in bar/s, the median of those before, and its limit."""

    rig: str
    channel: str
    day: date
    leak: float
    median_before: float | None
    checks: int
    limit: float | None


@dataclass(frozen=True, slots=True)
class Calibration:
    """When a rig was last calibrated and when it is due; None: not written down, or nothing asked."""

    rig: str
    last: date | None
    every_days: int | None
    due: date | None
    overdue_days: int


@dataclass(frozen=True, slots=True)
class HangingVerdict:
    """A reading that its rig's offset carried over a limit, or kept from it; `corrected` is without the offset."""

    vehicle: str
    position: str
    day: date
    measure: str
    protocol: str
    rig: str
    reading: float
    corrected: float
    unit: str
    rule: str
    limit: float
    offset: float
    read_past: bool


@dataclass(frozen=True, slots=True)
class Rigs:
    """Everything `wearlab rigs` tells."""

    as_of: date
    periods: tuple[RigPeriod, ...]
    channels: tuple[Channels, ...]
    checks: tuple[SelfCheck, ...]
    calibrations: tuple[Calibration, ...]
    verdicts: tuple[HangingVerdict, ...]
    notes: tuple[str, ...]


def rigs(place: Workspace, as_of: date, *, say: Callable[[str], None] | None = None) -> Rigs:
    """Look at every rig that a test names or the settings know."""
    made: list[RigPeriod] = []
    channels: list[Channels] = []
    verdicts: list[HangingVerdict] = []
    notes: list[str] = []
    with place.open() as db:
        fresh_lives(db, place.settings)
        calibrated = calibrated_on(db, place.settings, as_of)
        known = corrections(db, as_of)
        run = db.value("SELECT max(run_id) FROM run WHERE step = 'learn' AND as_of <= ?", [as_of])
        if run is None:
            notes.append(
                _('which verdicts hang on a rig is told once limits were looked at: run "wearlab learn" first')
            )
        for measure, protocol in groups(db, as_of):
            if say is not None:
                say(f"{measure}, {protocol}: fitting")
            group = group_data(db, place.settings, measure, protocol, as_of)
            factor = known[measure, protocol].factor if (measure, protocol) in known else 1.0
            told = _offsets(db, group, calibrated, factor)
            if isinstance(told, NoAnswer):
                notes.append(f"{measure}, {protocol}: {told.reason}")
            else:
                fit, found = told
                made += [_period(group, fit, one, factor) for one in found]
                if run is not None:
                    verdicts += _hanging(db, run, group, fit, found, factor)
            channels.append(_channels(db, measure, protocol, as_of))
        checks = self_checks(db, place.settings, as_of)
        due = calibrations_due(db, place.settings, calibrated, as_of)
    return Rigs(as_of, tuple(made), tuple(channels), tuple(checks), tuple(due), tuple(verdicts), tuple(notes))


def _offsets(
    db: Database, group: GroupData, calibrated: dict[str, list[int]], factor: float
) -> tuple[WearFit, list[Period]] | NoAnswer:
    """Fit the group once more, every rig period with a drift of its own."""
    rows, at = group.rows, group.fitted
    if group.data is None:
        return NoAnswer(_("no reading of this group may be used"))
    found = periods(rows.rig[at].tolist(), rows.day[at], dict(calibrated))
    if not found:
        return NoAnswer(_("no test names its rig"))
    drift, names = drift_columns(found, rows.day[at])
    data, count = group.data, len(names)
    c = 0 if data.covariates is None else data.covariates.shape[1]
    before = np.zeros((at.size, 0)) if data.covariates is None else data.covariates
    mean = np.zeros(c) if data.prior_mean is None else data.prior_mean
    sd = np.full(c, np.inf) if data.prior_sd is None else data.prior_sd
    wider = replace(
        data,
        covariates=np.column_stack([before, drift]),
        covariate_names=(*data.covariate_names, *names),
        covariate_kind=(*data.covariate_kind, *_FACTOR * count),
        covariate_role=(*data.covariate_role, *_CONDITION * count),
        prior_mean=np.concatenate([mean, np.zeros(count)]),
        prior_sd=np.concatenate([sd, np.full(count, DRIFT_SD)]),
    )
    fit = fitted_again(db, replace(group, data=wider))
    return fit if isinstance(fit, NoAnswer) else (fit, found)


def period_words(name: str, rig: str) -> str:
    """Say which of a rig's periods one is, by its name as `period_names` gives it; nothing where there is but one."""
    side, _gap, day = name.removeprefix(rig).strip().partition(" ")
    return _(_PERIODS[side], day=day) if side else ""


def _period(group: GroupData, fit: WearFit, one: Period, factor: float) -> RigPeriod:
    fixed = fit.best.fixed
    return RigPeriod(
        measure=group.measure,
        protocol=group.protocol,
        rig=one.rig,
        period=f"{one.rig} {period_words(one.name, one.rig)}".rstrip(),
        first=day_of(one.first),
        last=day_of(one.last),
        readings=int(one.rows.size),
        base=fixed.place(f"period {one.name}") is None,
        at_first=offset_on(fixed, one, one.first, widen=factor),
        at_last=offset_on(fixed, one, one.last, widen=factor),
    )


def _hanging(
    db: Database, run: int, group: GroupData, fit: WearFit, found: list[Period], factor: float
) -> list[HangingVerdict]:
    limits: dict[str, list[tuple[str, float]]] = defaultdict(list)
    for vehicle, rule, limit in db.rows(
        'SELECT DISTINCT vehicle, rule, "limit" FROM forecast WHERE run_id = ? AND measure = ? AND protocol = ? '
        "AND \"limit\" IS NOT NULL AND part <> '' AND direction IS NOT NULL ORDER BY ALL",
        [run, group.measure, group.protocol],
    ):
        limits[str(vehicle)].append((str(rule), float(limit)))
    rows, told = group.rows, []
    for one in found:
        offsets: dict[int, Interval] = {}
        for k in one.rows.tolist():
            at = int(group.fitted[k])
            day, level = int(rows.day[at]), float(rows.level[at])
            if rows.bound[at] != 0:
                continue
            if day not in offsets:
                offsets[day] = offset_on(fit.best.fixed, one, day, widen=factor)
            for rule, limit in limits.get(str(rows.vehicles[rows.vehicle[at]]), ()):
                if not hangs_on_rig(level, limit, offsets[day]):
                    continue
                told.append(
                    HangingVerdict(
                        vehicle=str(rows.vehicles[rows.vehicle[at]]),
                        position=str(rows.position[at]),
                        day=day_of(day),
                        measure=group.measure,
                        protocol=group.protocol,
                        rig=one.rig,
                        reading=level,
                        corrected=level / (1 + offsets[day].point / 100),
                        unit=group.unit,
                        rule=rule,
                        limit=limit,
                        offset=offsets[day].point,
                        read_past=level > limit,
                    )
                )
    return told


def _channels(db: Database, measure: str, protocol: str, as_of: date) -> Channels:
    frame = db.frame(
        """
        SELECT c.level, c.part || ' ' || c.life AS part, c.test_id,
               t.rig, r.channel
        FROM comparable c JOIN test t USING (test_id)
        JOIN reading r ON r.test_id = c.test_id AND r.position = c.position AND r.repeat = c.repeat
             AND r.file_id = c.file_id AND r.row_no = c.row_no AND r.col_no = c.col_no
        WHERE c.measure = ? AND c.protocol = ? AND c.tested_on <= ? AND c.bound IS NULL
              AND t.rig IS NOT NULL AND r.channel IS NOT NULL
        ORDER BY ALL
        """,
        [measure, protocol, as_of],
    )
    pairs = zip(frame["rig"], frame["channel"], strict=True)
    called = np.array([_("{rig}, channel {channel}", rig=rig, channel=channel) for rig, channel in pairs], dtype=str)
    columns = [*(frame[name].to_numpy(object).astype(str) for name in ("part", "test_id")), called]
    found = channel_offsets(frame["level"].to_numpy(np.float64), *columns)
    if isinstance(found, NoAnswer):
        return Channels(measure, protocol, (), found.reason)
    return Channels(measure, protocol, found, None)


def self_checks(db: Database, settings: Settings, as_of: date) -> list[SelfCheck]:
    """The last self-check of every rig and channel up to a day."""
    rows: dict[tuple[str, str], list[tuple[date, float]]] = defaultdict(list)
    for rig, channel, day, leak in db.rows(
        "SELECT coalesce(t.rig, r.vehicle), coalesce(r.channel, ''), r.tested_on, r.level FROM reading r "
        "JOIN test t USING (test_id) WHERE r.measure = ? AND r.tested_on <= ? AND r.level IS NOT NULL "
        "AND r.bound IS NULL AND r.use <> 'show' ORDER BY r.tested_on, r.test_id, r.repeat",
        [str(Measure.RIG_CHECK), as_of],
    ):
        rows[str(rig), str(channel)].append((day, float(leak)))
    limits = [rule for rule in settings.limits if rule.measure == Measure.RIG_CHECK and rule.value is not None]
    told = []
    for (rig, channel), values in sorted(rows.items()):
        earlier = [leak for _day, leak in values[:-1]]
        day, leak = values[-1]
        limit = min((float(rule.value) for rule in limits if rule.value is not None), default=None)
        median = float(np.median(earlier)) if earlier else None
        told.append(SelfCheck(rig, channel, day, leak, median, len(values), limit))
    return told


def calibrations_due(
    db: Database, settings: Settings, calibrated: dict[str, list[int]], as_of: date
) -> list[Calibration]:
    """When every rig that a test names or the settings know was last calibrated, and when it is due."""
    every: dict[str, int | None] = {}
    register: list[tuple[Any, ...]] = db.rows(
        "SELECT rig, calibrate_every_days FROM rig_register WHERE channel IS NULL AND calibrate_every_days IS NOT NULL "
        "AND (valid_from IS NULL OR valid_from <= ?) ORDER BY valid_from NULLS FIRST, row_no",
        [as_of],
    )
    every |= {str(rig): int(days) for rig, days in register}
    every |= {name: rig.calibrate_every_days for name, rig in settings.rigs.items() if rig.calibrate_every_days}
    named = {
        str(row[0])
        for row in db.rows("SELECT DISTINCT rig FROM test WHERE rig IS NOT NULL AND tested_on <= ?", [as_of])
    }
    told = []
    for rig in sorted(named | set(settings.rigs)):
        days = calibrated.get(rig, [])
        last = day_of(days[-1]) if days else None
        often = every.get(rig)
        due = None if last is None or often is None else last + timedelta(days=often)
        told.append(Calibration(rig, last, often, due, 0 if due is None else max((as_of - due).days, 0)))
    return told

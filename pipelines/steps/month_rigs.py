"""The rigs as the fleet page tells them: calibration, self-checks, and what each read high by the fit of a run."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import date

import numpy as np

from pipelines.steps.calibrations import calibrated_on
from pipelines.steps.rigs import Calibration, SelfCheck, calibrations_due, period_words, self_checks
from pipelines.steps.vehicle_view import FleetFacts
from wearlab.charts.fleet_series import RigOffset
from wearlab.charts.rig_months import offset_words
from wearlab.charts.words import day_words, level_words, measure_words
from wearlab.control.rig_offsets import period_names
from wearlab.language import _, _n, number
from wearlab.lives.odometer import day_number, day_of
from wearlab.pack.fleet_page import RigRow, RigSection
from wearlab.records import LEVEL_UNIT, Measure
from wearlab.store.database import Database


def rig_section(db: Database, fleet: FleetFacts) -> RigSection:
    """Return every rig that a test names or the settings know."""
    calibrated = calibrated_on(db, fleet.settings, fleet.as_of)
    offsets = rig_offsets(db, fleet, calibrated)
    checks: dict[str, list[SelfCheck]] = defaultdict(list)
    for check in self_checks(db, fleet.settings, fleet.as_of):
        checks[check.rig].append(check)
    newest = {(one.measure, one.protocol, one.rig): one for one in offsets}
    apart: dict[str, list[str]] = defaultdict(list)
    for one in newest.values():
        if one.apart:
            apart[one.rig].append(f"{measure_words(one.measure)}, {one.protocol}: {offset_words(one)}")
    rows = []
    for due in calibrations_due(db, fleet.settings, calibrated, fleet.as_of):
        known = fleet.settings.rigs.get(due.rig)
        rows.append(
            RigRow(
                rig=due.rig,
                depot=(known.depot or "") if known is not None else "",
                calibrated=due.last,
                every_days=due.every_days,
                due=due.due,
                overdue_days=due.overdue_days,
                sentence=calibration_words(due, fleet.as_of),
                checks=tuple(check_words(one) for one in checks.get(due.rig, ())),
                apart=tuple(apart.get(due.rig, ())),
            )
        )
    notes = [] if offsets else [_("No test with a wear model names its rig: what rigs read high is not told.")]
    if offsets:
        notes.append(
            _(
                "An offset is told against the rig and period with the most tests, and taken off before parts are "
                "judged; it is pulled towards zero where few tests tell it."
            )
        )
    return RigSection(tuple(rows), offsets, tuple(notes))


def rig_offsets(db: Database, fleet: FleetFacts, calibrated: dict[str, list[int]]) -> tuple[RigOffset, ...]:
    """Return the offset of every rig and period that tests of a group fall in, in the order of the day."""
    effects = {
        (row["measure"], row["protocol"], row["name"]): row
        for row in db.records("SELECT * FROM wear_effect WHERE run_id = ? AND kind = 'offset'", [fleet.run])
    }
    told = {(measure, protocol) for measure, protocol, _name in effects}
    days: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for measure, protocol, rig, day in db.rows(
        "SELECT c.measure, c.protocol, t.rig, c.tested_on FROM comparable c JOIN test t USING (test_id) "
        "WHERE t.rig IS NOT NULL AND c.tested_on <= ? ORDER BY ALL",
        [fleet.as_of],
    ):
        if (measure, protocol) in told:
            days[measure, protocol, str(rig)].append(day_number(day))
    found: list[RigOffset] = []
    silent: dict[tuple[str, str], list[RigOffset]] = defaultdict(list)
    for (measure, protocol, rig), tested in sorted(days.items()):
        cuts = np.array(calibrated.get(rig, ()), dtype=np.int64)
        place = np.searchsorted(cuts, np.array(tested, dtype=np.int64), side="right")
        for at, name in enumerate(period_names(rig, cuts)):
            inside = np.array(tested, dtype=np.int64)[place == at]
            if not inside.size:
                continue
            effect = effects.get((measure, protocol, name))
            one = RigOffset(
                measure=measure,
                protocol=protocol,
                rig=rig,
                period=period_words(name, rig) or _("all tests"),
                first=day_of(inside.min()),
                last=day_of(inside.max()),
                readings=int(inside.size),
                offset=0.0 if effect is None else float(effect["estimate"]),
                low=None if effect is None else float(effect["low"]),
                high=None if effect is None else float(effect["high"]),
            )
            if effect is None:
                silent[measure, protocol].append(one)
            else:
                found.append(one)
    found += [_base(several) for several in silent.values()]
    return tuple(sorted(found, key=lambda one: (one.measure, one.protocol, one.rig, one.first)))


def _base(silent: Sequence[RigOffset]) -> RigOffset:
    """Of the periods without an effect the most used is what the others are told against."""
    one = max(silent, key=lambda each: each.readings)
    return RigOffset(
        one.measure, one.protocol, one.rig, one.period, one.first, one.last, one.readings, 0.0, None, None, base=True
    )


def calibration_words(due: Calibration, as_of: date) -> str:
    """Return when a rig was calibrated and is due, in one sentence."""
    if due.last is None:
        return _("No calibration is written down.")
    last = day_words(due.last)
    if due.due is None:
        return _("Calibrated on {day}; no interval is set.", day=last)
    if due.overdue_days:
        return _n(
            "Calibrated on {day}; overdue by {n} days, since {due}.",
            "Calibrated on {day}; overdue by {n} days, since {due}.",
            due.overdue_days,
            day=last,
            due=day_words(due.due),
        )
    return _n(
        "Calibrated on {day}; due on {due}, in {n} days.",
        "Calibrated on {day}; due on {due}, in {n} days.",
        (due.due - as_of).days,
        day=last,
        due=day_words(due.due),
    )


def check_words(check: SelfCheck) -> str:
    """Return the newest self-check of a rig or channel in one sentence."""
    unit = LEVEL_UNIT[Measure.RIG_CHECK]
    day, leak = day_words(check.day), level_words(check.leak, unit)
    if check.channel:
        text = _("Self-check on {day}, channel {channel}: {leak}", day=day, channel=check.channel, leak=leak)
    else:
        text = _("Self-check on {day}: {leak}", day=day, leak=leak)
    if check.median_before is not None:
        before = level_words(check.median_before, unit)
        text += ", " + _("median of the {n} before {median}", n=number(check.checks - 1), median=before)
    if check.limit is None:
        told = _("no limit is set")
    elif check.leak > check.limit:
        told = _("past the limit of {limit}", limit=level_words(check.limit, unit))
    else:
        told = _("within the limit of {limit}", limit=level_words(check.limit, unit))
    return f"{text}; {told}."

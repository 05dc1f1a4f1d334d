"""Settled events that move levels at once: cleaning, a bad tank of fuel, a software update.

The column of an event is 1 in the readings after it, of the lives that were seen before and after it; other lives have
the step in their own level. After contamination a second column counts the exposure since, for parts wear on faster.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from pipelines.steps.group_rows import Floats, GroupRows, Ints, said_on
from pipelines.steps.wear_periods import Columns
from pipelines.steps.works import work_words
from wearlab.language import _
from wearlab.lives.odometer import day_number
from wearlab.records import Measure, WorkKind
from wearlab.store.database import Database
from wearlab.wear.data import CovariateRole

#: prior sd of an event's step, a factor: twice or half the reading is not surprising
STEP_SD = 0.7

#: prior sd of what contamination adds to the rate, a factor per km: 30 % in 10,000 km is not surprising
RATE_SD = 0.3 / 10_000.0

#: more single events than these share one step a kind
MOST_EVENTS = 30

#: kinds that move all parts of a vehicle, with the measures they act on (control flow is part of return flow only)
_ON_VEHICLES: dict[WorkKind, tuple[Measure, ...]] = {
    WorkKind.CONTAMINATION: (Measure.RETURN_FLOW, Measure.PUMP_PEAK, Measure.PUMP_RISE, Measure.PUMP_HOLD),
    WorkKind.SOFTWARE_UPDATE: (Measure.RETURN_FLOW,),
}


@dataclass(frozen=True, slots=True, eq=False)
class Event:
    """One event: its kind, what it happened to, the readings after it, and their exposure since it in km."""

    kind: WorkKind
    subject: str
    after: Ints
    since_km: Floats


def event_columns(db: Database, rows: GroupRows, fitted: Ints, until: date) -> Columns:
    """Columns of all events; `fitted` are the places of the readings that vote."""
    found = [*_cleanings(rows, fitted)]
    for kind, measures in _ON_VEHICLES.items():
        if rows.measure in measures:
            found += _vehicle_events(db, rows, fitted, kind, until)
    n = len(rows)
    if not found:
        return Columns.none(n)
    kinds: dict[WorkKind, list[Event]] = defaultdict(list)
    for event in found:
        kinds[event.kind].append(event)
    columns: list[tuple[str, CovariateRole, float, Floats]] = []
    notes = []
    for kind, events in kinds.items():
        word = work_words(kind)
        pooled = len(found) > MOST_EVENTS
        if pooled:
            notes.append(_("{n} times {work}: one step is taken for all of them", n=len(events), work=word))
        named = [(_("{work} of {subject}", work=word, subject=event.subject), [event]) for event in events]
        for name, members in [(word, events)] if pooled else named:
            columns.append((name, "step", STEP_SD, _filled(n, members, rate=False)))
            if kind == WorkKind.CONTAMINATION and _days_after(rows, fitted, members) > 1:
                columns.append((_("rate after {event}", event=name), "rate", RATE_SD, _filled(n, members, rate=True)))
    return Columns(
        np.column_stack([column for *_head, column in columns]),
        tuple(name for name, *_rest in columns),
        np.array([sd for _name, _role, sd, _column in columns]),
        tuple(notes),
        tuple(role for _name, role, *_rest in columns),
    )


def _filled(n: int, events: Sequence[Event], *, rate: bool) -> Floats:
    column = np.zeros(n)
    for event in events:
        column[event.after] += event.since_km if rate else 1.0
    return column


def _days_after(rows: GroupRows, fitted: Ints, events: Sequence[Event]) -> int:
    voting = np.zeros(len(rows), dtype=np.bool_)
    voting[fitted] = True
    return max((np.unique(rows.day[event.after[voting[event.after]]]).size for event in events), default=0)


def _cleanings(rows: GroupRows, fitted: Ints) -> list[Event]:
    """Cleanings with readings of the part before and after."""
    if not rows.cleaned.any():
        return []
    size = len(rows.lives)
    low, high = np.full(size, np.iinfo(np.int64).max), np.zeros(size, dtype=np.int64)
    np.minimum.at(low, rows.life[fitted], rows.cleaned[fitted])
    np.maximum.at(high, rows.life[fitted], rows.cleaned[fitted])
    found = []
    for code in np.flatnonzero(high > low):
        here = np.flatnonzero(rows.life == code)
        for number in range(int(low[code]) + 1, int(high[code]) + 1):
            after = here[rows.cleaned[here] >= number]
            subject = str(rows.lives.part[code]) + (f" ({number})" if high[code] > 1 else "")
            found.append(Event(WorkKind.CLEANING, subject, after, np.zeros(after.size)))
    return found


def _vehicle_events(db: Database, rows: GroupRows, fitted: Ints, kind: WorkKind, until: date) -> list[Event]:
    """Events on whole vehicles; one that names only a depot counts for every vehicle based there that day.

    On the day itself a reading comes after the event when its test was made after repair or at a higher odometer.
    """
    listed = _listed(db, rows, kind, until)
    if not listed:
        return []
    order = np.argsort(rows.vehicle, kind="stable")
    begin = np.searchsorted(rows.vehicle[order], np.arange(rows.vehicles.size + 1))
    voting = np.zeros(len(rows), dtype=np.bool_)
    voting[fitted] = True
    found = []
    for code, day, km in listed:
        here = np.sort(order[begin[code] : begin[code + 1]])
        same = (rows.day[here] == day) & (rows.after_repair[here] | (rows.odometer_km[here] > km))
        later = (rows.day[here] > day) | same
        both = np.intersect1d(rows.life[here[~later & voting[here]]], rows.life[here[later & voting[here]]])
        if not both.size:
            continue
        after, since = [], []
        for life in both:
            own = here[rows.life[here] == life]
            placed = own[voting[own]]
            at = float(np.interp(day, rows.day[placed], rows.exposure_km[placed]))
            gone = here[later & (rows.life[here] == life)]
            after.append(gone)
            since.append(np.nan_to_num(np.maximum(rows.exposure_km[gone] - at, 0.0)))
        subject = _("{vehicle} on {day}", vehicle=rows.vehicles[code], day=np.datetime64(day, "D"))
        found.append(Event(kind, subject, np.concatenate(after), np.concatenate(since)))
    return found


def _listed(db: Database, rows: GroupRows, kind: WorkKind, until: date) -> list[tuple[int, int, float]]:
    """Vehicle code, day and odometer (NaN unknown) of every event of a kind that hit a vehicle of the group."""
    index = pd.Index(rows.vehicles)
    every = np.arange(len(index))
    listed: list[tuple[int, int, float]] = []
    for vehicle, depot, done_on, km in db.rows(
        "SELECT DISTINCT vehicle, depot, done_on, odometer_km FROM work WHERE kind = ? AND done_on <= ? ORDER BY ALL",
        [str(kind), until],
    ):
        day = day_number(done_on)
        homes = np.zeros(0, dtype=np.int64)
        if vehicle is not None:
            homes = np.asarray(index.get_indexer(pd.Index([vehicle])), dtype=np.int64)
        elif depot is not None:
            based = said_on(db, "depot", rows.vehicles, every, np.full(every.size, day), until)
            homes = np.flatnonzero(based == depot).astype(np.int64)
        listed += [(int(code), day, float("nan") if km is None else float(km)) for code in homes if code >= 0]
    return sorted(set(listed), key=lambda event: event[:2])

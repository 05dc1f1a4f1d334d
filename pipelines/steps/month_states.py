"""Parts by state over the months, and the number of parts that will pass a limit in the months to come."""

from __future__ import annotations

from calendar import monthrange
from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np

from pipelines.steps.vehicle_view import FleetFacts
from wearlab.charts.crossing_months import number_words
from wearlab.charts.fleet_series import CrossingMonth, StateMonth
from wearlab.charts.words import day_words, month_words
from wearlab.forecast.crossing_counts import crossing_counts
from wearlab.language import _, _n, number
from wearlab.pack.fleet_page import CrossingsAhead, StatesOverTime
from wearlab.pack.order import STATE_ORDER, count_states, urgency
from wearlab.plan.crossing_law import CrossingLaw
from wearlab.records import State
from wearlab.store.database import Database

#: months before and after the day of the pack
BACK, AHEAD = 24, 18


def states_over_time(db: Database, fleet: FleetFacts) -> StatesOverTime:
    """Return the numbers at the last run of every month; of the pack's own month its own run."""
    rows = db.rows(
        """
        WITH runs AS (
            SELECT CASE WHEN as_of = ? THEN ? ELSE max(run_id) END AS run_id, as_of FROM run
            WHERE step = 'learn' AND as_of <= ? AND as_of > ?::DATE - 31 * ? GROUP BY as_of
        ), newest AS (
            SELECT max_by(run_id, as_of) AS run_id, max(as_of) AS as_of FROM runs GROUP BY date_trunc('month', as_of)
        )
        SELECT n.as_of, f.vehicle, f.position, f.part, f.state
        FROM newest n JOIN forecast f USING (run_id) GROUP BY ALL ORDER BY ALL
        """,
        [fleet.as_of, fleet.run, fleet.as_of, fleet.as_of, BACK],
    )
    states: dict[date, dict[tuple[str, str, str], list[str]]] = defaultdict(lambda: defaultdict(list))
    for as_of, vehicle, position, part, state in rows:
        states[as_of][vehicle, position, part].append(state)
    months = tuple(
        StateMonth(day.replace(day=1), day, count_states(pressing(told) for told in parts.values()))
        for day, parts in sorted(states.items())
    )
    return StatesOverTime(months, _since(months))


def pressing(states: Iterable[str]) -> str:
    """Return the most pressing state of a part; a test without a limit speaks only when nothing else does."""
    told = list(states)
    judged = [state for state in told if state != State.NO_LIMIT]
    return min(judged or told, key=urgency)


def _since(months: Sequence[StateMonth]) -> str:
    if not months:
        return _("No part has a state yet.")
    first, last = months[0], months[-1]
    total = sum(count.parts for count in last.counts)
    if len(months) == 1:
        return _(
            "{parts} parts, each by its most pressing state. States are kept from {day} on; the months to come are "
            "added here.",
            parts=number(total),
            day=day_words(first.as_of),
        )
    wanted = last.month.year * 12 + last.month.month - first.month.year * 12 - first.month.month + 1
    places = {"parts": number(total), "month": month_words(first.month)}
    if wanted > len(months):
        text = _(
            "{parts} parts now, each by its most pressing state; states are kept since {month}, {missing} of the "
            "{months} months since then were not reported.",
            missing=number(wanted - len(months)),
            months=number(wanted),
            **places,
        )
    else:
        text = _("{parts} parts now, each by its most pressing state; states are kept since {month}.", **places)
    changes = []
    before = {count.state: count.parts for count in months[-2].counts}
    for count in last.counts:
        step = count.parts - before.get(count.state, 0)
        if step and count.state in STATE_ORDER[:4]:
            changes.append(f"{_(count.state)} {number(step, sign=True).replace('-', '−')}")
    told = ", ".join(changes) or _("no change among the pressing states")
    return f"{text} " + _("Since {month}: {changes}.", month=month_words(months[-2].month), changes=told)


def crossings_ahead(fleet: FleetFacts) -> CrossingsAhead:
    """Return the numbers of parts that pass a limit by month, each part by the limit it is likeliest to pass."""
    parts: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for vehicle, rows in sorted(fleet.forecasts.items()):
        for row in rows:
            if row["limit"] is not None:
                parts[vehicle, row["position"]].append(row)
    ends = coming_months(fleet.as_of)
    days = np.array([0, *((end - fleet.as_of).days for _, end in ends)], dtype=np.float64)
    tables, beyond = [], 0
    for rows in parts.values():
        laws = [law for row in rows if (law := CrossingLaw.of(row.get, fleet.as_of)) is not None]
        if not laws:
            continue
        told = [(law, law.chances(days)) for law in laws]
        law, chances = max(told, key=lambda pair: float(pair[1][-1]))
        tables.append(chances)
        beyond += law.extrapolates(ends[-1][1])
    table = np.array(tables).reshape(len(tables), days.size)
    counts = crossing_counts(np.clip(np.diff(table, axis=1), 0.0, 1.0))
    months = tuple(
        CrossingMonth(first, float(counts.expected[k]), int(counts.low[k]), int(counts.high[k]))
        for k, (first, _) in enumerate(ends)
    )
    past = float(table[:, 0].sum())
    notes = [
        _(
            "Every part counts with the one limit it is likeliest to pass, as it is now: nothing is replaced or "
            "cleaned."
        ),
        _("Parts are taken one by one; what wears many of them at once makes the true intervals wider."),
    ]
    if beyond:
        notes.append(
            _n(
                "For {n} parts the chances of the last months are drawn on beyond the dates that were told.",
                "For {n} parts the chances of the last months are drawn on beyond the dates that were told.",
                beyond,
            )
        )
    return CrossingsAhead(
        months=months,
        parts=len(tables),
        past_now=past,
        untold=len(parts) - len(tables),
        sentence=_ahead(months, len(tables), past, len(parts) - len(tables)),
        notes=tuple(notes),
    )


def coming_months(as_of: date, months: int = AHEAD) -> list[tuple[date, date]]:
    """Return first and last day of the months from the day after `as_of` on; the first may be the rest of one."""
    begin = as_of + timedelta(days=1)
    found = []
    for turn in range(begin.year * 12 + begin.month - 1, begin.year * 12 + begin.month - 1 + months):
        year, month = turn // 12, turn % 12 + 1
        found.append((date(year, month, 1), date(year, month, monthrange(year, month)[1])))
    return found


def _ahead(months: Sequence[CrossingMonth], parts: int, past: float, untold: int) -> str:
    if not parts:
        return _("No part has a forecast of the day it passes a limit.")
    soon = months[:3]
    text = _(
        "Of {parts} parts with a forecast {past} are expected to be past a limit already, and {more} more will pass "
        "one by the end of {month} if nothing is done",
        parts=number(parts),
        past=number_words(past),
        more=number_words(sum(one.expected for one in soon)),
        month=month_words(soon[-1].month),
    )
    if not untold:
        return f"{text}."
    silent = _n("{n} part with a limit has no forecast", "{n} parts with a limit have no forecast", untold)
    return f"{text}; {silent}."

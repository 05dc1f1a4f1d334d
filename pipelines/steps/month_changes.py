"""What is another way than last time, and what the data could not say, a line a reason."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

from pipelines.steps.month_book import Forecasts, pressing
from pipelines.steps.plan_words import part_words
from pipelines.steps.signals import SignalBudget
from wearlab.charts.words import dated, day_words, measure_words, position_words
from wearlab.forecast.states import without_left_out
from wearlab.language import _, _n, number
from wearlab.lives.usage import Usage
from wearlab.pack.first_page import ChangeRow
from wearlab.pack.order import urgency
from wearlab.pack.view import Unsaid
from wearlab.records import NoAnswer, State
from wearlab.store.database import Database

#: vehicles that a line names; of more only the number is told
_NAMED = 4


def changes_since(db: Database, run: int, as_of: date) -> date | None:
    """Return the day of the run whose states a run was compared with: the newest earlier day that was known to it."""
    found: date | None = db.value(
        "SELECT max(as_of) FROM run WHERE step = 'learn' AND as_of < ? AND run_id < ?", [as_of, run]
    )
    return found


def changes(forecasts: Forecasts) -> tuple[ChangeRow, ...]:
    """Return the parts whose state changed, a row a part and test, what got worse first, most pressing first."""
    moved: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in (row for rows in forecasts.values() for row in rows):
        if row["changed"] and row["state_before"]:
            moved.setdefault((row["measure"], row["protocol"]), []).append(row)
    rows = [_change(row) for own in moved.values() for row in pressing(own)]
    return tuple(
        sorted(rows, key=lambda one: (not one.worse, urgency(one.state), one.vehicle, len(one.position), one.subject))
    )


def _change(row: Mapping[str, Any]) -> ChangeRow:
    # "book after watch on 2026-09-30: a new test on 2026-10-12": states and day have columns of their own
    why = dated(str(row["changed"]).partition(": ")[2])
    return ChangeRow(
        vehicle=row["vehicle"],
        position=row["position"],
        subject=f"{position_words(row['position'])}, {measure_words(row['measure'])}, {row['protocol']}",
        state_before=str(row["state_before"]),
        state=str(row["state"]),
        worse=urgency(row["state"]) < urgency(row["state_before"]),
        why=f"{why[:1].upper()}{why[1:]}.",
    )


def changes_words(found: Sequence[ChangeRow], since: date | None) -> str:
    """Return the sentence above the list of changes."""
    if since is None:
        return _("No earlier month was learned, so that no change of state can be told.")
    if not found:
        return _("No part is in another state than on {day}.", day=day_words(since))
    worse = sum(one.worse for one in found)
    return _n(
        "{n} state is another than on {day}: {worse} more pressing, {better} less so.",
        "{n} states are another than on {day}: {worse} more pressing, {better} less so.",
        len(found),
        day=day_words(since),
        worse=number(worse),
        better=number(len(found) - worse),
    )


def unsaid(
    forecasts: Forecasts,
    usage: Mapping[str, Usage | NoAnswer],
    left_out: Iterable[tuple[str, str]],
    budget: SignalBudget,
) -> tuple[Unsaid, ...]:
    """Return what the data could not say: parts without an answer or a limit, unknown usage, vehicles not planned."""
    answers: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in (row for rows in forecasts.values() for row in rows):
        what = f"{measure_words(row['measure'])}, {row['protocol']}"
        if row["state"] == State.NO_ANSWER:
            answers.setdefault((what, _reason(row)), []).append(row)
        elif row["state"] == State.NO_LIMIT:
            answers.setdefault((what, _("No limit is configured: nothing can be booked by this test.")), []).append(row)
    found = [
        Unsaid(f"{what}: {_parts(rows)}", why, _only(row["vehicle"] for row in rows))
        for (what, why), rows in answers.items()
    ]
    silent: dict[str, list[str]] = {}
    for vehicle, told in usage.items():
        if isinstance(told, NoAnswer):
            silent.setdefault(_sentence(told.reason), []).append(vehicle)
    for vehicle, reason in left_out:
        silent.setdefault(_("Not planned: {reason}.", reason=dated(reason).rstrip(".")), []).append(vehicle)
    found += [Unsaid(_vehicles(names), why, _only(names)) for why, names in silent.items()]
    if not budget.groups:
        why = _("No group of tests has a wear model yet that a reading could depart from.")
        found.append(Unsaid(_("signals"), why))
    elif budget.limit is None:
        found.append(Unsaid(_("signals"), _("The budget of false signals is too small for any signal to be raised.")))
    return tuple(found)


def _reason(row: Mapping[str, Any]) -> str:
    """Why there is no answer; how many readings of the one part were left out stands on its own page."""
    return _sentence(without_left_out(str(row["no_answer"] or row["cause"])))


def _sentence(text: str) -> str:
    told = dated(text).rstrip(".")
    return f"{told[:1].upper()}{told[1:]}."


def _parts(rows: Sequence[Mapping[str, Any]]) -> str:
    places: dict[str, list[str]] = {}
    for row in rows:
        places.setdefault(row["vehicle"], []).append(row["position"])
    if len(places) <= _NAMED:
        return "; ".join(f"{vehicle} {part_words(own)}" for vehicle, own in sorted(places.items()))
    parts = sum(len(set(own)) for own in places.values())
    return _("{parts} parts of {vehicles} vehicles", parts=number(parts), vehicles=number(len(places)))


def _vehicles(names: Sequence[str]) -> str:
    return ", ".join(sorted(names)) if len(names) <= _NAMED else _n("{n} vehicle", "{n} vehicles", len(names))


def _only(names: Iterable[str]) -> str | None:
    found = set(names)
    return next(iter(found)) if len(found) == 1 else None

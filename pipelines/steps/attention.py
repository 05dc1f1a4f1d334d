"""What somebody has to act on: the rows of the attention list, as the page shows them and as they are printed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from pipelines.steps.part_states import PartKey, method_words
from wearlab.charts.series import MODEL
from wearlab.charts.words import level_words, limit_words, measure_words
from wearlab.config import Settings
from wearlab.language import _
from wearlab.pack.booking import Booking
from wearlab.pack.order import sort_attention
from wearlab.pack.view import Attention
from wearlab.records import State

#: states that somebody has to act on
_CALLS = (State.PAST_LIMIT, State.BOOK, State.TEST_AGAIN, State.WATCH)


def attention(
    rows: Sequence[dict[str, Any]], settings: Settings, states: Mapping[PartKey, dict[str, Any]], as_of: date
) -> tuple[Attention, ...]:
    """What somebody has to act on, most pressing first, one item a part (its most pressing measure).

    `states` is what the wear model says of each part.
    """
    sources = {rule.name: rule.source for rule in settings.limits}
    items = sort_attention(
        Attention(
            vehicle=row["vehicle"],
            position=row["position"],
            part=row["part"],
            state=row["state"],
            measure=row["measure"],
            protocol=row["protocol"],
            reason=reason(row),
            date_p10=row["date_p10"],
            date_p50=row["date_p50"],
            date_p90=row["date_p90"],
            odometer_p50_km=row["odometer_p50"],
            level=row["level"],
            level_low=row["level_low"],
            level_high=row["level_high"],
            unit=row["unit"],
            reference=_reference(row, states),
            limit=row["limit"],
            direction=row["direction"],
            rule=row["rule"],
            limit_version=row["limit_version"],
            limit_source=sources.get(row["rule"] or "", ""),
            last_test=row["last_test"],
            retest_by=row["retest_by"],
            no_answer=row["no_answer"],
            booking=_booking(row, as_of),
            changed=row["changed"] or "",
            retest_why=row["retest_why"] or "",
        )
        for row in rows
        if row["state"] in _CALLS
    )
    first: dict[tuple[str, str], Attention] = {}
    for item in items:
        first.setdefault((item.vehicle, item.part), item)
    return tuple(first.values())


def _reference(row: dict[str, Any], states: Mapping[PartKey, dict[str, Any]]) -> str:
    found = states.get((row["part"], row["measure"], row["protocol"]))
    return "" if found is None or method_words(row["method"]) != MODEL else str(found["reference"])


def _booking(row: dict[str, Any], as_of: date) -> str:
    told = Booking.of_row(row, as_of)
    return told.advice if told.booking else ""


def reason(row: dict[str, Any]) -> str:
    """Why a part is on the list, as one sentence."""
    return f"{row['cause'][:1].upper()}{row['cause'][1:]}."


def attention_row(item: Attention, as_of: date) -> dict[str, Any]:
    """One attention item as it is printed and handed on as JSON."""
    return {
        "vehicle": item.vehicle,
        "position": item.position,
        "part": item.part,
        "state": item.state,
        "measure": item.measure,
        "protocol": item.protocol,
        "date_p10": item.date_p10,
        "date_p50": item.date_p50,
        "date_p90": item.date_p90,
        "when": when(item, as_of),
        "reason": item.reason,
        "sentence": sentence(item),
        "rule": item.rule,
        "limit": item.limit,
        "limit_version": item.limit_version,
        "unit": item.unit,
        "level": item.level,
        "level_low": item.level_low,
        "level_high": item.level_high,
        "retest_by": item.retest_by,
        "retest_why": item.retest_why,
        "last_test": item.last_test,
        "booking": item.booking,
        "changed": item.changed,
    }


def sentence(item: Attention) -> str:
    """An item with its measure, reason, level and limit, as one line of text."""
    text = f"{measure_words(item.measure)}, {item.protocol}: {item.reason[:1].lower()}{item.reason[1:]}"
    if item.level is None or item.limit is None:
        return text
    places = {"level": f"{level_words(item.level)} {item.unit}", "limit": limit_words(item.limit)}
    if item.direction == "above":
        return text + " " + _("Level {level}, limit at most {limit}.", **places)
    return text + " " + _("Level {level}, limit at least {limit}.", **places)


def when(item: Attention, as_of: date) -> str:
    """The day a list shows for an item: when it crosses, or when to test it."""
    if item.state == State.PAST_LIMIT:
        return _("now")
    if item.state == State.TEST_AGAIN:
        return _("test by {day}", day=(item.retest_by or as_of).isoformat())
    if item.date_p50 is None:
        return _("no date")
    if item.date_p50 <= as_of:
        return _("most likely past by now")
    return _("most likely past on {day}", day=item.date_p50.isoformat())

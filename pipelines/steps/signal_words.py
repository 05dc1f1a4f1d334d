"""Signals in plain words: what happened, what to check first, what to ask."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from wearlab.charts.words import levels_words, measure_words, month_words, position_words
from wearlab.control.cause_size import RATES
from wearlab.language import _, localised, msg, number
from wearlab.records import PUMP, Measure

#: the side on which a new part reads: below for leakage and rise time, above for pressures
_LOW_WHEN_NEW = (Measure.RETURN_FLOW, Measure.PUMP_RISE)
_HIGH_WHEN_NEW = (Measure.PUMP_PEAK, Measure.PUMP_HOLD)

#: causes that several vehicles share
SHARED = ("rig", "tube", "depot", "month")

#: what happened, by the kind of cause; a change of wear also by its pace
_PART = {
    "reading": msg("one reading of {part} off by {size}"),
    "step": msg("a step of {part} by {size}"),
    "wear": msg("{part} wears at another rate: {size}"),
    "wear faster": msg("{part} wears faster: {size}"),
    "wear slower": msg("{part} wears slower: {size}"),
    "visit": msg("{part} off at one visit by {size} on average"),
    "vehicle": msg("{part} moved by {size} on average"),
}
_PUMP = {
    "reading": msg("one reading of the pump off by {size}"),
    "step": msg("a step of the pump by {size}"),
    "wear": msg("the pump wears at another rate: {size}"),
    "wear faster": msg("the pump wears faster: {size}"),
    "wear slower": msg("the pump wears slower: {size}"),
}
_SET = {
    "visit": msg("all parts tested off at one visit by {size} on average"),
    "vehicle": msg("all parts tested moved by {size} on average"),
}
_SHARED = {
    "rig": msg("rig {rig} reads off by {size} on {vehicles} vehicles"),
    "tube": msg("tube {tube} of rig {rig} reads off by {size} on {vehicles} vehicles"),
    "depot": msg("the vehicles of depot {depot} read off by {size} on {vehicles} vehicles"),
    "month": msg("the tests of depot {depot} off by {size} on {vehicles} vehicles"),
}

_CHECK_INJECTOR = {
    "reading": msg(
        "The test before the part: hose and tube of that reading, air in the hose, readings noted for the wrong "
        "cylinder."
    ),
    "step": msg(
        "The part: read it once more to be sure, then look at its return connection and seal and for a fault code "
        "of that cylinder."
    ),
    "wear": msg(
        "The part and what reaches it: water or dirt in the fuel, the filter; then test it sooner than planned."
    ),
}
_CHECK_PUMP = {
    "reading": msg(
        "The test before the pump: supply pressure, air in the supply, the gauge and its connection, the closed volume."
    ),
    "step": msg("Supply and filter first: a starved pump reads like a worn one. Then the pump and its metering valve."),
    "wear": msg("Supply, filter and dirt in the fuel; then test the pump sooner than planned."),
}
_CHECK_SET = {
    "visit": msg(
        "The test of that day: fuel temperature, speed or commanded pressure, and whether the procedure was kept."
    ),
    "vehicle": msg("What all parts share: fuel and filter, water or dirt in the tank, damage to the whole set."),
    "rig": msg(
        "The rig: its self-check, gauge and tubes against a measured volume; then have it calibrated and note it."
    ),
    "tube": msg("That tube and its hose: run a measured volume into it, or swap it with its neighbour."),
    "depot": msg(
        "What the depot's vehicles share since then: fuel delivered, its filter and tank, who tests them and how."
    ),
    "month": msg("What those tests shared: the fuel delivered then, its temperature, how and by whom they were made."),
}
_CHECK_LESS_WEAR = msg("The record: a part replaced or cleaned and not noted, or earlier readings that were too high.")


def where_words(cause: Mapping[str, Any]) -> str:
    """The part of a cause, or all parts that were tested; of a shared one the rig, tube or depot."""
    kind, position = cause["kind"], cause["position"]
    if kind in SHARED:
        if kind in ("month", "depot"):
            return _("depot {depot}", depot=cause["depot"])
        if kind == "rig":
            return _("rig {rig}", rig=cause["rig"])
        return _("tube {tube} of rig {rig}", tube=cause["channel"], rig=cause["rig"])
    return _("all parts tested") if position is None else position_words(str(position))


def size_words(cause: Mapping[str, Any]) -> str:
    """How large a cause is, in its unit and in per cent, with the 90 % interval in brackets."""
    words, percent = _signed(cause), cause["percent"]
    if len(words) == 3:
        text = _("{size} {unit} ({low} to {high})", size=words[0], unit=cause["unit"], low=words[1], high=words[2])
    else:
        text = size_alone(cause)
    if percent is None or not words:
        return text
    told = localised(f"{percent:+.0f}")
    if cause["kind"] in RATES:
        return _("{size}, {percent} % of the family's usual rate", size=text, percent=told)
    return f"{text}, {told} %"


def size_alone(cause: Mapping[str, Any]) -> str:
    """How large a cause is in its unit, without an interval."""
    words = _signed(cause)
    if not words:
        return _("of a size that cannot be told in the unit of the readings")
    return f"{words[0]} {cause['unit']}"


def _signed(cause: Mapping[str, Any]) -> list[str]:
    """The size and, where they are known, its ends; nothing where it cannot be told."""
    if cause["size"] is None:
        return []
    ends = [cause[name] for name in ("size", "size_low", "size_high") if cause[name] is not None]
    return [f"{'+' if value >= 0 else '-'}{text}" for value, text in zip(ends, _plain_sizes(ends), strict=True)]


def since_words(cause: Mapping[str, Any]) -> str:
    """When a cause began, or which visit it was."""
    first, last = cause["onset_early"], cause["onset_late"]
    if cause["kind"] == "month":
        return _("in {month}", month=month_words(cause["onset_on"]))
    if cause["kind"] in ("reading", "visit"):
        if first == last:
            return _("on {day}", day=cause["onset_on"])
        return _("on {day}, or another visit from {first} to {last}", day=cause["onset_on"], first=first, last=last)
    if first == last:
        return _("since {day}", day=last)
    return _("since some day between {first} and {last}", first=first, last=last)


def what_words(cause: Mapping[str, Any]) -> str:
    """A cause as one sentence: what, where, how large, since when."""
    kind, position = str(cause["kind"]), cause["position"]
    if kind in SHARED:
        told = _(
            _SHARED[kind],
            rig=cause["rig"],
            tube=cause["channel"],
            depot=cause["depot"],
            size=size_words(cause),
            vehicles=cause["vehicles"],
        )
    else:
        what = _pace(cause) if kind == "wear" else kind
        table = _SET if position is None else _PUMP if position == PUMP else _PART
        told = _(table.get(what, _PART[what]), part=where_words(cause), size=size_words(cause))
    return f"{told}, {since_words(cause)}"


def first_check(signal: Mapping[str, Any]) -> str:
    """What to check first, by the best cause."""
    kind = str(signal["kind"])
    if kind in _CHECK_SET:
        return _(_CHECK_SET[kind])
    better = replaced_unrecorded(str(signal["measure"]), kind, signal["position"], signal["size"] or 0.0)
    if better is not None or (kind == "wear" and _improves(str(signal["measure"]), signal["size"] or 0.0)):
        return _(_CHECK_LESS_WEAR)
    table = _CHECK_PUMP if signal["position"] == PUMP else _CHECK_INJECTOR
    return _(table[kind]) if kind in table else ""


def heading(signal: Mapping[str, Any]) -> str:
    """Vehicle and part, or what vehicles share, and the test of a signal."""
    where = where_words(signal)
    of = where[:1].upper() + where[1:] if signal["vehicle"] is None else f"{signal['vehicle']}, {where}"
    return f"{of}: {measure_words(str(signal['measure']))}, {signal['protocol']}"


def replaced_unrecorded(measure: str, kind: str, position: str | None, size: float) -> str | None:
    """The question that a step towards a new part's reading asks, None where it asks none."""
    if kind != "step" or position is None or not _improves(measure, size):
        return None
    if position == PUMP:
        return _("was the pump replaced or cleaned and not recorded?")
    return _("was {part} replaced or cleaned and not recorded?", part=position_words(position))


def note_hint(signal: Mapping[str, Any]) -> str:
    """The command that records the part replaced, for the question above."""
    steps = [one for one in (signal, *signal["alternatives"]) if one["question"] and one["kind"] == "step"]
    return f"wearlab note {signal['vehicle']} replacement --position {steps[0]['position']} --on DATE" if steps else ""


def _improves(measure: str, size: float) -> bool:
    return (measure in _LOW_WHEN_NEW and size < 0) or (measure in _HIGH_WHEN_NEW and size > 0)


def _pace(cause: Mapping[str, Any]) -> str:
    percent = cause["percent"]
    if percent is None:
        return "wear"
    return "wear faster" if percent > 0 else "wear slower"


def _plain_sizes(values: list[float]) -> tuple[str, ...]:
    """Sizes that belong together with digits for the smallest change that matters."""
    sizes = [abs(value) for value in values]
    if max(sizes) < 0.1:
        return tuple(number(value, 3) for value in sizes)
    return levels_words(*sizes)

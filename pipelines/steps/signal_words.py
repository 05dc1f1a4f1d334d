"""Signals in plain words: what happened, what to check first, what to ask."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from wearlab.charts.words import levels_words, measure_words, month_words, position_words
from wearlab.control.cause_size import RATES
from wearlab.records import PUMP, Measure

#: the side on which a new part reads: below for leakage and rise time, above for pressures
_LOW_WHEN_NEW = (Measure.RETURN_FLOW, Measure.PUMP_RISE)
_HIGH_WHEN_NEW = (Measure.PUMP_PEAK, Measure.PUMP_HOLD)

#: causes that several vehicles share
SHARED = ("rig", "tube", "depot", "month")

_KINDS = {
    "reading": "one reading off",
    "step": "a step of one part",
    "wear": "another rate of wear",
    "visit": "one visit off as a whole",
    "vehicle": "a change of the whole vehicle",
    "rig": "a rig that reads off",
    "tube": "a tube that reads off",
    "depot": "a change of a depot's vehicles",
    "month": "a month's tests off at one depot",
}

_CHECK_INJECTOR = {
    "reading": "The test before the part: hose and tube of that reading, air in the hose, readings noted for the wrong "
    "cylinder.",
    "step": "The part: read it once more to be sure, then look at its return connection and seal and for a fault code "
    "of that cylinder.",
    "wear": "The part and what reaches it: water or dirt in the fuel, the filter; then test it sooner than planned.",
}
_CHECK_PUMP = {
    "reading": "The test before the pump: supply pressure, air in the supply, the gauge and its connection, the closed "
    "volume.",
    "step": "Supply and filter first: a starved pump reads like a worn one. Then the pump and its metering valve.",
    "wear": "Supply, filter and dirt in the fuel; then test the pump sooner than planned.",
}
_CHECK_SET = {
    "visit": "The test of that day: fuel temperature, speed or commanded pressure, and whether the procedure was kept.",
    "vehicle": "What all parts share: fuel and filter, water or dirt in the tank, damage to the whole set.",
    "rig": "The rig: its self-check, gauge and tubes against a measured volume; then have it calibrated and note it.",
    "tube": "That tube and its hose: run a measured volume into it, or swap it with its neighbour.",
    "depot": "What the depot's vehicles share since then: fuel delivered, its filter and tank, who tests them and how.",
    "month": "What those tests shared: the fuel delivered then, its temperature, how and by whom they were made.",
}
_CHECK_LESS_WEAR = "The record: a part replaced or cleaned and not noted, or earlier readings that were too high."


def where_words(cause: Mapping[str, Any]) -> str:
    """The part of a cause, or all parts that were tested; of a shared one the rig, tube or depot."""
    kind, position = cause["kind"], cause["position"]
    if kind in SHARED:
        rig = f"rig {cause['rig']}"
        return (
            f"depot {cause['depot']}"
            if kind in ("month", "depot")
            else rig
            if kind == "rig"
            else f"tube {cause['channel']} of {rig}"
        )
    return "all parts tested" if position is None else position_words(str(position))


def _in_sentence(position: str) -> str:
    return "the pump" if position == PUMP else position_words(position)


def size_words(cause: Mapping[str, Any]) -> str:
    """How large a cause is, in its unit and in per cent, with the 90 % interval in brackets."""
    size, low, high = cause["size"], cause["size_low"], cause["size_high"]
    if size is None:
        return "of a size that cannot be told in the unit of the readings"
    ends = [value for value in (size, low, high) if value is not None]
    words = [f"{'+' if value >= 0 else '-'}{text}" for value, text in zip(ends, _plain_sizes(ends), strict=True)]
    text = f"{words[0]} {cause['unit']}"
    if len(words) == 3:
        text += f" ({words[1]} to {words[2]})"
    percent = cause["percent"]
    if percent is not None:
        of = "of the family's usual rate" if cause["kind"] in RATES else ""
        text += f", {percent:+.0f} % {of}".rstrip()
    return text


def since_words(cause: Mapping[str, Any]) -> str:
    """When a cause began, or which visit it was."""
    first, last = cause["onset_early"], cause["onset_late"]
    if cause["kind"] == "month":
        return f"in {month_words(cause['onset_on'])}"
    if cause["kind"] in ("reading", "visit"):
        return f"on {cause['onset_on']}" + ("" if first == last else f", or another visit from {first} to {last}")
    if first == last:
        return f"since {last}"
    return f"since some day between {first} and {last}"


def what_words(cause: Mapping[str, Any]) -> str:
    """A cause as one sentence: what, where, how large, since when."""
    kind, position = str(cause["kind"]), cause["position"]
    where = where_words(cause) if position is None else _in_sentence(str(position))
    verb = {
        "reading": f"one reading of {where} off by {size_words(cause)}",
        "step": f"a step of {where} by {size_words(cause)}",
        "wear": f"{where} wears {_pace(cause)}: {size_words(cause)}",
        "visit": f"{where} off at one visit by {size_words(cause)} on average",
        "vehicle": f"{where} moved by {size_words(cause)} on average",
        "rig": f"{where} reads off by {size_words(cause)}",
        "tube": f"{where} reads off by {size_words(cause)}",
        "depot": f"the vehicles of {where} read off by {size_words(cause)}",
        "month": f"the tests of {where} off by {size_words(cause)}",
    }[kind]
    if kind in SHARED:
        verb += f" on {cause['vehicles']} vehicles"
    return f"{verb}, {since_words(cause)}"


def first_check(signal: Mapping[str, Any]) -> str:
    """What to check first, by the best cause."""
    kind = str(signal["kind"])
    if kind in _CHECK_SET:
        return _CHECK_SET[kind]
    better = replaced_unrecorded(str(signal["measure"]), kind, signal["position"], signal["size"] or 0.0)
    if better is not None or (kind == "wear" and _improves(str(signal["measure"]), signal["size"] or 0.0)):
        return _CHECK_LESS_WEAR
    table = _CHECK_PUMP if signal["position"] == PUMP else _CHECK_INJECTOR
    return table.get(kind, "")


def heading(signal: Mapping[str, Any]) -> str:
    """Vehicle and part, or what vehicles share, and the test of a signal."""
    where = where_words(signal)
    of = where[:1].upper() + where[1:] if signal["vehicle"] is None else f"{signal['vehicle']}, {where}"
    return f"{of}: {measure_words(str(signal['measure']))}, {signal['protocol']}"


def replaced_unrecorded(measure: str, kind: str, position: str | None, size: float) -> str | None:
    """The question that a step towards a new part's reading asks, None where it asks none."""
    if kind != "step" or position is None or not _improves(measure, size):
        return None
    return f"was {_in_sentence(position)} replaced or cleaned and not recorded?"


def note_hint(signal: Mapping[str, Any]) -> str:
    """The command that records the part replaced, for the question above."""
    steps = [one for one in (signal, *signal["alternatives"]) if one["question"] and one["kind"] == "step"]
    return f"wearlab note {signal['vehicle']} replacement --position {steps[0]['position']} --on DATE" if steps else ""


def _improves(measure: str, size: float) -> bool:
    return (measure in _LOW_WHEN_NEW and size < 0) or (measure in _HIGH_WHEN_NEW and size > 0)


def _pace(cause: Mapping[str, Any]) -> str:
    percent = cause["percent"]
    if percent is None:
        return "at another rate"
    return "faster" if percent > 0 else "slower"


def _plain_sizes(values: list[float]) -> tuple[str, ...]:
    """Sizes that belong together with digits for the smallest change that matters."""
    sizes = [abs(value) for value in values]
    if max(sizes) < 0.1:
        return tuple(f"{value:.3f}" for value in sizes)
    return levels_words(*sizes)

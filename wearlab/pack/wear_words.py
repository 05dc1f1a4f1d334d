"""What the wear model found in a group, in words and rows of finished text, shared by terminal and page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, isfinite, log10

from wearlab.charts.series import GROSS
from wearlab.charts.words import bound_words, day_words, position_words
from wearlab.pack.wear import GrossReading, WearEffect, WearGroup

#: a weight below this is not named
_NO_WEIGHT = 0.005

#: kinds of effects in the order they are told, with the heading and what a reader needs to know
_KINDS = (
    ("rate", "Rate of wear", "Of the average part of a family."),
    ("level", "Level when new", "Of the average part of a family, at the beginning of its life."),
    ("exponent", "Condition exponents", "A reading follows a condition to this power; the note says what was assumed."),
    ("factor", "Season and fuel", "How far they move a reading."),
    ("event", "Settled events", "How far a reading stood from today's level before the event."),
    ("offset", "Rigs and their calibrations", "How far a rig reads off the one most used."),
    ("spread", "Spread", "Standard deviations."),
)  # fmt: skip

#: kinds of which only what can be told from nothing is listed one by one
_BRIEF = ("offset",)


@dataclass(frozen=True, slots=True)
class EffectRow:
    """One effect as text."""

    name: str
    estimate: str
    between: str
    note: str


@dataclass(frozen=True, slots=True)
class EffectTable:
    """The effects of one kind; `note` explains them, `rest` counts those that are not listed."""

    title: str
    note: str
    rows: tuple[EffectRow, ...]
    rest: str = ""


def effect_tables(group: WearGroup) -> tuple[EffectTable, ...]:
    """Return the tables of a group, without empty ones; an unknown kind comes last under its own name."""
    known = [kind for kind, _, _ in _KINDS]
    others = sorted({effect.kind for effect in group.effects} - set(known))
    made = []
    for kind, title, note in (*_KINDS, *((kind, kind.capitalize(), "") for kind in others)):
        effects = [effect for effect in group.effects if effect.kind == kind]
        shown = [effect for effect in effects if kind not in _BRIEF or told_from_zero(effect)]
        left = len(effects) - len(shown)
        rest = ""
        if left:
            rest = f"{left} {'more' if shown else 'of them'} cannot be told from zero."
        if shown or rest:
            made.append(EffectTable(title, note, tuple(_row(effect) for effect in shown), rest))
    return tuple(made)


def told_from_zero(effect: WearEffect) -> bool:
    """Return whether the interval of an effect leaves zero out."""
    return effect.low is not None and effect.high is not None and (effect.low > 0 or effect.high < 0)


def scale_words(group: WearGroup) -> str:
    """Return which working scales the group was fitted on, as sentences."""
    if group.scale is None:
        return f"The wear model has no answer for this group: {_stopped(group.scale_note)}"
    if group.scale_note:
        sentences = [_stopped(group.scale_note[:1].upper() + group.scale_note[1:])]
        return " ".join([*sentences, *_unsure(group)])
    weights = [(name, weight) for name, weight in group.scale_weights if weight >= _NO_WEIGHT]
    if len(weights) > 1:
        told = "Working scales and their weights: " + ", ".join(f"{name} {weight:.2f}" for name, weight in weights)
    else:
        told = f"Working scale: {weights[0][0] if weights else group.scale}"
    return " ".join([f"{told}.", *_unsure(group)])


def _unsure(group: WearGroup) -> list[str]:
    return ["The fit did not converge: take its figures with care."] if group.status == "not converged" else []


def gross_words(z: float, weight: float) -> str:
    """Return how far a gross error lies off and what it still counts."""
    side = "above" if z > 0 else "below"
    counts = "not counted" if weight < _NO_WEIGHT else f"counted {weight:.0%}"
    return f"{abs(z):.1f} sd {side} what the other readings lead to expect, {counts}"


def gross_sentence(one: GrossReading, unit: str) -> str:
    """Return a gross error with the test, the part and its size."""
    reading = bound_words(one.level, one.bound, unit)
    where = f"{one.vehicle} {position_words(one.position)} ({one.part})"
    return f"{where} on {day_words(one.tested_on)}: {reading}, {gross_words(one.z, one.weight)}"


def gross_heading(group: WearGroup) -> str:
    """Return the heading over a group's gross errors."""
    count = len(group.gross)
    return f"1 {GROSS}" if count == 1 else f"{count} {GROSS}s"


def figures(value: float | None, *ends: float | None) -> tuple[str, ...]:
    """Return a value with three figures and its ends with as many decimals; a dash for what there is not."""
    known = [abs(number) for number in (value, *ends) if number is not None and isfinite(number)]
    largest = max(known, default=0.0)
    # a value next to nothing between wide ends is not told finer than these deserve
    size = min(largest, 20.0 * abs(value)) if value else largest
    decimals = max(2 - floor(log10(size)), 0) if size > 0 else 0
    return tuple("–" if number is None else f"{number:,.{decimals}f}" for number in (value, *ends))


def figure(value: float | None) -> str:
    """Return a number with three figures; a dash where there is none."""
    return figures(value)[0]


def rate_words(low: float | None, value: float | None, high: float | None) -> tuple[str, str]:
    """Return a rate, and "0.49 to 0.80" for its interval, empty where an end is missing."""
    if low is None or high is None:
        return figure(value), ""
    told = figures(value, low, high)
    return told[0], f"{told[1]} to {told[2]}"


def notes_of(group: WearGroup) -> Sequence[str]:
    """Return a group's notes as sentences, each once."""
    told = [_stopped(note[:1].upper() + note[1:]) for note in dict.fromkeys(group.notes) if note]
    if group.eased:
        told.append(
            f"{group.eased} {'reading lies' if group.eased == 1 else 'readings lie'} about 3 sd off "
            f"and {'counts' if group.eased == 1 else 'count'} a little less."
        )
    # the choice of the working scale stands at the top already
    return [note for note in told if note != _stopped(group.scale_note[:1].upper() + group.scale_note[1:])]


def _row(effect: WearEffect) -> EffectRow:
    numbers = (effect.estimate, effect.low, effect.high)
    if effect.unit.startswith("%"):
        # a spread and the swing of a season have a size and no side
        sign = "" if effect.kind == "spread" or effect.name == "season" else "+"
        told = tuple("–" if number is None else f"{number:{sign}.1f}" for number in numbers)
    else:
        told = figures(*numbers)
    unit = effect.unit if effect.estimate is not None else ""
    between = "–" if effect.low is None or effect.high is None else f"{told[1]} to {told[2]}"
    # what the heading of a table says is not said again in every row
    note = "" if effect.kind == "level" else effect.note
    return EffectRow(effect.name or "all vehicles", f"{told[0]} {unit}".strip(), between, note)


def _stopped(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."

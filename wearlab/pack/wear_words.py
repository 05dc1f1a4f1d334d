"""What the wear model found in a group, in words and rows of finished text, shared by terminal and page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, isfinite, log10

from wearlab.charts.words import bound_words, day_words, position_words
from wearlab.language import _, _n, msg, number, percent
from wearlab.pack.wear import GrossReading, WearEffect, WearGroup
from wearlab.wear.scale import scale_words as told_scale

#: a weight below this is not named
_NO_WEIGHT = 0.005

#: kinds of effects in the order they are told, with the heading and what a reader needs to know
_KINDS = (
    ("rate", msg("Rate of wear"), msg("Of the average part of a family.")),
    ("level", msg("Level when new"), msg("Of the average part of a family, at the beginning of its life.")),
    (
        "exponent", msg("Condition exponents"),
        msg("A reading follows a condition to this power; the note says what was assumed."),
    ),
    ("factor", msg("Season and fuel"), msg("How far they move a reading.")),
    ("event", msg("Settled events"), msg("How far a reading stood from today's level before the event.")),
    ("offset", msg("Rigs and their calibrations"), msg("How far a rig reads off the one most used.")),
    ("spread", msg("Spread"), msg("Standard deviations.")),
)  # fmt: skip

#: the swing of the season, which has a size and no side
_SEASON = msg("season")

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
    known = [kind for kind, *rest in _KINDS]
    others = sorted({effect.kind for effect in group.effects} - set(known))
    made = []
    for kind, title, note in (*_KINDS, *((kind, kind.capitalize(), "") for kind in others)):
        effects = [effect for effect in group.effects if effect.kind == kind]
        shown = [effect for effect in effects if kind not in _BRIEF or told_from_zero(effect)]
        left = len(effects) - len(shown)
        rest = ""
        if left:
            rest = _rest(left, others=bool(shown))
        if shown or rest:
            rows = tuple(_row(effect) for effect in shown)
            made.append(EffectTable(_(title), _(note) if note else "", rows, rest))
    return tuple(made)


def _rest(count: int, *, others: bool) -> str:
    if others:
        return _n("{n} more cannot be told from zero.", "{n} more cannot be told from zero.", count)
    return _n("{n} of them cannot be told from zero.", "{n} of them cannot be told from zero.", count)


def told_from_zero(effect: WearEffect) -> bool:
    """Return whether the interval of an effect leaves zero out."""
    return effect.low is not None and effect.high is not None and (effect.low > 0 or effect.high < 0)


def scale_words(group: WearGroup) -> str:
    """Return which working scales the group was fitted on, as sentences."""
    if group.scale is None:
        return _("The wear model has no answer for this group: {reason}", reason=_stopped(group.scale_note))
    if group.scale_note:
        sentences = [_stopped(group.scale_note[:1].upper() + group.scale_note[1:])]
        return " ".join([*sentences, *_unsure(group)])
    weights = [(name, weight) for name, weight in group.scale_weights if weight >= _NO_WEIGHT]
    if len(weights) > 1:
        scales = ", ".join(f"{told_scale(name)} {number(weight, 2)}" for name, weight in weights)
        told = _("Working scales and their weights: {scales}.", scales=scales)
    else:
        told = _("Working scale: {scale}.", scale=told_scale(weights[0][0] if weights else group.scale))
    return " ".join([told, *_unsure(group)])


def _unsure(group: WearGroup) -> list[str]:
    return [_("The fit did not converge: take its figures with care.")] if group.status == "not converged" else []


def gross_words(z: float, weight: float) -> str:
    """Return how far a gross error lies off and what it still counts."""
    size = number(abs(z), 1)
    if z > 0:
        side = _("{size} sd above what the other readings lead to expect", size=size)
    else:
        side = _("{size} sd below what the other readings lead to expect", size=size)
    counts = _("not counted") if weight < _NO_WEIGHT else _("counted {share}", share=percent(weight))
    return f"{side}, {counts}"


def gross_sentence(one: GrossReading, unit: str) -> str:
    """Return a gross error with the test, the part and its size."""
    reading = bound_words(one.level, one.bound, unit)
    return _(
        "{vehicle} {position} ({part}) on {day}: {reading}, {size}",
        vehicle=one.vehicle, position=position_words(one.position), part=one.part, day=day_words(one.tested_on),
        reading=reading, size=gross_words(one.z, one.weight),
    )  # fmt: skip


def gross_heading(group: WearGroup) -> str:
    """Return the heading over a group's gross errors."""
    return _n("{n} gross error", "{n} gross errors", len(group.gross))


def figures(value: float | None, *ends: float | None) -> tuple[str, ...]:
    """Return a value with three figures and its ends with as many decimals; a dash for what there is not."""
    known = [abs(one) for one in (value, *ends) if one is not None and isfinite(one)]
    largest = max(known, default=0.0)
    # a value next to nothing between wide ends is not told finer than these deserve
    size = min(largest, 20.0 * abs(value)) if value else largest
    decimals = max(2 - floor(log10(size)), 0) if size > 0 else 0
    return tuple("–" if one is None else number(one, decimals) for one in (value, *ends))


def figure(value: float | None) -> str:
    """Return a number with three figures; a dash where there is none."""
    return figures(value)[0]


def rate_words(low: float | None, value: float | None, high: float | None) -> tuple[str, str]:
    """Return a rate, and "0.49 to 0.80" for its interval, empty where an end is missing."""
    if low is None or high is None:
        return figure(value), ""
    told = figures(value, low, high)
    return told[0], _("{low} to {high}", low=told[1], high=told[2])


def notes_of(group: WearGroup) -> Sequence[str]:
    """Return a group's notes as sentences, each once."""
    told = [_stopped(note[:1].upper() + note[1:]) for note in dict.fromkeys(group.notes) if note]
    if group.eased:
        told.append(
            _n(
                "{n} reading lies about 3 sd off and counts a little less.",
                "{n} readings lie about 3 sd off and count a little less.",
                group.eased,
            )
        )
    # the choice of the working scale stands at the top already
    return [note for note in told if note != _stopped(group.scale_note[:1].upper() + group.scale_note[1:])]


def _row(effect: WearEffect) -> EffectRow:
    values = (effect.estimate, effect.low, effect.high)
    if effect.unit.startswith("%"):
        # a spread and the swing of a season have a size and no side
        sign = effect.kind != "spread" and effect.name != _SEASON
        told = tuple("–" if value is None else number(value, 1, sign=sign) for value in values)
    else:
        told = figures(*values)
    unit = effect.unit if effect.estimate is not None else ""
    known = effect.low is not None and effect.high is not None
    between = _("{low} to {high}", low=told[1], high=told[2]) if known else "–"
    # what the heading of a table says is not said again in every row
    note = "" if effect.kind == "level" or not effect.note else _(effect.note)
    return EffectRow(_(effect.name) if effect.name else _("all vehicles"), f"{told[0]} {unit}".strip(), between, note)


def _stopped(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."

"""What a comparison says in sentences: the answer first, then what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from wearlab.charts.words import dated, day_words, km_words, level_words, measure_words, position_words

if TYPE_CHECKING:
    from pipelines.steps.compare import Comparison, GroupComparison, PlaceChange
    from wearlab.control.comparison import Change


def answer(found: Comparison) -> str:
    """Return the one plain sentence."""
    event = _event(found)
    told = [(group, place) for group in found.groups for place in group.places if place.change is not None]
    if not told:
        why = next((place.no_answer for group in found.groups for place in group.places), None)
        return (
            f"Whether {event} changed the level cannot be told: {why or 'no group of tests has readings of that part'}."
        )
    group, place = _strongest(told)
    change = place.change
    if change is None:
        raise ValueError("a place without an answer was chosen")
    what = f"{measure_words(group.measure)} ({group.protocol})"
    where = "the typical part" if place.position == "set" else position_words(place.position)
    if not change.shown:
        return (
            f"No change is shown after {event}: {where}, {what}, {_by(change, group.unit)}; these tests could have "
            f"shown {level_words(change.smallest, group.unit)} or more."
        )
    verb = "lower" if change.change.high < 0 else "higher"
    return (
        f"After {event} the {what} of {where} is {verb} by {level_words(abs(change.change.point), group.unit)} "
        f"({abs(change.percent.point):.0f} %) than it would be without: 9 in 10 between {_ends(change, group.unit)}."
    )


def about_test(group: GroupComparison) -> list[str]:
    """Return what the figures of one group rest on."""
    told = []
    named = [place for place in group.places if place.position != "set" and place.change is not None]
    for place in named:
        change = place.change
        if change is None:
            continue
        back = change.given_back
        lead = f"{position_words(place.position)}: " if len(named) > 1 else ""
        chosen = "a test with a complaint, chosen because it was bad" if group.chosen else "the last test before"
        told.append(
            f"{lead}{chosen}, read {level_words(change.reading_before, group.unit)}; all tests put the level then at "
            f"{level_words(change.level_then, group.unit)}, so {_itself(back, group.unit)}: the change is counted from "
            f"that level and its own wear since, not from the one reading"
        )
    if named and (first := named[0].change) is not None:
        told.append(
            f"one reading scatters by {level_words(first.repeatability, group.unit)} (sd) about its part's level"
        )
    if group.control and named and group.measure == "return_flow":
        told.append(
            "the other parts of the set, read at the same visits, are the control: what they share is no change"
        )
    return [*told, *group.notes]


def comeback_words(found: Comparison) -> list[str]:
    """Return one sentence on returns after the event."""
    if found.within_days is None and found.within_km is None:
        count = len(found.returns)
        if not count:
            return ["Since then no complaint, no repeated work and no failure on the road is recorded."]
        return [
            f"Since then the vehicle came back {count} time{'s' if count > 1 else ''}; state what counts as a comeback "
            "with --within-days and --within-km."
        ]
    bounds = [] if found.within_days is None else [f"{found.within_days} days"]
    bounds += [] if found.within_km is None else [km_words(found.within_km)]
    inside = [one for one in found.returns if one.within]
    unknown = [one for one in found.returns if one.within is None]
    lead = f"Within {' and '.join(bounds)}"
    words = (
        f"{lead} the vehicle did not come back."
        if not inside
        else f"{lead} it came back {len(inside)} time{'s' if len(inside) > 1 else ''}: {inside[0].reason}."
    )
    rest = f" {len(unknown)} return(s) have no known distance and were not judged." if unknown else ""
    over = None
    if found.after is not None and found.within_days is not None:
        over = (found.as_of - found.after).days
    open_words = (
        "" if over is None or found.within_days is None or over >= found.within_days else " The time is not over yet."
    )
    return [words + rest + open_words]


def _event(found: Comparison) -> str:
    if found.done:
        return "the " + " and the ".join(dated(one.words) for one in found.done)
    days = f"{day_words(found.before)} and {day_words(found.after)}"
    return f"what happened between {days} (no work is recorded between)"


def _strongest(told: list[tuple[GroupComparison, PlaceChange]]) -> tuple[GroupComparison, PlaceChange]:
    """The place whose change stands out most against what its tests could show."""

    def size(pair: tuple[GroupComparison, PlaceChange]) -> float:
        change = pair[1].change
        return 0.0 if change is None or not change.smallest > 0 else abs(change.change.point) / change.smallest

    return max(told, key=size)


def _by(change: Change, unit: str) -> str:
    point, low, high = change.change.point, change.change.low, change.change.high
    return f"{_signed(point)} {unit}, 9 in 10 between {_signed(low)} and {_signed(high)} {unit}"


def _signed(value: float) -> str:
    return f"{'+' if value >= 0 else '-'}{level_words(abs(value))}"


def _ends(change: Change, unit: str) -> str:
    low, high = sorted((abs(change.change.low), abs(change.change.high)))
    return f"{level_words(low)} and {level_words(high, unit)}"


def _itself(back: float, unit: str) -> str:
    if abs(back) < 1e-9:
        return "nothing of it comes back by itself"
    way = "fallen" if back < 0 else "risen"
    return f"the next reading would have {way} by {level_words(abs(back), unit)} by itself"

"""Words that stand on the pages of a pack: who a vehicle is, intervals, what levels and limits are told under."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from wearlab.charts import words
from wearlab.pack.order import urgency
from wearlab.pack.state_tables import StateTable
from wearlab.pack.view import Attention, VehicleView, VisitRow

#: Told on the attention list in this order, with the word for one or many parts.
_LEAD = (
    ("past limit", "past their limit"),
    ("book", "to book"),
    ("test again", "to test again"),
    ("watch", "to watch"),
)


def grounds(items: tuple[Attention, ...]) -> tuple[str, ...]:
    """Return, each once, which limits and which conditions the levels of these parts are told by."""
    told: dict[str, None] = {}
    for item in items:
        what = f"{words.measure_words(item.measure)}, {item.protocol}"
        if item.limit is not None:
            side = "at most" if item.direction == "above" else "at least"
            rule = [item.rule or "", "" if item.limit_version is None else f"version {item.limit_version}"]
            source = f"; {item.limit_source}" if item.limit_source else ""
            named = ", ".join(text for text in rule if text)
            told[f"{what}, {side} {words.limit_words(item.limit, item.unit)}: {named}{source}"] = None
        if item.level is not None:
            under = f"under {item.reference}" if item.reference else "as measured"
            told[f"{what}: levels are told {under}"] = None
    return tuple(told)


def identity(vehicle: VehicleView) -> list[tuple[str, str]]:
    """Return what is known of a vehicle as (name, text) pairs, unknown ones left out."""
    pairs: list[tuple[str, str | None]] = [
        ("family", vehicle.family),
        ("cylinders", str(vehicle.cylinders) if vehicle.cylinders else None),
        ("depot", vehicle.depot),
        ("duty", vehicle.duty),
        ("fuel supply", vehicle.fuel_supply),
        ("in service since", words.day_words(vehicle.in_service) if vehicle.in_service else None),
        ("warranty until", words.day_words(vehicle.warranty_until) if vehicle.warranty_until else None),
        ("leaves on", words.day_words(vehicle.leaves_on) if vehicle.leaves_on else None),
        ("also called", ", ".join(vehicle.aliases)),
        ("usage", _usage(vehicle)),
    ]
    return [(name, text) for name, text in pairs if text]


def _usage(vehicle: VehicleView) -> str:
    if vehicle.km_per_day is None:
        return ""
    text = f"{vehicle.km_per_day:,.0f} km a day"
    if vehicle.km_per_day_low is not None and vehicle.km_per_day_high is not None:
        text += f" ({vehicle.km_per_day_low:,.0f} to {vehicle.km_per_day_high:,.0f})"
    if vehicle.odometer_now_km is not None:
        text += f", odometer now about {words.km_words(vehicle.odometer_now_km, about=True)}"
    return text


def between(low: float | None, high: float | None) -> str:
    """Return "(41.0 to 52.3)", or nothing when an end is missing."""
    if low is None or high is None:
        return ""
    # the interval stays on one line
    return f"({span(low, high)})".replace(" ", "\u00a0")


def span(low: float | None, high: float | None) -> str:
    """Return "41.0 to 52.3", or a dash when an end is missing."""
    if low is None or high is None:
        return "–"
    return " to ".join(words.levels_words(low, high))


def counted_states(states: Iterable[str]) -> str:
    """Return "1 to book, 3 steady": how many parts are in each state, most pressing first."""
    found = list(states)
    return ", ".join(
        f"{found.count(state)} {state}" for state in sorted(set(found), key=lambda one: (urgency(one), one))
    )


def table_summary(table: StateTable) -> str:
    """Return a table of states in one line: the states, the lowest and highest level, the nearest crossing."""
    told = counted_states(row.state for row in table.rows)
    levels = [row.level for row in table.rows if row.level is not None]
    if levels and not table.of_set:
        ends = words.levels_words(min(levels), max(levels))
        told += f"; level now {ends[0] if len(levels) == 1 else ' to '.join(ends)} {table.unit}"
    limits = {(row.limit, row.direction) for row in table.rows if row.limit is not None}
    if len(limits) == 1:
        limit, direction = limits.pop()
        assert limit is not None
        told += f"; limit {'at most' if direction == 'above' else 'at least'} {words.limit_words(limit, table.unit)}"
    return told


def always(visits: Iterable[VisitRow]) -> tuple[str, ...]:
    """Return of each kind of test what was the same whenever it was made, a sentence each."""
    return tuple(
        f"{test}: {', '.join(f'{name} {value}' for name, value in pairs)}"
        for test, pairs in _always(visits).items()
        if pairs
    )


def varying(visits: Sequence[VisitRow]) -> dict[tuple[int, int], str]:
    """Return the other conditions of each test by the place of its visit and its own place in it."""
    same = _always(visits)
    return {
        (row, column): ", ".join(f"{name} {value}" for name, value in pairs if (name, value) not in same[test])
        for row, visit in enumerate(visits)
        for column, (test, pairs) in enumerate(visit.conditions)
    }


def _always(visits: Iterable[VisitRow]) -> dict[str, list[tuple[str, str]]]:
    """The conditions that all tests of a kind share; of a test made once, all of them vary."""
    found: dict[str, list[list[tuple[str, str]]]] = {}
    for visit in visits:
        for test, pairs in visit.conditions:
            found.setdefault(test, []).append(list(pairs))
    return {
        test: [pair for pair in told[0] if len(told) > 1 and all(pair in other for other in told[1:])]
        for test, told in found.items()
    }


def listed(texts: Sequence[str]) -> str:
    """Return "a", "a and b", "a, b and c"."""
    return texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} and {texts[-1]}" if texts else ""

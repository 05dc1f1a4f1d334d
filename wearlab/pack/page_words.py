"""Words that stand on the pages of a pack: who a vehicle is, intervals, what levels and limits are told under."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from wearlab.charts import words
from wearlab.language import _, number
from wearlab.pack.order import urgency
from wearlab.pack.state_tables import StateTable
from wearlab.pack.view import Attention, VehicleView, VisitRow


def grounds(items: tuple[Attention, ...]) -> tuple[str, ...]:
    """Return, each once, which limits and which conditions the levels of these parts are told by."""
    told: dict[str, None] = {}
    for item in items:
        what = f"{words.measure_words(item.measure)}, {item.protocol}"
        if item.limit is not None:
            version = "" if item.limit_version is None else _("version {version}", version=item.limit_version)
            source = f"; {item.limit_source}" if item.limit_source else ""
            named = ", ".join(text for text in (item.rule, version) if text)
            side = words.limit_side_words(item.limit, item.direction, item.unit)
            told[f"{what}, {side}: {named}{source}"] = None
        if item.level is not None:
            if item.reference:
                told[_("{test}: levels are told under {reference}", test=what, reference=item.reference)] = None
            else:
                told[_("{test}: levels are told as measured", test=what)] = None
    return tuple(told)


def identity(vehicle: VehicleView) -> list[tuple[str, str]]:
    """Return what is known of a vehicle as (name, text) pairs, unknown ones left out."""
    pairs: list[tuple[str, str | None]] = [
        (_("family"), vehicle.family),
        (_("cylinders"), str(vehicle.cylinders) if vehicle.cylinders else None),
        (_("depot"), vehicle.depot),
        (_("duty"), vehicle.duty),
        (_("fuel supply"), vehicle.fuel_supply),
        (_("in service since"), words.day_words(vehicle.in_service) if vehicle.in_service else None),
        (_("warranty until"), words.day_words(vehicle.warranty_until) if vehicle.warranty_until else None),
        (_("leaves on"), words.day_words(vehicle.leaves_on) if vehicle.leaves_on else None),
        (_("also called"), ", ".join(vehicle.aliases)),
        (_("usage"), _usage(vehicle)),
    ]
    return [(name, text) for name, text in pairs if text]


def _usage(vehicle: VehicleView) -> str:
    if vehicle.km_per_day is None:
        return ""
    distance = number(vehicle.km_per_day)
    if vehicle.km_per_day_low is not None and vehicle.km_per_day_high is not None:
        low, high = number(vehicle.km_per_day_low), number(vehicle.km_per_day_high)
        text = _("{distance} km a day ({low} to {high})", distance=distance, low=low, high=high)
    else:
        text = _("{distance} km a day", distance=distance)
    if vehicle.odometer_now_km is not None:
        now = words.km_words(vehicle.odometer_now_km, about=True)
        text = _("{usage}, odometer now about {distance}", usage=text, distance=now)
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
    ends = words.levels_words(low, high)
    return _("{low} to {high}", low=ends[0], high=ends[1])


def counted_states(states: Iterable[str]) -> str:
    """Return "1 to book, 3 steady": how many parts are in each state, most pressing first."""
    found = list(states)
    return ", ".join(
        f"{number(found.count(state))} {_(state)}" for state in sorted(set(found), key=lambda one: (urgency(one), one))
    )


def table_summary(table: StateTable) -> str:
    """Return a table of states in one line: the states, the lowest and highest level, the nearest crossing."""
    told = [counted_states(row.state for row in table.rows)]
    levels = [row.level for row in table.rows if row.level is not None]
    if levels and not table.of_set:
        low, high = words.levels_words(min(levels), max(levels))
        if len(levels) == 1:
            told.append(_("level now {level} {unit}", level=low, unit=table.unit))
        else:
            told.append(_("level now {low} to {high} {unit}", low=low, high=high, unit=table.unit))
    limits = {(row.limit, row.direction) for row in table.rows if row.limit is not None}
    if len(limits) == 1:
        limit, direction = limits.pop()
        assert limit is not None
        value = words.limit_words(limit, table.unit)
        if direction == "above":
            told.append(_("limit at most {limit}", limit=value))
        else:
            told.append(_("limit at least {limit}", limit=value))
    return "; ".join(told)


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

"""The states of a vehicle's parts, one table a measure and protocol, so that units and conditions are said once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from wearlab.charts.series import LINE
from wearlab.charts.words import dated, limit_side_words, measure_words, position_words
from wearlab.language import _, _n, listed, msg
from wearlab.pack.pictures import position_order
from wearlab.pack.view import PartState
from wearlab.records import LEVEL_UNIT, Measure

#: how a remark names the parts it is said of
_PLAIN, _NO_DATE, _NO_RATE = (
    msg("{parts}: {remark}"), msg("{parts} (no date): {remark}"), msg("{parts} (no rate of its own): {remark}")
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class StateTable:
    """Parts told in one measure and protocol, under the same conditions and by the same method.

    `rates` is what a rate is told over ("per 10,000 km"); `limits` are the rules behind the limits of the rows, one
    sentence each, `remarks` what is to be said of some of the parts.
    """

    measure: str
    protocol: str
    unit: str
    rates: str
    reference: str
    method: str
    rows: tuple[PartState, ...]
    limits: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def title(self) -> str:
        """Measure and protocol, and the rule where it is one of the set."""
        name = measure_words(self.measure)
        test = f"{name[:1].upper()}{name[1:]}, {self.protocol}"
        return _('{test}, rule "{rule}"', test=test, rule=self.rows[0].rule) if self.of_set else test

    @property
    def of_set(self) -> bool:
        """Whether the figures compare the parts of a set, or a part with its own past, instead of giving levels."""
        return is_of_set(self.rows[0])

    @property
    def figures(self) -> str:
        """What the figures of the table are, with their units."""
        if self.of_set:
            return _("in per cent") if self.unit == "%" else _("in {unit}", unit=self.unit)
        return _("levels in {unit}, rates {rates}", unit=self.unit, rates=self.rates)

    @property
    def basis(self) -> str:
        """By which method, and under which conditions levels are told, as a sentence or two."""
        if all(row.level is None for row in self.rows):
            return _("No level can be told.")
        if not self.method:
            if not self.reference:
                return _("Levels as measured.")
            return _("Levels under {reference}, readings as measured.", reference=self.reference)
        method = _(self.method)
        if not self.reference:
            return _("By the {method}; levels as measured.", method=method)
        return _(
            "By the {method}; levels under {reference}, readings as measured.", method=method, reference=self.reference
        )


def state_tables(states: Iterable[PartState]) -> tuple[StateTable, ...]:
    """Return the tables in the order in which their first part comes, positions in their own order."""
    groups: dict[tuple[str, str, str, str, str, str, str], list[PartState]] = {}
    for item in states:
        rates = item.rate_unit.removeprefix(item.unit).strip()
        key = (item.measure, item.protocol, item.unit, rates, item.reference, item.method)
        groups.setdefault((*key, (item.rule or "") if is_of_set(item) else ""), []).append(item)
    made = []
    for (measure, protocol, unit, rates, reference, method, _rule), items in groups.items():
        rows = tuple(sorted(items, key=lambda item: position_order(item.position)))
        made.append(StateTable(measure, protocol, unit, rates, reference, method, rows, _limits(rows), _remarks(rows)))
    return tuple(made)


def is_of_set(item: PartState) -> bool:
    """Whether a row compares parts, or a part with its own past, so that its unit is none of a level's."""
    return item.unit != LEVEL_UNIT[Measure(item.measure)] or (not item.position.isdigit() and item.part == "")


def _limits(rows: Iterable[PartState]) -> tuple[str, ...]:
    told: dict[str, None] = {}
    for row in rows:
        if row.limit is not None:
            rule = row.rule or ""
            if row.limit_version is not None:
                rule = _("{rule}, version {version}", rule=rule, version=row.limit_version)
            text = f"{limit_side_words(row.limit, row.direction, row.unit)}: {rule}"
            told[text + (f"; {row.limit_source}" if row.limit_source else "")] = None
    return tuple(told)


def _remarks(rows: Iterable[PartState]) -> tuple[str, ...]:
    """What is missing or odd, one sentence, with the positions it is said of in front."""
    told: dict[tuple[str, str], list[str]] = {}
    for row in rows:
        for form, text in (
            (_NO_DATE, row.no_answer),
            (_NO_RATE, row.rate_no_answer),
            (_PLAIN, dated(row.changed) if row.changed else None),
            (_PLAIN, dated(row.note) if row.note != (row.no_answer or "") else None),
            (_PLAIN, _outside(row.outside) if row.outside else None),
            (_PLAIN, _beyond(row.beyond, row.method) if row.beyond else None),
        ):
            if text:
                told.setdefault((form, text), []).append(row.position)
    return tuple(_(form, parts=positions_words(places), remark=text) for (form, text), places in told.items())


def positions_words(places: list[str]) -> str:
    """Return "injectors 1, 2 and 4" for ["1", "2", "4"], other positions listed."""
    found = list(dict.fromkeys(places))
    if len(found) > 1 and all(place.isdecimal() for place in found):
        return _("injectors {positions}", positions=listed(found))
    return ", ".join(position_words(place) for place in found)


def _outside(count: int) -> str:
    return _n(
        "{n} reading outside the range of correction, shown and not in the level",
        "{n} readings outside the range of correction, shown and not in the level",
        count,
    )


def _beyond(count: int, method: str) -> str:
    if method == LINE:
        return _n(
            "{n} reading beyond the scale, left out of the line",
            "{n} readings beyond the scale, left out of the line",
            count,
        )
    return _n(
        "{n} reading beyond the scale, taken as at least or at most",
        "{n} readings beyond the scale, taken as at least or at most",
        count,
    )

"""The conditions a group's levels are told under, and each reading's distance from them.

A family is told under the conditions of the limit that judges it, so that level and limit are alike; a family that no
limit with conditions judges is told under the group's median test. What can be corrected becomes columns of the wear
model; what cannot (supply pressure, battery, closed volume, duration) takes a reading out when it is known to lie
outside the limit's own conditions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipelines.steps.group_rows import Flags, Floats, GroupRows, Ints
from wearlab.conditions import Reference, columns, reference_of
from wearlab.conditions.exponents import TERMS
from wearlab.config import Settings
from wearlab.language import _, msg
from wearlab.limit_settings import Conditions, LimitRule
from wearlab.records import Measure
from wearlab.study.limit_conditions import SAME_WITHIN

#: what a rule may ask of a test as a range, beside the condition of the wear model that would correct it
_SPANS = {
    "rail_bar": "rail",
    "fuel_temp_c": "temperature",
    "speed_rpm": "speed",
    "battery_v": None,
    "supply_bar": None,
}


@dataclass(frozen=True, slots=True, eq=False)
class GroupConditions:
    """Condition columns of n readings (names, priors, matrix (n, c)), all of them factors.

    `outside` readings are not corrected and stay out of the fit; `visit_sd` is what was not recorded adds to the
    visit; `reference` (n,) numbers the references, whose words are in `words`.
    """

    matrix: Floats
    names: tuple[str, ...]
    prior_mean: Floats
    prior_sd: Floats
    visit_sd: Floats
    outside: Flags
    reference: Ints
    words: tuple[str, ...]
    notes: tuple[str, ...]


def judging(rules: Sequence[LimitRule], measure: str, protocol: str) -> list[LimitRule]:
    """Rules that one part's level in this group can cross."""
    return [
        rule
        for rule in rules
        if rule.kind in ("most", "least") and rule.measure == measure and rule.protocol in (None, protocol)
    ]


_NO_FAMILY = msg("vehicles of no family")


def group_conditions(
    rows: GroupRows, family: NDArray[np.object_], rules: Sequence[LimitRule], settings: Settings
) -> GroupConditions:
    """Return the condition columns; `family` has one word a reading, `rules` are those that judge the group."""
    n = len(rows)
    made: dict[Conditions | None, int] = {}
    code = np.zeros(n, dtype=np.int64)
    notes: list[str] = []
    for name in sorted(set(family)):
        stated = _stated(rules, name, notes)
        code[family == name] = made.setdefault(stated, len(made))
    measure = Measure(rows.measure)
    names = [term.name for term in TERMS[measure]]
    matrix, used = np.zeros((n, len(names))), np.zeros(len(names), dtype=np.bool_)
    mean, sd = np.zeros(len(names)), np.ones(len(names))
    visit_sd, outside = np.zeros(n), np.zeros(n, dtype=np.bool_)
    words: list[str] = []
    for stated, number in made.items():
        here = np.flatnonzero(code == number)
        reference = _reference(stated, rows, measure)
        found = columns(
            measure,
            reference,
            fuel=settings.fuel,
            rail_bar=rows.conditions["rail_bar"][here],
            fuel_temp_c=rows.conditions["fuel_temp_c"][here],
            speed_rpm=rows.conditions["speed_rpm"][here],
            temp_kind=rows.temp_kind[here],
        )
        at = np.array([names.index(name) for name in found.names], dtype=np.int64)
        matrix[np.ix_(here, at)] = found.matrix
        mean[at], sd[at], used[at] = found.prior_mean, found.prior_sd, True
        visit_sd[here] = found.visit_sd
        outside[here] = found.outside
        if stated is not None:
            outside[here] |= _contradicted(rows, here, stated, measure)
        words.append(reference.words())
        said = [*reference.notes, *found.notes]
        whose = sorted({str(name) or _(_NO_FAMILY) for name in family[here]})
        notes += said if len(made) == 1 else [f"{', '.join(whose)}: {note}" for note in said]
    return GroupConditions(
        matrix=matrix[:, used],
        names=tuple(name for name, kept in zip(names, used, strict=True) if kept),
        prior_mean=mean[used],
        prior_sd=sd[used],
        visit_sd=visit_sd,
        outside=outside,
        reference=code,
        words=tuple(words),
        notes=tuple(dict.fromkeys(notes)),
    )


def _stated(rules: Sequence[LimitRule], family: str, notes: list[str]) -> Conditions | None:
    """The conditions of the limit that judges a family; None where no limit states any."""
    nothing = Conditions()
    found = [rule for rule in rules if rule.family in (None, family) and rule.conditions != nothing]
    # a limit written for the family goes before one for all
    found.sort(key=lambda rule: rule.family is None)
    others = [rule.name for rule in found[1:] if rule.conditions != found[0].conditions]
    if others:
        notes.append(
            _(
                'levels of {family} are told under the conditions of "{limit}"; "{other}" states others, so that its '
                "crossing is less sure",
                family=family or _(_NO_FAMILY),
                limit=found[0].name,
                other=others[0],
            )
        )
    return found[0].conditions if found else None


def _reference(stated: Conditions | None, rows: GroupRows, measure: Measure) -> Reference:
    first = rows.test_first
    given = rows.conditions
    return reference_of(
        stated,
        rail_bar=given["rail_bar"][first],
        fuel_temp_c=given["fuel_temp_c"][first],
        speed_rpm=given["speed_rpm"][first],
        temp_kind=rows.temp_kind[first],
        duration_s=given["duration_s"][first],
        measure=measure,
    )


def _contradicted(rows: GroupRows, here: Ints, stated: Conditions, measure: Measure) -> Flags:
    """Readings known to lie outside a condition of the limit that no column corrects."""
    corrected = {term.acting for term in TERMS[measure]}
    out = np.zeros(here.size, dtype=np.bool_)
    for name, acting in _SPANS.items():
        span = getattr(stated, name)
        if span is not None and acting not in corrected:
            value = rows.conditions[name][here]
            out |= (value < span[0]) | (value > span[1])  # what was not recorded is NaN and stays in
    for name in ("duration_s", "volume_ml"):
        wanted = getattr(stated, name)
        if wanted is not None:
            out |= np.abs(rows.conditions[name][here] - wanted) > SAME_WITHIN * wanted * (1.0 + 1e-9)
    return out

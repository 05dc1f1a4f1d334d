"""Life by wear from the store: when new parts of each family pass the limits of each kind of test."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from math import isfinite
from typing import NamedTuple

import numpy as np

from pipelines.steps.compare import fitted_again
from pipelines.steps.corrections import corrections
from pipelines.steps.group_rows import Flags, groups
from pipelines.steps.life_limits import LifeLimit, life_limits
from pipelines.steps.part_lives import INJECTOR
from pipelines.steps.wear_data import GroupData, group_data
from pipelines.steps.wear_learn import previous_choice
from wearlab.charts.words import measure_words
from wearlab.config import Settings
from wearlab.language import _
from wearlab.records import PUMP, Measure, NoAnswer
from wearlab.store.database import Database
from wearlab.study.wear_life import wear_life
from wearlab.wear.group import fit_group
from wearlab.wear.mixture import Mixture
from wearlab.wear.results import NO_RATE, WearFit
from wearlab.wear.scale import CANDIDATES

#: shares of the new parts by which a life is told
SHARES = (0.1, 0.5, 0.9)
#: a working scale of less weight is left out (common practice, no source)
LEAST_WEIGHT = 0.02
#: points of a drawn curve
_POINTS = 81


class _Mixed(NamedTuple):
    """The fit of the largest weight, and the mixture over all scales."""

    fit: WearFit
    mixture: Mixture


@dataclass(frozen=True, slots=True)
class WearAnswer:
    """Of one family under one limit: distances by which `SHARES` of its new parts pass it; None: beyond all told.

    `average_km` are low end, middle and high end (90 %) of where its average part passes it. `curve` are pairs of
    distance, km, and the share that has not passed; `seen_to_km` is the furthest that a part of known age was tested.
    `no_answer` says why there is nothing.
    """

    kind: str
    family: str
    measure: str
    protocol: str
    rule: str
    limit: float
    unit: str
    km: tuple[float | None, ...]
    average_km: tuple[float | None, ...]
    curve: tuple[tuple[float, float], ...]
    seen_to_km: float | None
    no_answer: str | None = None


def wear_answers(
    db: Database, settings: Settings, as_of: date, reach_km: float, *, say: Callable[[str], None]
) -> tuple[WearAnswer, ...]:
    """Return the life by wear of every family under every limit on a part's own level; curves up to `reach_km`."""
    known = corrections(db, as_of)
    found: list[WearAnswer] = []
    for measure, protocol in groups(db, as_of):
        group = group_data(db, settings, measure, protocol, as_of)
        limits = [one for one in life_limits(group, settings) if one.speaks.any()]
        if not limits:
            continue
        say(f"{measure_words(measure)}, {protocol}: fitting")
        try:
            mixed = _mixed(db, group)
        except (np.linalg.LinAlgError, ArithmeticError) as fault:
            # one group that cannot be computed must not keep the others from their answer
            mixed = NoAnswer(_("the fit of this group broke off ({error})", error=fault))
        corrected = known.get((measure, protocol))
        factor = 1.0 if corrected is None else corrected.factor
        for limit in limits:
            for family in sorted({str(name) for name in group.family[limit.speaks]}):
                found.append(_answer(group, mixed, limit, family, factor, reach_km))
    return tuple(found)


def _mixed(db: Database, group: GroupData) -> _Mixed | NoAnswer:
    """Fit the group on every working scale that the last run gave some weight, and mix them by these weights.

    What lies beyond the furthest test depends on the scale more than on anything else.
    """
    fit = fitted_again(db, group)
    if isinstance(fit, NoAnswer):
        return fit
    if not fit.has_rate:
        return NoAnswer(_(NO_RATE))
    told = [(fit, 1.0)]
    previous = previous_choice(db, group.measure, group.protocol)
    if previous is not None and group.data is not None:
        given = dict(zip(previous.names, (float(weight) for weight in previous.weights), strict=True))
        told = [(fit, given.get(fit.best.scale.name, 1.0))]
        for scale in CANDIDATES:
            if scale.name != fit.best.scale.name and given.get(scale.name, 0.0) >= LEAST_WEIGHT:
                other = fit_group(group.data, scales=(scale,))
                told += [] if isinstance(other, NoAnswer) else [(other, given[scale.name])]
    total = sum(weight for _one, weight in told)
    parts = [
        replace(component, weight=component.weight * weight / total)
        for one, weight in told
        for component in one.mixture().components
    ]
    return _Mixed(fit, Mixture(tuple(parts)))


def _answer(
    group: GroupData, mixed: _Mixed | NoAnswer, limit: LifeLimit, family: str, factor: float, reach_km: float
) -> WearAnswer:
    km: tuple[float | None, ...] = ()
    average: tuple[float | None, ...] = ()
    curve: tuple[tuple[float, float], ...] = ()
    seen = _seen(group, group.family == family)
    why = _silent(mixed, family)
    if why is None and not isinstance(mixed, NoAnswer):
        at = np.linspace(0.0, max(reach_km, 1.0), _POINTS)
        told = wear_life(
            mixed.mixture,
            int(np.flatnonzero(mixed.fit.data.family_label == family)[0]),
            limit.level,
            1 if limit.rule.direction == "above" else -1,
            exposure=at,
            shares=SHARES,
            factor=factor,
        )
        km, average = (
            tuple(float(one) if isfinite(one) else None for one in values) for values in (told.quantiles, told.average)
        )
        curve = tuple((float(x), float(y)) for x, y in zip(told.exposure, told.survival, strict=True))
    return WearAnswer(
        kind=INJECTOR if group.measure == Measure.RETURN_FLOW else PUMP,
        family=family,
        measure=group.measure,
        protocol=group.protocol,
        rule=limit.rule.name,
        limit=limit.level,
        unit=group.unit,
        km=km,
        average_km=average,
        curve=curve,
        seen_to_km=seen,
        no_answer=why,
    )


def _silent(mixed: _Mixed | NoAnswer, family: str) -> str | None:
    """Why there is no life by wear; None where there is one."""
    if isinstance(mixed, NoAnswer):
        return mixed.reason
    if family not in mixed.fit.data.family_label:
        if family:
            return _("no reading of the family {family}", family=family)
        return _("no reading of the family without a name")
    return None


def _seen(group: GroupData, own: Flags) -> float | None:
    """The furthest exposure of a life of known age among the readings in the fit."""
    rows = group.rows
    kept = group.fitted[own[rows.life[group.fitted]] & ~rows.unknown_start[group.fitted]]
    return float(rows.exposure_km[kept].max()) if kept.size else None

"""What goes with wear: every group's wear model with what the store knows of vehicles and parts."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from pipelines.steps.group_rows import groups
from pipelines.steps.influence_candidates import candidates
from pipelines.steps.lives import MeterHistory, meter_histories, open_with_lives
from pipelines.steps.wear_data import GroupData, group_data
from pipelines.steps.wear_learn import MOST_BEYOND, previous_choice
from pipelines.workspace import Workspace
from wearlab.language import _, number
from wearlab.records import NoAnswer
from wearlab.store.database import Database
from wearlab.study.influences import CHANCE, Influence, Influences, discovered, influences
from wearlab.study.rate_models import RateModels, rate_models
from wearlab.wear.choice import candidates_for
from wearlab.wear.data import coded
from wearlab.wear.group import fit_group
from wearlab.wear.scale import CANDIDATES, WorkingScale


@dataclass(frozen=True, slots=True, eq=False)
class GroupInfluences:
    """One measure and protocol: the wear model's answer and the general methods beside it, or why there is none."""

    measure: str
    protocol: str
    unit: str
    scale: str | None
    told: Influences | NoAnswer
    models: RateModels | NoAnswer

    @property
    def found(self) -> tuple[Influence, ...]:
        """Candidates that are found: few enough of them by chance, and of use for vehicles not learned from."""
        told, models = self.told, self.models
        if isinstance(told, NoAnswer) or isinstance(models, NoAnswer) or models.score <= 0:
            return ()
        return tuple(one for one in told.asked if one.adjusted <= CHANCE)


def group_influences(
    place: Workspace, as_of: date, *, say: Callable[[str], None] | None = None, workers: int = 2
) -> tuple[GroupInfluences, ...]:
    """Ask of every group of tests, up to a day, what goes with faster wear."""
    told = say or (lambda text: None)
    found: list[tuple[GroupData, WorkingScale | None, Influences | NoAnswer]] = []
    with open_with_lives(place) as db:
        meters = meter_histories(db)
        for measure, protocol in groups(db, as_of):
            told(f"{measure}, {protocol}: the wear model with candidates")
            group = group_data(db, place.settings, measure, protocol, as_of)
            found.append((group, *_one(db, group, meters, as_of, workers)))
    judged = iter(discovered([one for _, _, one in found if not isinstance(one, NoAnswer)]))
    out = []
    for group, scale, one in found:
        answer = one if isinstance(one, NoAnswer) else next(judged)
        told(f"{group.measure}, {group.protocol}: the rates of parts")
        models = NoAnswer(answer.reason) if isinstance(answer, NoAnswer) else rate_models(answer)
        name = None if scale is None else scale.name
        out.append(GroupInfluences(group.measure, group.protocol, group.unit, name, answer, models))
    return tuple(out)


def _one(
    db: Database, group: GroupData, meters: Mapping[str, MeterHistory], as_of: date, workers: int
) -> tuple[WorkingScale | None, Influences | NoAnswer]:
    if group.data is None:
        return None, NoAnswer(_("no reading of this group may be used"))
    beyond = int(np.count_nonzero(group.rows.bound[group.fitted]))
    if beyond > MOST_BEYOND * group.fitted.size:
        return None, NoAnswer(
            _(
                "{beyond} of {readings} readings lie beyond the scale",
                beyond=number(beyond),
                readings=number(group.fitted.size),
            )
        )
    scale = _scale(db, group, workers)
    if isinstance(scale, NoAnswer):
        return None, scale
    asked = candidates(db, group.rows, group.fitted, meters, as_of)
    return scale, influences(group.data, asked, scale, workers=workers)


def _scale(db: Database, group: GroupData, workers: int) -> WorkingScale | NoAnswer:
    """The working scale with the largest weight of the last run; without a run it is chosen now."""
    assert group.data is not None
    allowed = candidates_for(coded(group.data), CANDIDATES)
    kept = previous_choice(db, group.measure, group.protocol)
    if kept is not None:
        name = _largest(kept.names, kept.weights)
        known = next((scale for scale in allowed if scale.name == name), None)
        if known is not None:
            return known
    fit = fit_group(group.data, average=False, workers=workers)
    return fit if isinstance(fit, NoAnswer) else fit.best.scale


def _largest(names: Sequence[str], weights: np.ndarray[tuple[int], np.dtype[np.float64]]) -> str:
    return names[int(np.argmax(weights))]

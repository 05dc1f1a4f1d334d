"""What the lives of parts tell: survival, law, reasons of removal and comparisons, beside the life by wear."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from pipelines.steps.lives import open_with_lives
from pipelines.steps.part_lives import KINDS, PartLife, fleet_lives
from pipelines.steps.wear_lives import WearAnswer, wear_answers
from pipelines.workspace import Workspace
from wearlab.errors import InputError
from wearlab.language import _, msg, number
from wearlab.records import NoAnswer
from wearlab.study.kaplan_meier import Survival, kaplan_meier
from wearlab.study.life_data import LifeData
from wearlab.study.life_ratio import LifeRatio, life_ratio
from wearlab.study.log_rank import LogRank, log_rank
from wearlab.study.removals import Removals, cumulative_incidence
from wearlab.study.weibull_life import Weibull, weibull_life

#: what parts may be told apart by
BY = ("family", "depot", "origin")
_UNNAMED = {
    "family": msg("no family recorded"),
    "depot": msg("no depot recorded"),
    "origin": msg("no origin recorded"),
}
#: with fewer failures nothing is drawn: a step of the curve would be a fifth of all that is known (common practice, no
#: source)
FEWEST = 5
#: a curve begins where so many parts are watched at once (common practice, no source)
LEAST_WATCHED = 10


@dataclass(frozen=True, slots=True, eq=False)
class GroupCurve:
    """One group of one kind of parts; `group` is "" for all. `why` counts removals by reason.

    `failed` were taken out for a reason that counts against the part, `spared` for another one.
    """

    kind: str
    group: str
    lives: int
    vehicles: int
    late: int
    failed: int
    spared: int
    furthest_km: float
    why: Mapping[str, int]
    survival: Survival | NoAnswer
    weibull: Weibull | NoAnswer
    removals: Removals | NoAnswer


@dataclass(frozen=True, slots=True, eq=False)
class KindLives:
    """Everything about one kind of parts; `test` and `ratio` are None where no groups were asked for."""

    kind: str
    curves: tuple[GroupCurve, ...]
    left_out: Mapping[str, int]
    test: LogRank | NoAnswer | None
    ratio: LifeRatio | NoAnswer | None
    wear: tuple[WearAnswer, ...]


def life_curves(
    place: Workspace, as_of: date, by: str | None = None, *, say: Callable[[str], None] | None = None
) -> tuple[KindLives, ...]:
    """Return what is known of the lives of injectors and pumps as of a day, all together or `by` one of `BY`.

    Raises
    ------
    InputError
        There is no such way to tell parts apart.
    """
    if by is not None and by not in BY:
        raise InputError(f'--by "{by}" is none of {", ".join(BY)}')
    told = say or (lambda text: None)
    with open_with_lives(place) as db:
        told("following parts and meters")
        fleet = fleet_lives(db, place.settings, as_of)
        wear = wear_answers(db, place.settings, as_of, _reach(fleet.lives), say=told)
    told("lives")
    return tuple(_kind(kind, fleet.lives, fleet.left_out[kind], by, wear) for kind in KINDS)


def _reach(lives: Sequence[PartLife]) -> float:
    """How far a life by wear is drawn: half as far again as any part went."""
    return 1.5 * max((one.end_km for one in lives), default=0.0)


def _kind(
    kind: str, lives: Sequence[PartLife], left: Mapping[str, int], by: str | None, wear: Sequence[WearAnswer]
) -> KindLives:
    own = [one for one in lives if one.kind == kind]
    answers = tuple(one for one in wear if one.kind == kind)
    if by is None:
        return KindLives(kind, (_curve(kind, "", own),) if own else (), left, None, None, answers)
    named = [one for one in own if getattr(one, by)]
    names = sorted({getattr(one, by) for one in named})
    curves = tuple(_curve(kind, name, [one for one in named if getattr(one, by) == name]) for name in names)
    test, ratio = _compared(named, by, curves)
    unnamed = {_(_UNNAMED[by]): len(own) - len(named)} if len(named) < len(own) else {}
    return KindLives(kind, curves, {**left, **unnamed}, test, ratio, answers)


def _compared(
    lives: Sequence[PartLife], by: str, curves: Sequence[GroupCurve]
) -> tuple[LogRank | NoAnswer, LifeRatio | NoAnswer]:
    kept = [one for one in curves if one.lives >= LEAST_WATCHED]
    failed = sum(one.failed for one in kept)
    if len(kept) < 2:
        none = NoAnswer(_("there are no two groups of {n} lives", n=number(LEAST_WATCHED)))
        return none, none
    if failed < FEWEST:
        none = NoAnswer(
            _("{n} taken out for cause in all: a comparison needs {least}", n=number(failed), least=number(FEWEST))
        )
        return none, none
    own = [one for one in lives if getattr(one, by) in {curve.group for curve in kept}]
    data = _data(own)
    group = [getattr(one, by) for one in own]
    test = log_rank(data, group, [one.vehicle for one in own])
    few = [one.group for one in kept if one.failed < FEWEST]
    if few:
        return test, NoAnswer(
            _("fewer than {n} taken out for cause in {groups}", n=number(FEWEST), groups=", ".join(few))
        )
    return test, life_ratio(data, group)


def _curve(kind: str, group: str, lives: Sequence[PartLife]) -> GroupCurve:
    data = _data(lives)
    why = Counter(str(one.why) for one in lives if one.why is not None)
    survival: Survival | NoAnswer
    removals: Removals | NoAnswer
    since = data.told_from(LEAST_WATCHED)
    watched = data.since(since) if np.isfinite(since) else data
    if data.failures < FEWEST:
        survival = NoAnswer(
            _(
                "{n} of {lives} taken out for cause: a curve needs {least}",
                n=number(data.failures),
                lives=number(len(lives)),
                least=number(FEWEST),
            )
        )
    elif not np.isfinite(since):
        survival = NoAnswer(_("never {n} parts were watched at the same distance", n=number(LEAST_WATCHED)))
    elif watched.failures < FEWEST:
        survival = NoAnswer(
            _(
                "{n} taken out for cause where {watched} were watched: a curve needs {least}",
                n=number(watched.failures),
                watched=number(LEAST_WATCHED),
                least=number(FEWEST),
            )
        )
    else:
        survival = kaplan_meier(data, since=since)
    weibull = (
        weibull_life(data)
        if data.failures >= FEWEST
        else NoAnswer(_("a law of lives needs {n} removals for cause", n=number(FEWEST)))
    )
    words = np.array([str(one.why or "") for one in lives], dtype=object)
    if sum(why.values()) < FEWEST or not np.isfinite(since) or not (words[data.beyond(since)] != "").any():
        removals = NoAnswer(
            _(
                "{n} of {lives} taken out: chances of reasons need {least}",
                n=number(sum(why.values())),
                lives=number(len(lives)),
                least=number(FEWEST),
            )
        )
    else:
        removals = cumulative_incidence(data, words, since=since)
    return GroupCurve(
        kind=kind,
        group=group,
        lives=len(lives),
        vehicles=len({one.vehicle for one in lives}),
        late=sum(one.entry_km > 0 for one in lives),
        failed=data.failures,
        spared=sum(one.why is not None and not one.failed for one in lives),
        furthest_km=float(data.time.max()),
        why=dict(why.most_common()),
        survival=survival,
        weibull=weibull,
        removals=removals,
    )


def _data(lives: Sequence[PartLife]) -> LifeData:
    return LifeData.of([one.end_km for one in lives], [one.failed for one in lives], [one.entry_km for one in lives])

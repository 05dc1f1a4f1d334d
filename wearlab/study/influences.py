"""What goes with wear: candidates times exposure inside the wear model of one group.

On the working scale every candidate z has two coefficients: one on z itself, since what it did before the first test
and to the level is not asked, and one on what z gathered over exposure, times the rate of the family. The second is
the answer: by which share of the family's rate parts wear faster. All candidates stand in the model together, so that
each is told beside the others; `alone` is the same coefficient with the others at zero, at the same variances.

A vehicle's parts share its effect on the rate, so a candidate of vehicles is judged by as many degrees of freedom as
there are vehicles, less what was estimated. Effects are associations: nothing here says that a duty makes parts wear.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import fdtrc, stdtrit

from wearlab.language import _
from wearlab.records import NoAnswer
from wearlab.study.candidates import (
    Candidate,
    CodedCandidate,
    Floats,
    Frame,
    LeftOut,
    code_candidates,
    gathered,
)
from wearlab.study.false_discovery import adjusted_chances
from wearlab.wear.data import WearData, coded
from wearlab.wear.design import Problem
from wearlab.wear.estimate import Options
from wearlab.wear.line import Interval
from wearlab.wear.scale import WorkingScale
from wearlab.wear.scale_fit import ScaleFit, fit_scale

COVERAGE = 0.9
#: Fewest vehicles seen at two exposures.
FEWEST = 20
#: Fewest degrees of freedom that are left after everything was estimated.
FEWEST_LEFT = 8
#: A family's rate has to be this many errors from zero before anything is told as a share of it.
CLEAR = 2.0
#: Of what is called found, this share at most is expected to be chance.
CHANCE = 0.1


@dataclass(frozen=True, slots=True)
class Effect:
    """What a word, or one `step` of a number, goes with: % of the family's rate, beside the others and alone."""

    label: str
    vehicles: int
    percent: Interval
    alone: Interval


@dataclass(frozen=True, slots=True)
class Influence:
    """One candidate and its effects.

    `p` is the chance of effects this large if there were none, `alone_p` that without the others, `adjusted` the one
    over all questions asked together (NaN until `discovered`); `known` is the share of vehicles that have a value.
    """

    name: str
    unit: str
    effects: tuple[Effect, ...]
    p: float
    alone_p: float
    known: float
    adjusted: float = float("nan")


@dataclass(frozen=True, slots=True, eq=False)
class Influences:
    """One group: candidates asked about, those left out, and what the answer rests on.

    `base` is the wear model without candidates, `fit` the one with them; `family_rate` (F,) is the rate per working
    exposure 1 that effects are a share of; `spread` is how much rates of vehicles differ, in % of the rate, before and
    after the candidates.
    """

    asked: tuple[Influence, ...]
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]
    vehicles: int
    lives: int
    freedom: int
    spread: tuple[float, float]
    coded: tuple[CodedCandidate, ...]
    frame: Frame
    family_rate: Floats
    base: ScaleFit
    fit: ScaleFit


def influences(
    data: WearData,
    candidates: Sequence[Candidate],
    scale: WorkingScale,
    *,
    base: ScaleFit | None = None,
    workers: int = 1,
) -> Influences | NoAnswer:
    """Fit the wear model of one group with its candidates.

    Parameters
    ----------
    data : the group's readings, see `WearData`.
    candidates : with one value a reading each: what held on the way to it.
    scale : the working scale, as learned.
    base : the fit of these readings without candidates, where it is at hand.

    Raises
    ------
    InputError
        The arrays do not fit together.
    """
    known = coded(data)
    options = Options(workers=workers)
    try:
        base = fit_scale(known, scale, options) if base is None else base
        found = _asked(data, base, candidates, options)
    except (np.linalg.LinAlgError, ArithmeticError) as error:
        return NoAnswer(_("the wear model with candidates broke off ({error})", error=error))
    return found


def discovered(groups: Sequence[Influences]) -> tuple[Influences, ...]:
    """Return groups whose candidates know their adjusted chance over all questions of all groups."""
    chances = adjusted_chances([one.p for group in groups for one in group.asked])
    out, at = [], 0
    for group in groups:
        until = at + len(group.asked)
        told = tuple(replace(one, adjusted=float(q)) for one, q in zip(group.asked, chances[at:until], strict=True))
        out.append(replace(group, asked=told))
        at = until
    return tuple(out)


def _asked(data: WearData, base: ScaleFit, candidates: Sequence[Candidate], options: Options) -> Influences | NoAnswer:
    design = base.design
    frame = Frame(design.data.vehicle, design.blocks.life, design.data.family)
    seen = _vehicles_with_rate(design)
    if seen < FEWEST:
        return NoAnswer(
            _("vehicles whose parts were tested at two distances: {n}; {fewest} are needed", n=seen, fewest=FEWEST)
        )
    rate = _family_rates(base)
    if isinstance(rate, NoAnswer):
        return rate
    made, left = code_candidates(candidates, frame)
    freedom = seen - int(np.unique(frame.family).size) - sum(one.columns.shape[1] for one in made)
    if made and freedom < FEWEST_LEFT:
        return NoAnswer(
            _(
                "{vehicles} vehicles are too few for {candidates} candidates at once",
                vehicles=seen,
                candidates=len(made),
            )
        )
    notes: tuple[str, ...] = ()
    if not made:
        fit = base
    else:
        fit = fit_scale(coded(_with(data, design, frame, made, rate)), base.scale, options)
        silent = {name for name in (_name(one, k) for one in made for k in range(one.columns.shape[1]))
                  if fit.fixed.place(name) is None}  # fmt: skip
        gone = [one for one in made if any(_name(one, k) in silent for k in range(one.columns.shape[1]))]
        left += tuple(LeftOut(one.name, _("the readings cannot tell it beside the others")) for one in gone)
        made = tuple(one for one in made if one not in gone)
    if fit.status not in ("converged", "converged on the boundary"):
        notes = (_("the wear model with candidates has not converged"),)
    scaled = rate.mean()
    return Influences(
        asked=_told(fit, made, freedom),
        left_out=left,
        notes=notes,
        vehicles=seen,
        lives=design.blocks.lives,
        freedom=freedom,
        spread=(_spread(base, scaled), _spread(fit, scaled)),
        coded=made,
        frame=frame,
        family_rate=rate,
        base=base,
        fit=fit,
    )


def _with(data: WearData, design: Problem, frame: Frame, made: Sequence[CodedCandidate], rate: Floats) -> WearData:
    """The readings with two columns a coefficient: the candidate, and its exposure times the family's rate."""
    columns = np.hstack([one.columns for one in made])
    slopes = gathered(columns, design.x, frame.life, design.data.turn) * rate[frame.family][:, None]
    names = [_name(one, k) for one in made for k in range(one.columns.shape[1])]
    have = 0 if data.covariates is None else np.asarray(data.covariates).shape[1]
    known = design.data
    count = 2 * columns.shape[1]
    return replace(
        data,
        covariates=np.hstack([known.covariates, columns, slopes]),
        covariate_names=(*known.names, *(f"level, {name}" for name in names), *names),
        covariate_kind=(*("factor" if one else "added" for one in known.factor), *("added",) * count),
        covariate_role=(*known.role[:have], *("step",) * (count // 2), *("rate",) * (count // 2)),
        prior_mean=np.concatenate([known.prior_mean, np.zeros(count)]),
        prior_sd=np.concatenate([known.prior_sd, np.full(count, np.inf)]),
    )


def _name(one: CodedCandidate, k: int) -> str:
    return f"influence {one.name}, {k + 1}"


def _told(fit: ScaleFit, made: Sequence[CodedCandidate], freedom: int) -> tuple[Influence, ...]:
    if not made:
        return ()
    where = [[fit.fixed.names.index(_name(one, k)) for k in range(one.columns.shape[1])] for one in made]
    every = np.concatenate(where)
    beta, cover = fit.fixed.estimate[every], fit.fixed.covariance[np.ix_(every, every)]
    reach = float(stdtrit(freedom, 0.5 + COVERAGE / 2))
    out, at = [], 0
    for one in made:
        own = np.arange(at, at + one.columns.shape[1])
        rest = np.setdiff1d(np.arange(every.size), own)
        at += own.size
        alone, alone_cover = beta[own], cover[np.ix_(own, own)]
        if rest.size:
            pull = np.linalg.solve(cover[np.ix_(rest, rest)], cover[np.ix_(rest, own)]).T
            alone = alone - pull @ beta[rest]
            alone_cover = alone_cover - pull @ cover[np.ix_(rest, own)]
        effects = tuple(
            Effect(
                label,
                vehicles,
                _interval(contrast, beta[own], cover[np.ix_(own, own)], reach),
                _interval(contrast, alone, alone_cover, reach),
            )
            for label, vehicles, contrast in zip(one.labels, one.vehicles, one.contrasts, strict=True)
        )
        out.append(
            Influence(
                one.name,
                one.unit,
                effects,
                _chance(beta[own], cover[np.ix_(own, own)], freedom),
                _chance(alone, alone_cover, freedom),
                one.known,
            )
        )
    return tuple(out)


def _interval(contrast: Floats, beta: Floats, cover: Floats, reach: float) -> Interval:
    point, sd = 100 * float(contrast @ beta), 100 * float(np.sqrt(contrast @ cover @ contrast))
    return Interval(point, point - reach * sd, point + reach * sd, COVERAGE)


def _chance(beta: Floats, cover: Floats, freedom: int) -> float:
    """Chance of coefficients as far from zero as these if all were zero."""
    return float(fdtrc(beta.size, freedom, float(beta @ np.linalg.solve(cover, beta)) / beta.size))


def _family_rates(base: ScaleFit) -> Floats | NoAnswer:
    """Each family's rate per working exposure 1, (F,); a family without a clear rate is given that of all."""
    labels = base.design.data.family_label.astype(str)
    names = [f"rate {label}" for label in labels] if labels.size > 1 else ["rate"]
    places = [base.fixed.place(name) for name in names]
    rate = np.array([np.nan if k is None else base.fixed.estimate[k] for k in places]) * base.unit
    sd = np.array([np.nan if k is None else base.fixed.sd[k] for k in places]) * base.unit
    clear = np.abs(rate) > CLEAR * sd
    weight = np.where(clear, 1.0 / np.where(clear, sd, 1.0) ** 2, 0.0)
    if not clear.any():
        return NoAnswer(_("the family's own rate cannot be told from zero, so nothing can be told as a share of it"))
    common = float(np.sum(weight * np.where(clear, rate, 0.0)) / weight.sum())
    return np.where(clear & (np.sign(rate) == np.sign(common)), rate, common)


def _vehicles_with_rate(design: Problem) -> int:
    """How many vehicles have a life that was read at two exposures."""
    lives = design.blocks.lives
    low, high = np.full(lives, np.inf), np.full(lives, -np.inf)
    np.minimum.at(low, design.blocks.life, design.x)
    np.maximum.at(high, design.blocks.life, design.x)
    return int(np.unique(design.blocks.life_vehicle[high > low]).size)


def _spread(fit: ScaleFit, rate: float) -> float:
    return 100 * fit.variances.vehicle_rate * fit.unit / abs(float(rate))
